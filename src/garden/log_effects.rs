//! What an entry of the log changes at once.

use jiff::Timestamp;

use crate::garden::log::LogEntry;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;

impl SiteState {
    /// Judges a place anew after somebody has written down what was seen or done.
    pub(crate) fn judge_logged(&mut self, entry: &LogEntry, now: Timestamp, batch: &mut Batch) {
        let Some(place) = &entry.place else { return };
        let index = |found: Option<usize>| found.and_then(|i| u16::try_from(i).ok());
        if let Some(bed) = index(self.garden.beds.iter().position(|b| b.id == *place)) {
            self.judge_bed_water(bed, now, batch);
            self.judge_repellent(bed, now, batch);
        } else if let Some(tank) = index(self.garden.tanks.iter().position(|t| t.id == *place)) {
            self.judge_tank(tank, now, batch);
        }
    }
}

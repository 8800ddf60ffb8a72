//! What an entry of the log changes at once.

use jiff::Timestamp;

use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::wetting::cause::WettingAnswer;

impl SiteState {
    /// The bed that an entry is about.
    pub(crate) fn bed_logged(&self, entry: &LogEntry) -> Option<u16> {
        let place = entry.place.as_ref()?;
        u16::try_from(self.garden.beds.iter().position(|bed| bed.id == *place)?).ok()
    }

    /// Decides again what wetted the beds that an entry can be about: its own, and all
    /// of them where it speaks of rain or a timer.
    pub(crate) fn explain_wettings(&mut self, bed: u16, entry: &LogEntry) {
        if WettingAnswer::of(&entry.what).is_none() {
            return self.explain_wetting(bed);
        }
        for bed in (0u16..).take(self.beds.len()) {
            self.explain_wetting(bed);
        }
    }

    /// Judges a place again after somebody has written down what was seen or done.
    pub(crate) fn judge_logged(&mut self, entry: &LogEntry, now: Timestamp, batch: &mut Batch) {
        let Some(place) = &entry.place else {
            if matches!(entry.what, LogEvent::RainExpected { .. }) {
                for bed in (0u16..).take(self.garden.beds.len()) {
                    self.judge_bed_water(bed, now, batch);
                }
            }
            return;
        };
        if let Some(bed) = self.bed_logged(entry) {
            self.take_answer(entry, now, batch);
            self.explain_wettings(bed, entry);
            self.judge_bed_water(bed, now, batch);
            self.judge_repellent(bed, now, batch);
            for number in 0..self.garden.programs.len() {
                if self.garden.programs[number].beds.contains(&bed) {
                    self.judge_missed(number, now, false, batch);
                }
            }
        } else if let Some(tank) = self.garden.tanks.iter().position(|tank| tank.id == *place)
            && let Ok(tank) = u16::try_from(tank)
        {
            self.judge_tank(tank, now, batch);
        }
    }
}

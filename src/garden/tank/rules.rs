//! What is judged at a tank.

use jiff::Timestamp;

use crate::garden::record::Batch;
use crate::garden::site::SiteState;

impl SiteState {
    /// Judges a tank after a good reading of one of its sensors, or after somebody
    /// has written something down about it.
    pub(crate) fn judge_tank(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        self.watch_immersion(index, at);
        self.ask_about_changes(index, at, batch);
        self.judge_pump(index, at, batch);
        self.judge_temperature(index, at, batch);
        self.judge_oxygen(index, at, batch);
        self.judge_ammonia(index, at, batch);
        self.judge_nitrite(index, at, batch);
        self.judge_ph(index, at, batch);
    }
}

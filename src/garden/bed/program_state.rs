//! What is known of a timer's program from its runs.

use jiff::Timestamp;

use crate::watering::RunWatch;

/// One program of the garden's timers.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct ProgramState {
    pub(crate) watch: RunWatch,
    /// The last run that did not arrive, until water has come.
    pub(crate) missed: Option<MissedRun>,
    /// The last run of which anything is known did not show in one bed, which alone
    /// proves nothing.
    pub(crate) doubtful: bool,
}

/// A run whose water did not arrive.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct MissedRun {
    pub(crate) start: Timestamp,
    /// When that was found.
    pub(crate) found: Timestamp,
    /// How many runs in a row.
    pub(crate) runs: u32,
    /// The beds that it did not reach: the water content before, and how far it rose
    /// all the same; not known where the meter alone tells.
    pub(crate) beds: Vec<(u16, Option<(f64, f64)>)>,
    /// Whether a water meter counted nothing.
    pub(crate) meter_dry: bool,
}

/// How it came that a missed run is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum MissedOver {
    /// A later run has arrived.
    Arrived,
    /// Somebody wrote down that a bed was watered.
    Logged,
    /// A bed's own meter counted water.
    Metered,
}

impl ProgramState {
    /// What was noted after `limit` is forgotten: the clock was wrong.
    pub(crate) fn forget_after(&mut self, limit: Timestamp) {
        self.watch.forget_after(limit);
        self.missed = self.missed.take().filter(|missed| missed.found <= limit);
    }
}

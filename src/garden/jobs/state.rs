//! When a job was done.

use jiff::Timestamp;

/// Times that are remembered of each job, so that one can be struck.
const KEPT_MAX: usize = 16;

/// When a job was done by the log.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct JobState {
    /// Oldest first.
    done: Vec<Timestamp>,
    changes: u32,
}

impl JobState {
    /// Notes that it was done. Twice at one time is once.
    pub(crate) fn note(&mut self, at: Timestamp) {
        if let Err(place) = self.done.binary_search(&at) {
            self.done.insert(place, at);
            self.changes = self.changes.wrapping_add(1);
            if self.done.len() > KEPT_MAX {
                self.done.remove(0);
            }
        }
    }

    /// Takes out what was struck.
    pub(crate) fn strike(&mut self, at: Timestamp) {
        self.done.retain(|done| *done != at);
        self.changes = self.changes.wrapping_add(1);
    }

    /// The last time.
    pub(crate) fn last(&self) -> Option<Timestamp> {
        self.done.last().copied()
    }

    /// How often it was done or struck while the program ran.
    pub(crate) fn changes(&self) -> u32 {
        self.changes
    }
}

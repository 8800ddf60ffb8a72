//! Hours of the local clock.

/// Intervals of the local clock, sorted and without overlap.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LocalHours {
    /// Minutes after local midnight, `[from, to)`, `to` at most 1440.
    intervals: Vec<(u16, u16)>,
}

impl LocalHours {
    /// Takes intervals that the caller has sorted and checked for overlap.
    pub fn new(intervals: Vec<(u16, u16)>) -> Self {
        Self { intervals }
    }

    /// The intervals, minutes after local midnight, `[from, to)`.
    pub fn intervals(&self) -> &[(u16, u16)] {
        &self.intervals
    }

    /// Whether the local minute of the day (0 to 1439) is inside.
    pub fn contains(&self, minute: u16) -> bool {
        self.intervals.iter().any(|&(from, to)| from <= minute && minute < to)
    }
}

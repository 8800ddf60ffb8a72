//! Bins that are being filled.

use jiff::Timestamp;

use crate::history::{Bin, Edges, QUARTER_MS};

/// Bins that are being filled.
pub(super) struct BinSpan<'a> {
    pub(super) from: Timestamp,
    pub(super) to: Timestamp,
    pub(super) edges: Edges<'a>,
    /// The bin of the last quarter that lay in one, and from when to when, in milliseconds,
    /// quarters lie in it.
    pub(super) held: Option<(i64, i64, (Timestamp, Timestamp))>,
    /// In the order of their start, for each sensor.
    pub(super) bins: Vec<Vec<Bin>>,
}

impl BinSpan<'_> {
    /// The bin that holds all of the quarter that begins at `start`, in milliseconds.
    pub(super) fn holds(&mut self, start: i64) -> Option<(Timestamp, Timestamp)> {
        if let Some((from, until, bin)) = self.held
            && start >= from
            && start + QUARTER_MS <= until
        {
            return Some(bin);
        }
        let bin = self.edges.holds(Timestamp::from_millisecond(start).ok()?)?;
        self.held = Some((start, self.edges.until().as_millisecond(), bin));
        Some(bin)
    }

    pub(super) fn with(
        &mut self,
        sensor: usize,
        (start, end): (Timestamp, Timestamp),
        add: impl FnOnce(&mut Bin),
    ) {
        if start < self.from || start >= self.to {
            return;
        }
        let bins = &mut self.bins[sensor];
        // Nearly all comes in order: for the last bin, or for one after it.
        let index = match bins.last() {
            Some(last) if last.start == start => bins.len() - 1,
            Some(last) if last.start > start => {
                let found = bins.binary_search_by_key(&start, |bin| bin.start);
                found.unwrap_or_else(|index| {
                    bins.insert(index, Bin::empty(start, end));
                    index
                })
            }
            _ => {
                bins.push(Bin::empty(start, end));
                bins.len() - 1
            }
        };
        add(&mut bins[index]);
    }
}

//! How a batch is divided until the lines that a server refuses are alone.

use std::collections::{BTreeSet, HashMap, HashSet};

use crate::store::ForwardRow;

/// A series of which so many parts were refused in a row, and none taken, is refused as a
/// whole from then on: trying each line of it would take thousands of requests. Our own
/// figure. What is refused so can be sent again line by line.
const HOPELESS: u32 = 8;

/// Series whose last part was refused: how often in a row.
#[derive(Debug, Default)]
pub(super) struct Suspects(HashMap<u32, u32>);

impl Suspects {
    /// The parts in which rows are tried, the first one last: those of good series before
    /// those of suspects.
    pub(super) fn parts(&self, rows: &[ForwardRow]) -> Vec<Vec<ForwardRow>> {
        let (suspect, good): (Vec<_>, Vec<_>) = rows.iter().partition(|row| self.0.contains_key(&row.series));
        [suspect, good].into_iter().filter(|part: &Vec<ForwardRow>| !part.is_empty()).collect()
    }

    /// Notes that the server has taken a part.
    pub(super) fn taken(&mut self, part: &[ForwardRow]) {
        if !self.0.is_empty() {
            for row in part {
                self.0.remove(&row.series);
            }
        }
    }

    /// Notes that the server has refused a part for good. It says something of a series
    /// where it holds no other.
    pub(super) fn refused(&mut self, part: &[ForwardRow]) {
        if let Some(series) = only_series(part) {
            *self.0.entry(series).or_default() += 1;
        }
    }

    /// Whether a part that was refused is refused for good: a single line, or one series of
    /// which nothing has been taken for long.
    pub(super) fn is_hopeless(&self, part: &[ForwardRow]) -> bool {
        part.len() == 1
            || only_series(part).is_some_and(|series| self.0.get(&series).is_some_and(|n| *n >= HOPELESS))
    }
}

/// The series of a part that holds one only.
fn only_series(part: &[ForwardRow]) -> Option<u32> {
    let first = part.first()?.series;
    part.iter().all(|row| row.series == first).then_some(first)
}

/// A refused part of more than one row in two, the one to try first last: by series, and
/// in time where it holds one series only.
pub(super) fn split(part: &[ForwardRow]) -> [Vec<ForwardRow>; 2] {
    let series: BTreeSet<u32> = part.iter().map(|row| row.series).collect();
    if series.len() < 2 {
        return halves(part);
    }
    let older: HashSet<u32> = series.iter().copied().take(series.len() / 2).collect();
    let (first, second) = part.iter().partition(|row| older.contains(&row.series));
    [second, first]
}

/// A part in two by its order, the older last.
pub(super) fn halves(part: &[ForwardRow]) -> [Vec<ForwardRow>; 2] {
    let (older, newer) = part.split_at(part.len() / 2);
    [newer.to_vec(), older.to_vec()]
}

/// The first row of each series.
pub(super) fn one_of_each_series<'a>(
    rows: impl Iterator<Item = &'a ForwardRow>,
) -> impl Iterator<Item = ForwardRow> {
    let mut seen = HashSet::new();
    rows.filter(move |row| seen.insert(row.series)).copied()
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;
    use proptest::prelude::*;

    use super::*;
    use crate::quality::Flag;

    fn row(seq: i64, series: u32) -> ForwardRow {
        ForwardRow { seq, series, at: Timestamp::UNIX_EPOCH, raw: 1.0, value: None, flag: Flag::Pass }
    }

    /// Tries until nothing is left, as the forwarder does, with a server that refuses the
    /// whole request where one line is bad; returns what was refused and the requests.
    fn deliver(
        suspects: &mut Suspects,
        rows: &[ForwardRow],
        bad: impl Fn(&ForwardRow) -> bool,
    ) -> (Vec<i64>, usize) {
        let (mut refused, mut requests) = (Vec::new(), 0);
        let mut parts = suspects.parts(rows);
        while let Some(part) = parts.pop() {
            requests += 1;
            if !part.iter().any(&bad) {
                suspects.taken(&part);
            } else if suspects.is_hopeless(&part) {
                suspects.refused(&part);
                refused.extend(part.iter().map(|row| row.seq));
            } else {
                parts.extend(split(&part));
            }
        }
        (refused, requests)
    }

    /// One bad series of twelve costs a few dozen requests once, then two for each batch.
    #[test]
    fn a_bad_series_is_found_once() {
        let rows: Vec<_> = (0..20_000).map(|n| row(n, u32::try_from(n % 12).unwrap())).collect();
        let mut suspects = Suspects::default();
        let mut requests = Vec::new();
        for batch in rows.chunks(5000) {
            let (refused, took) = deliver(&mut suspects, batch, |row| row.series == 7);
            let expected: Vec<_> = batch.iter().filter(|row| row.series == 7).map(|row| row.seq).collect();
            let mut refused = refused;
            refused.sort_unstable();
            assert_eq!(refused, expected);
            requests.push(took);
        }
        assert!(requests[0] < 60, "{requests:?}");
        assert_eq!(requests[1..], [2, 2, 2]);
    }

    #[test]
    fn a_series_that_is_taken_again_is_no_suspect() {
        let mut suspects = Suspects::default();
        for _ in 0..HOPELESS {
            suspects.refused(&[row(1, 3)]);
        }
        assert!(suspects.is_hopeless(&[row(1, 3), row(2, 3)]));
        assert!(!suspects.is_hopeless(&[row(1, 3), row(2, 4)]));
        suspects.taken(&[row(1, 3)]);
        assert!(!suspects.is_hopeless(&[row(1, 3), row(2, 3)]));
    }

    proptest! {
        /// No line that the server takes is ever refused while no series is hopeless, and
        /// every bad one is.
        #[test]
        fn exactly_the_bad_lines_are_refused(
            series in proptest::collection::vec(0u32..6, 1..80),
            bad in proptest::collection::hash_set(0i64..80, 0..8),
        ) {
            let rows: Vec<_> = series.iter().zip(0..).map(|(series, seq)| row(seq, *series)).collect();
            let (mut refused, _) = deliver(&mut Suspects::default(), &rows, |row| bad.contains(&row.seq));
            refused.sort_unstable();
            let mut expected: Vec<_> = bad.iter().copied().filter(|seq| (*seq as usize) < rows.len()).collect();
            expected.sort_unstable();
            prop_assert_eq!(refused, expected);
        }
    }
}

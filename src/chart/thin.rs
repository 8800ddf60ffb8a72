//! Fewer points with the same picture.

use jiff::{SignedDuration, Timestamp};

/// Columns into which a chart's width is divided: more would not be seen, and weigh.
const COLUMNS: i64 = 200;

/// Runs of points without a gap between them. Of each column the first, the least,
/// the greatest and the last point stay, so that no peak is lost. What is not finite
/// or outside the axis is left out. A gap that is shorter than half a column would not
/// be seen and parts nothing, so that the number of runs is bounded.
pub(super) fn runs(
    points: &[(Timestamp, f64)],
    gap: SignedDuration,
    from: Timestamp,
    to: Timestamp,
) -> Vec<Vec<(Timestamp, f64)>> {
    let length = to.as_second().saturating_sub(from.as_second()).max(1);
    let gap = gap.max(SignedDuration::from_secs(length / (2 * COLUMNS)));
    let mut runs: Vec<Vec<(Timestamp, f64)>> = Vec::new();
    let mut last: Option<Timestamp> = None;
    for &(at, value) in points.iter().filter(|(at, value)| value.is_finite() && *at >= from && *at <= to) {
        let joined = last.is_some_and(|last| at.duration_since(last) <= gap);
        match runs.last_mut() {
            Some(run) if joined => run.push((at, value)),
            _ => runs.push(vec![(at, value)]),
        }
        last = Some(at);
    }
    runs.into_iter().map(|run| thin(&run, from, to)).collect()
}

fn thin(run: &[(Timestamp, f64)], from: Timestamp, to: Timestamp) -> Vec<(Timestamp, f64)> {
    let length = to.as_millisecond().saturating_sub(from.as_millisecond()).max(1);
    let column =
        |at: Timestamp| (at.as_millisecond() - from.as_millisecond()).saturating_mul(COLUMNS) / length;
    let mut out: Vec<(Timestamp, f64)> = Vec::with_capacity(run.len().min(1000));
    for points in run.chunk_by(|a, b| column(a.0) == column(b.0)) {
        let mut keep = [0, points.len() - 1, 0, 0];
        for (i, (_, value)) in points.iter().enumerate() {
            if *value < points[keep[2]].1 {
                keep[2] = i;
            }
            if *value > points[keep[3]].1 {
                keep[3] = i;
            }
        }
        keep.sort_unstable();
        let mut before = None;
        for i in keep {
            if before.replace(i) != Some(i) {
                out.push(points[i]);
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp::from_second(s).expect("in range")
    }

    proptest! {
        /// What is left holds the least and the greatest, in order of time, and is no
        /// more than four points a column.
        #[test]
        fn extremes_survive(values in proptest::collection::vec(-1e3..1e3_f64, 1..5000)) {
            let points: Vec<_> = values.iter().zip(0..).map(|(v, i)| (at(i * 60), *v)).collect();
            let to = at(60 * i64::try_from(points.len()).expect("small"));
            let runs = runs(&points, SignedDuration::from_secs(60), at(0), to);
            prop_assert_eq!(runs.len(), 1);
            let extreme = |points: &[(Timestamp, f64)], pick: fn(f64, f64) -> f64| {
                points.iter().map(|p| p.1).fold(f64::NAN, pick)
            };
            prop_assert!((extreme(&runs[0], f64::min) - extreme(&points, f64::min)).abs() < 1e-12);
            prop_assert!((extreme(&runs[0], f64::max) - extreme(&points, f64::max)).abs() < 1e-12);
            prop_assert!(runs[0].is_sorted_by(|a, b| a.0 < b.0));
            prop_assert!(runs[0].len() <= 4 * 201);
            prop_assert_eq!(runs[0].first(), points.first());
            prop_assert_eq!(runs[0].last(), points.last());
        }
    }

    /// Single readings far apart, for years: what is drawn of them stays small.
    #[test]
    fn the_number_of_runs_is_bounded() {
        let points: Vec<_> = (0..200_000).map(|i| (at(i * 600), (i % 7) as f64)).collect();
        let runs = runs(&points, SignedDuration::from_secs(60), at(0), at(200_000 * 600));
        assert!(runs.len() <= 401, "{}", runs.len());
        assert!(runs.iter().map(Vec::len).sum::<usize>() <= 1700);
    }

    #[test]
    fn a_gap_parts_a_line_and_what_is_no_number_is_left_out() {
        let points = [(at(0), 1.0), (at(60), f64::NAN), (at(120), 2.0), (at(400), 3.0), (at(9000), 4.0)];
        let runs = runs(&points, SignedDuration::from_secs(120), at(0), at(1000));
        assert_eq!(runs, [vec![(at(0), 1.0), (at(120), 2.0)], vec![(at(400), 3.0)]]);
    }
}

//! What holds of every series of readings.

use jiff::Timestamp;
use proptest::prelude::*;

use super::{Flag, Flat, Limits, Rate, Spike, SpikeMethod, Test, Watch, spike};
use crate::model::Quantity;

fn at(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(1_776_403_800_000 + ms).unwrap()
}

const OPEN: Limits = Limits {
    gross_fail: (f64::NEG_INFINITY, f64::INFINITY),
    gross_suspect: None,
    spike: None,
    rate: None,
    flat: None,
    gap_s: f64::INFINITY,
    dip_reach_s: 0.0,
};

fn any_limits() -> impl Strategy<Value = Limits> {
    let method = prop_oneof![Just(SpikeMethod::Average), Just(SpikeMethod::Differential)];
    (
        any::<((f64, f64), Option<(f64, f64)>, f64)>(),
        prop::option::of((any::<(f64, f64)>(), method)),
        any::<Option<(f64, Option<f64>, f64)>>(),
        any::<Option<(f64, f64, f64)>>(),
    )
        .prop_map(|((gross_fail, gross_suspect, gap_s), spike, rate, flat)| Limits {
            gross_fail,
            gross_suspect,
            spike: spike.map(|((suspect, fail), method)| Spike { suspect, fail, method }),
            rate: rate.map(|(suspect_per_s, fail_per_s, over_s)| Rate { suspect_per_s, fail_per_s, over_s }),
            flat: flat.map(|(tolerance, suspect_s, fail_s)| Flat {
                tolerance,
                suspect_s,
                fail_s,
                longest_s: None,
            }),
            gap_s,
            dip_reach_s: 0.0,
        })
}

/// The batch definition: the last `threshold / step` points and this one have a
/// range below the tolerance.
fn flat_in_batch(values: &[f64], n: usize, points: usize, tolerance: f64) -> bool {
    let Some(start) = n.checked_sub(points) else { return false };
    let window = &values[start..=n];
    let min = window.iter().copied().fold(f64::INFINITY, f64::min);
    let max = window.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    max - min < tolerance
}

/// Per reading: whether streaming and batch say that the value stands still.
fn flat_both_ways(values: &[f64], points: usize, tolerance: f64) -> Vec<(bool, bool)> {
    let still_s = f64::from(u32::try_from(points).unwrap()) * 60.0;
    let flat = Flat { tolerance, suspect_s: still_s, fail_s: still_s, longest_s: None };
    let limits = Limits { flat: Some(flat), ..OPEN };
    let mut watch = Watch::new();
    let mut ms = 0;
    let mut both = Vec::new();
    for (n, value) in values.iter().enumerate() {
        let streamed = watch.judge(&limits, at(ms), Some(*value)).tests.get(Test::FlatLine) == Flag::Fail;
        both.push((streamed, flat_in_batch(values, n, points, tolerance)));
        ms += 60_000;
    }
    both
}

proptest! {
    #[test]
    fn any_readings_under_any_limits_are_judged(
        limits in any_limits(),
        readings in prop::collection::vec((any::<i32>(), any::<Option<f64>>()), 0..30),
    ) {
        let mut watch = Watch::new();
        let mut last: Option<Timestamp> = None;
        for (ms, value) in readings {
            let judged = watch.judge(&limits, at(i64::from(ms)), value);
            prop_assert_eq!(judged.flag, judged.tests.flag());
            prop_assert_eq!(judged.flag == Flag::Missing, !value.is_some_and(f64::is_finite));
            if let Some((when, flag, tests)) = judged.previous {
                prop_assert_eq!(Some(when), last);
                prop_assert_eq!(flag, tests.flag());
                prop_assert!(matches!(flag, Flag::Suspect | Flag::Fail));
            }
            last = Some(at(i64::from(ms)));
        }
    }

    #[test]
    fn a_stuck_value_is_found_when_the_batch_finds_it(
        values in prop::collection::vec((0..3_i32).prop_map(f64::from), 1..80),
        points in 1..8_usize,
    ) {
        for (n, (streamed, batch)) in flat_both_ways(&values, points, 0.5).into_iter().enumerate() {
            prop_assert_eq!(streamed, batch, "reading {} of {:?}", n, values);
        }
    }

    #[test]
    fn a_nearly_flat_line_is_never_found_sooner_than_in_the_batch(
        values in prop::collection::vec((0..6_i32).prop_map(f64::from), 1..80),
        points in 1..8_usize,
        tolerance in 1.5..4.0_f64,
    ) {
        for (n, (streamed, batch)) in flat_both_ways(&values, points, tolerance).into_iter().enumerate() {
            prop_assert!(batch || !streamed, "reading {} of {:?}", n, values);
        }
    }

    #[test]
    fn spikes_are_those_of_the_batch(values in prop::collection::vec(-10.0..10.0_f64, 3..40), average in any::<bool>()) {
        let method = if average { SpikeMethod::Average } else { SpikeMethod::Differential };
        let thresholds = Spike { suspect: 3.0, fail: 6.0, method };
        let limits = Limits { spike: Some(thresholds), ..OPEN };
        let mut watch = Watch::new();
        let mut ms = 0;
        for (n, value) in values.iter().enumerate() {
            let streamed = watch.judge(&limits, at(ms), Some(*value)).previous.map(|(_, flag, _)| flag);
            let batch = n.checked_sub(2).map(|m| spike(&thresholds, values[m], values[m + 1], *value));
            prop_assert_eq!(streamed, batch.filter(|f| *f != Flag::Pass));
            ms += 60_000;
        }
    }

    /// The flat line's longest time and three more points are enough to go on
    /// as if there had been no restart.
    #[test]
    fn a_watch_rebuilt_from_stored_readings_goes_on_alike(
        values in prop::collection::vec(prop_oneof![Just(0.2), 0.0..0.6_f64], 1..200),
        restart in any::<prop::sample::Index>(),
    ) {
        let limits = Limits::default_for(Quantity::SoilMoisture, 3600);
        let readings: Vec<_> = values.iter().zip(0..).map(|(v, n)| (at(n * 3_600_000), *v)).collect();
        let restart = restart.index(readings.len());
        let (mut unbroken, mut rebuilt) = (Watch::new(), Watch::new());
        for (when, value) in &readings[..restart] {
            unbroken.judge(&limits, *when, Some(*value));
        }
        for (when, value) in &readings[restart.saturating_sub(24 + 3)..restart] {
            rebuilt.judge(&limits, *when, Some(*value));
        }
        for (when, value) in &readings[restart..] {
            prop_assert_eq!(
                unbroken.judge(&limits, *when, Some(*value)),
                rebuilt.judge(&limits, *when, Some(*value))
            );
        }
    }
}

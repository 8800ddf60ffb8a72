//! What holds of every calibration and every raw number.

use jiff::Timestamp;
use proptest::prelude::*;

use super::{Calibrated, Calibration, Calibrator, Counts, DatedCalibration};

fn at(s: i64) -> Timestamp {
    Timestamp::from_second(1_776_403_800 + s).unwrap()
}

/// Distinct numbers, rising.
fn rising(len: usize) -> impl Strategy<Value = Vec<f64>> {
    prop::collection::vec((-1e6..1e6_f64, 1e-3..1e4_f64), len).prop_map(|steps| {
        let mut last = steps[0].0;
        steps
            .into_iter()
            .map(|(_, step)| {
                last += step;
                last
            })
            .collect()
    })
}

fn piecewise() -> impl Strategy<Value = Calibration> {
    (2..8_usize).prop_flat_map(|n| (rising(n), rising(n), any::<bool>(), any::<bool>())).prop_map(
        |(mut raw, mut value, raw_falls, value_falls)| {
            if raw_falls {
                raw.reverse();
            }
            if value_falls {
                value.reverse();
            }
            Calibration::piecewise(raw.into_iter().zip(value).collect()).unwrap()
        },
    )
}

fn calibration() -> impl Strategy<Value = Calibration> {
    let wraps_at = prop::option::of((2..100_000_u32).prop_map(f64::from));
    let counts =
        prop_oneof![Just(Counts::Message), wraps_at.prop_map(|wraps_at| Counts::Running { wraps_at })];
    let curve = prop_oneof![
        Just(Calibration::identity()),
        Just(Calibration::topp()),
        piecewise(),
        prop::collection::vec(any::<f64>().prop_filter("finite", |c| c.is_finite()), 1..6)
            .prop_map(|c| Calibration::polynomial(c).unwrap()),
        (0.01..10.0_f64, counts).prop_map(|(mm, counts)| Calibration::tips(mm, counts).unwrap()),
    ];
    (curve, prop::option::of((-1e6..1e6_f64, 1.0..1e6_f64))).prop_map(|(curve, valid)| match valid {
        Some((min, span)) => curve.with_valid(min, min + span).unwrap(),
        None => curve,
    })
}

fn raw() -> impl Strategy<Value = f64> {
    prop_oneof![any::<f64>(), -100.0..100_000.0_f64, (0..100_000_u32).prop_map(f64::from)]
}

proptest! {
    #[test]
    fn a_value_is_finite(
        calibration in calibration(),
        raws in prop::collection::vec((raw(), -10..1000_i64), 1..20),
    ) {
        let held = [DatedCalibration { from: Some(at(0)), calibration }];
        let mut calibrator = Calibrator::new();
        for (raw, s) in raws {
            if let Calibrated::Value(value) = calibrator.value(&held, at(s), raw) {
                prop_assert!(value.is_finite() && raw.is_finite(), "{raw} came to {value}");
            }
        }
    }

    #[test]
    fn lines_between_points_never_turn_back(calibration in piecewise(), mut parts in prop::collection::vec(0.0..=1.0_f64, 2..20)) {
        let super::Curve::Piecewise { points } = calibration.curve() else { unreachable!() };
        let (first, last) = (points[0], points[points.len() - 1]);
        for &(raw, value) in points {
            prop_assert_eq!(calibration.convert(raw).map(f64::to_bits), Ok(value.to_bits()));
        }
        parts.sort_by(f64::total_cmp);
        let values: Vec<f64> =
            parts.iter().map(|p| calibration.convert(first.0 + (last.0 - first.0) * p).unwrap()).collect();
        let rises = first.1 < last.1;
        for pair in values.windows(2) {
            // Rounding moves a value of up to 1e6 by less than this.
            let on = if rises { pair[1] - pair[0] } else { pair[0] - pair[1] };
            prop_assert!(on > -1e-8);
        }
    }

    #[test]
    fn a_running_counter_loses_no_tip_over_its_roll_overs(
        wraps_at in 1000..70_000_u32,
        start in 0..1000_u32,
        tips in prop::collection::vec(0..50_u32, 1..2000),
    ) {
        // Tips between messages stay below a tenth of the range, as the rule asks.
        let counts = Counts::Running { wraps_at: Some(f64::from(wraps_at)) };
        let held = [DatedCalibration { from: None, calibration: Calibration::tips(1.0, counts).unwrap() }];
        let mut calibrator = Calibrator::new();
        let mut count = start;
        let mut total = 0.0;
        prop_assert_eq!(calibrator.value(&held, at(0), f64::from(count)), Calibrated::NotYet);
        for (n, added) in (1..).zip(&tips) {
            count = (count + added) % wraps_at;
            total += calibrator.value(&held, at(n), f64::from(count)).value().unwrap();
        }
        prop_assert!((total - f64::from(tips.iter().sum::<u32>())).abs() < 1e-6);
    }
}

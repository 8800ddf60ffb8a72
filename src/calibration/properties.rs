//! What holds of every calibration and every raw number.

use jiff::Timestamp;
use proptest::prelude::*;

use super::fit::fit;
use super::{
    Calibrated, Calibration, Calibrator, CountMode, DatedCalibration, Divider, GranularMatrix, Law,
    OutOfRange, Platinum, Retention, Side, Thermistor,
};

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

fn divider() -> impl Strategy<Value = Option<Divider>> {
    let side = prop_oneof![Just(Side::Ground), Just(Side::Supply)];
    let some = (1.0..1e6_f64, 1.0..70_000.0_f64, side)
        .prop_map(|(series, full, side)| Divider::new(series, full, side).unwrap());
    prop::option::of(some)
}

fn law() -> impl Strategy<Value = Law> {
    let beta = (10.0..1e7_f64, 1000.0..10_000.0_f64).prop_map(|(r25, beta)| Law::beta(r25, beta).unwrap());
    let constants = (0.0005..0.002_f64, 0.0001..0.0004_f64, 0.0..5e-7_f64)
        .prop_filter_map("a law that holds", |(a, b, c)| Law::steinhart_hart(a, b, c).ok());
    prop_oneof![beta, constants]
}

fn thermistor() -> impl Strategy<Value = Thermistor> {
    (law(), divider()).prop_map(|(law, divider)| Thermistor::new(law, divider))
}

/// A soil's water contents at the wilting point, at field capacity and at saturation.
fn water_contents() -> impl Strategy<Value = (f64, f64, f64)> {
    (0.01..0.3_f64, 0.01..0.3_f64, 0.01..0.3_f64)
        .prop_map(|(wp, more, most)| (wp, wp + more, wp + more + most))
}

fn retention((wp, fc, saturation): (f64, f64, f64)) -> Retention {
    Retention::new(wp, fc, saturation).unwrap()
}

fn granular_matrix() -> impl Strategy<Value = GranularMatrix> {
    (0.0..=40.0_f64, water_contents().prop_map(retention), divider())
        .prop_map(|(soil_c, soil, divider)| GranularMatrix::new(soil_c, soil, divider).unwrap())
}

fn calibration() -> impl Strategy<Value = Calibration> {
    let wraps_at = prop::option::of((2..100_000_u32).prop_map(f64::from));
    let counts =
        prop_oneof![Just(CountMode::Message), wraps_at.prop_map(|wraps_at| CountMode::Running { wraps_at })];
    let curve = prop_oneof![
        Just(Calibration::identity()),
        Just(Calibration::topp()),
        piecewise(),
        prop::collection::vec(any::<f64>().prop_filter("finite", |c| c.is_finite()), 1..6)
            .prop_map(|c| Calibration::polynomial(c).unwrap()),
        (0.01..10.0_f64, counts).prop_map(|(mm, counts)| Calibration::tips(mm, counts).unwrap()),
        thermistor().prop_map(Calibration::thermistor),
        granular_matrix().prop_map(Calibration::granular_matrix),
        (10.0..10_000.0_f64).prop_map(|r0| Calibration::platinum(Platinum::new(r0).unwrap())),
        Just(Calibration::one_wire()),
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
                let why = held[0].calibration.why(raw, value);
                prop_assert!(!why.is_empty());
                prop_assert!(why.iter().all(|step| !step.with.contains("NaN")), "{:?}", why);
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
    fn any_pairs_are_fitted_or_refused(pairs in prop::collection::vec((raw(), raw()), 0..40)) {
        if let Ok(fitted) = fit(&pairs) {
            let (low, high) = fitted.raw;
            prop_assert!(low < high && fitted.places >= 2);
            for raw in [low, f64::midpoint(low, high), high] {
                match fitted.calibration.convert(raw) {
                    Ok(value) => prop_assert!(value.is_finite()),
                    // Where numbers of 1e300 are joined by a line.
                    Err(why) => prop_assert!(matches!(why, OutOfRange::NotFinite { .. }), "{why}"),
                }
            }
        }
    }

    #[test]
    fn noisy_pairs_of_a_line_come_back_within_their_noise(
        slope in prop_oneof![-3e-4..-1e-4_f64, 1e-4..3e-4_f64],
        noise in prop::collection::vec(-1.0..1.0_f64, 5..12),
    ) {
        let size = noise.len() as f64;
        let pairs: Vec<(f64, f64)> = (0..)
            .map(f64::from)
            .zip(&noise)
            .map(|(n, noise)| (1000.0 + 1500.0 * n / size, slope * 1500.0 * (n / size + 0.001 * noise)))
            .collect();
        let fitted = fit(&pairs).unwrap();
        let largest = fitted.error.unwrap().largest;
        for &(raw, _) in &pairs {
            let truth = slope * (raw - 1000.0);
            let got = fitted.calibration.convert(raw).unwrap();
            // Noise is a thousandth of the span; no form follows more than twice of it.
            prop_assert!((got - truth).abs() < 0.002 * 1500.0 * slope.abs() + 1e-5, "{raw}: {got}, {truth}");
        }
        prop_assert!(largest < 0.02 * 1500.0 * slope.abs());
    }

    #[test]
    fn a_thermistor_cools_as_its_resistance_rises(
        law in law(),
        ohm in 10.0..1e7_f64,
        more in 1.001..2.0_f64,
    ) {
        let (warm, cool) = (law.temperature_c(ohm), law.temperature_c(ohm * more));
        // Below a resistance that no thermistor has, 1/T passes 0.
        prop_assume!(warm > -273.15 && cool > -273.15 && ohm * more < 1e7);
        prop_assert!(cool < warm, "{} ohm: {}, {} ohm: {}", ohm, warm, ohm * more, cool);
    }

    #[test]
    fn drier_soil_holds_less(contents in water_contents(), kpa in 0.0..1500.0_f64, more in 0.01..100.0_f64) {
        let (soil, (_, _, saturation)) = (retention(contents), contents);
        let (wet, dry) = (soil.water_content(kpa), soil.water_content(kpa + more));
        prop_assert!(0.0 < dry && dry < wet && wet <= saturation, "{} {}", wet, dry);
    }

    #[test]
    fn a_running_counter_loses_no_tip_over_its_roll_overs(
        wraps_at in 1000..70_000_u32,
        start in 0..1000_u32,
        tips in prop::collection::vec(0..50_u32, 1..2000),
    ) {
        // Tips between messages stay below a tenth of the range, as the rule asks.
        let counts = CountMode::Running { wraps_at: Some(f64::from(wraps_at)) };
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

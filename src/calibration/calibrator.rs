//! Using a sensor's calibrations, reading after reading.

use jiff::Timestamp;

use super::DatedCalibration;
use super::curve::{Calibration, CountMode, Curve, is_whole};
use super::error::OutOfRange;
use super::{one_wire, topp};

/// The result of a raw number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Calibrated {
    /// Finite; in the quantity's unit.
    Value(f64),
    /// There is no value, and why.
    OutOfRange(OutOfRange),
    /// The first running count: an amount is known from the second one on.
    NotYet,
}

impl Calibrated {
    /// The value, where there is one.
    pub fn value(self) -> Option<f64> {
        match self {
            Self::Value(value) => Some(value),
            Self::OutOfRange(_) | Self::NotYet => None,
        }
    }
}

/// A counter that comes back smaller has rolled over if it was in this last part
/// of its range and is now in the first part of the same size. Else it was reset.
const ROLL_OVER_PART: f64 = 0.1;

/// What has to be remembered of one sensor: its last running count. 16 bytes.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub struct Calibrator {
    /// NaN: no count yet.
    last_count: f64,
    /// Milliseconds since 1970.
    last_at_ms: i64,
}

impl Default for Calibrator {
    fn default() -> Self {
        Self::new()
    }
}

impl Calibrator {
    /// Nothing remembered.
    pub fn new() -> Self {
        Self { last_count: f64::NAN, last_at_ms: i64::MIN }
    }

    /// After a restart: the last stored raw number and its time. It matters to
    /// running counts only.
    pub fn restore(&mut self, last_raw: f64, at: Timestamp) {
        if is_count(last_raw) {
            self.last_count = last_raw;
            self.last_at_ms = at.as_millisecond();
        }
    }

    /// The value of a raw number by the calibration that holds at `at`.
    ///
    /// `calibrations` are sorted by the instant from which each holds.
    ///
    /// A running count comes to what was counted since the last one. Where it is
    /// smaller than the last one, the counter rolled over (see
    /// [`CountMode::Running`]) or was reset, and then the count itself is what was
    /// counted since the reset; what fell between the last count and the reset
    /// is lost. A count that is not later than the last one changes nothing.
    pub fn value(&mut self, calibrations: &[DatedCalibration], at: Timestamp, raw: f64) -> Calibrated {
        let held = calibrations.iter().rev().find(|c| c.from.is_none_or(|from| from <= at));
        let Some(DatedCalibration { calibration, .. }) = held else {
            return Calibrated::OutOfRange(OutOfRange::NoCalibration);
        };
        let outcome = if let Curve::Tips { mm_per_tip, counts } = *calibration.curve() {
            self.tips(counts, calibration.valid(), at, raw).map(|tips| tips.map(|tips| tips * mm_per_tip))
        } else {
            calibration.convert(raw).map(Some)
        };
        match outcome {
            Ok(Some(value)) if value.is_finite() => Calibrated::Value(value),
            Ok(Some(_)) => Calibrated::OutOfRange(OutOfRange::NotFinite { raw }),
            Ok(None) => Calibrated::NotYet,
            Err(why) => Calibrated::OutOfRange(why),
        }
    }

    /// Tips since the message before; `None` for the first running count.
    fn tips(
        &mut self,
        counts: CountMode,
        valid: Option<(f64, f64)>,
        at: Timestamp,
        raw: f64,
    ) -> Result<Option<f64>, OutOfRange> {
        if !is_count(raw) {
            return Err(OutOfRange::NotACount { raw });
        }
        if let Some(range) = valid {
            in_range(raw, range)?;
        }
        let wraps_at = match counts {
            CountMode::Message => return Ok(Some(raw)),
            CountMode::Running { wraps_at } => wraps_at,
        };
        if let Some(wraps_at) = wraps_at
            && raw >= wraps_at
        {
            return Err(OutOfRange::BeyondRollOver { raw, wraps_at });
        }
        let at_ms = at.as_millisecond();
        let last = self.last_count;
        if last.is_nan() {
            *self = Self { last_count: raw, last_at_ms: at_ms };
            return Ok(None);
        }
        if at_ms <= self.last_at_ms {
            return Err(OutOfRange::NotLater);
        }
        *self = Self { last_count: raw, last_at_ms: at_ms };
        Ok(Some(match wraps_at {
            _ if raw >= last => raw - last,
            Some(wraps_at)
                if last < wraps_at
                    && last >= wraps_at * (1.0 - ROLL_OVER_PART)
                    && raw <= wraps_at * ROLL_OVER_PART =>
            {
                wraps_at - last + raw
            }
            _ => raw,
        }))
    }
}

impl Calibration {
    /// The value of a raw number by the curve alone. Tips are taken as tips of
    /// one message: a running count needs a [`Calibrator`].
    ///
    /// # Errors
    ///
    /// When the raw number is outside the calibration's range: the one that was
    /// set, else for points a tenth of their span beyond either end, for Topp's
    /// equation [`topp::FITTED`], for tips the counts; for the sensors with an
    /// equation of their own also when what they come to is outside the range
    /// that their module states; or when the value is not finite.
    pub fn convert(&self, raw: f64) -> Result<f64, OutOfRange> {
        if matches!(self.curve(), Curve::Tips { .. }) && !is_count(raw) {
            return Err(OutOfRange::NotACount { raw });
        }
        if let Some(range) = self.valid().or_else(|| self.curve().own_range()) {
            in_range(raw, range)?;
        }
        let value = match self.curve() {
            Curve::Identity => raw,
            Curve::Piecewise { points } => on_lines(points, raw),
            Curve::Polynomial { coefficients } => polynomial(coefficients, raw),
            Curve::Topp => topp::water_content(raw),
            Curve::Tips { mm_per_tip, .. } => raw * mm_per_tip,
            Curve::GranularMatrix(sensor) => sensor.water_content(raw)?,
            Curve::Thermistor(sensor) => sensor.temperature_c(raw)?,
            Curve::Platinum(sensor) => sensor.temperature_c(raw)?,
            Curve::OneWire => one_wire::temperature_c(raw)?,
        };
        if value.is_finite() { Ok(value) } else { Err(OutOfRange::NotFinite { raw }) }
    }
}

/// NaN is within nothing.
fn in_range(raw: f64, (min, max): (f64, f64)) -> Result<(), OutOfRange> {
    if (min..=max).contains(&raw) { Ok(()) } else { Err(OutOfRange::Raw { raw, min, max }) }
}

fn is_count(raw: f64) -> bool {
    (0.0..=Calibration::COUNT_MAX).contains(&raw) && is_whole(raw)
}

/// The two points whose line holds at `raw`, of at least two points with raw
/// rising. The end lines are carried on.
pub(super) fn line_at(points: &[(f64, f64)], raw: f64) -> ((f64, f64), (f64, f64)) {
    let after = points.partition_point(|&(r, _)| r < raw).clamp(1, points.len() - 1);
    (points[after - 1], points[after])
}

fn on_lines(points: &[(f64, f64)], raw: f64) -> f64 {
    let ((raw_0, value_0), (raw_1, value_1)) = line_at(points, raw);
    let part = (raw - raw_0) / (raw_1 - raw_0);
    // This form meets both points exactly.
    value_0 * (1.0 - part) + value_1 * part
}

/// Horner's rule.
pub(super) fn polynomial(coefficients: &[f64], raw: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * raw + c)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp::from_second(1_776_403_800 + s).unwrap()
    }

    fn ever(calibration: Calibration) -> Vec<DatedCalibration> {
        vec![DatedCalibration { from: None, calibration }]
    }

    fn near(got: Calibrated, expected: f64) {
        let Calibrated::Value(value) = got else { panic!("{got:?}, {expected} expected") };
        assert!((value - expected).abs() < 1e-9, "{value}, {expected} expected");
    }

    #[test]
    fn points_are_met_and_joined_by_lines() {
        let held =
            ever(Calibration::piecewise(vec![(2900.0, 0.02), (2000.0, 0.25), (1450.0, 0.40)]).unwrap());
        let mut calibrator = Calibrator::new();
        for (raw, expected) in
            [(2900.0, 0.02), (2000.0, 0.25), (1450.0, 0.40), (2450.0, 0.135), (1725.0, 0.325)]
        {
            near(calibrator.value(&held, at(0), raw), expected);
        }
    }

    #[test]
    fn points_are_carried_on_for_a_tenth_of_their_span() {
        let held = ever(Calibration::piecewise(vec![(1000.0, 0.0), (2000.0, 1.0)]).unwrap());
        let mut calibrator = Calibrator::new();
        near(calibrator.value(&held, at(0), 900.0), -0.1);
        near(calibrator.value(&held, at(0), 2100.0), 1.1);
        for raw in [899.9, 2100.1, f64::NAN, f64::INFINITY] {
            let got = calibrator.value(&held, at(0), raw);
            assert!(matches!(got, Calibrated::OutOfRange(OutOfRange::Raw { .. })), "{raw}: {got:?}");
        }
        let wider =
            Calibration::piecewise(vec![(1000.0, 0.0), (2000.0, 1.0)]).unwrap().with_valid(0.0, 2000.0);
        let held = ever(wider.unwrap());
        near(calibrator.value(&held, at(0), 0.0), -1.0);
        assert_eq!(calibrator.value(&held, at(0), 2000.5).value(), None);
    }

    #[test]
    fn a_polynomial_is_its_sum() {
        let held = ever(Calibration::polynomial(vec![1.0, -2.0, 0.5]).unwrap());
        near(Calibrator::new().value(&held, at(0), 4.0), 1.0);
        let huge = ever(Calibration::polynomial(vec![0.0, 0.0, 1e308]).unwrap());
        let got = Calibrator::new().value(&huge, at(0), 1e10);
        assert_eq!(got, Calibrated::OutOfRange(OutOfRange::NotFinite { raw: 1e10 }));
    }

    #[test]
    fn topp_has_no_value_outside_its_fit() {
        let held = ever(Calibration::topp());
        let mut calibrator = Calibrator::new();
        for (raw, inside) in [(2.99, false), (3.0, true), (40.0, true), (40.01, false), (81.0, false)] {
            assert_eq!(calibrator.value(&held, at(0), raw).value().is_some(), inside, "{raw}");
        }
    }

    #[test]
    fn tips_of_a_message_are_whole_and_not_negative() {
        let held = ever(Calibration::tips(0.2, CountMode::Message).unwrap());
        let mut calibrator = Calibrator::new();
        near(calibrator.value(&held, at(0), 0.0), 0.0);
        near(calibrator.value(&held, at(1), 7.0), 1.4);
        for raw in [-1.0, 0.5, 1e17, f64::NAN] {
            let got = calibrator.value(&held, at(2), raw);
            assert!(matches!(got, Calibrated::OutOfRange(OutOfRange::NotACount { .. })), "{raw}: {got:?}");
        }
    }

    #[test]
    fn a_running_count_tells_what_was_added() {
        let held = ever(Calibration::tips(0.2, CountMode::Running { wraps_at: Some(65_536.0) }).unwrap());
        let mut calibrator = Calibrator::new();
        assert_eq!(calibrator.value(&held, at(0), 65_000.0), Calibrated::NotYet);
        near(calibrator.value(&held, at(900), 65_010.0), 2.0);
        near(calibrator.value(&held, at(1800), 65_010.0), 0.0);
        // Rolled over: 526 to the end and 4 beyond it.
        near(calibrator.value(&held, at(2700), 4.0), 106.0);
        near(calibrator.value(&held, at(3600), 30_000.0), 5999.2);
        // Not from the end of the range: reset, and 3 tips since.
        near(calibrator.value(&held, at(4500), 3.0), 0.6);
        // From the end of the range to its middle is a reset too.
        near(calibrator.value(&held, at(4600), 65_000.0), 12_999.4);
        near(calibrator.value(&held, at(4700), 30_000.0), 6000.0);
        near(calibrator.value(&held, at(4800), 30_001.0), 0.2);
        let beyond = calibrator.value(&held, at(5400), 65_536.0);
        assert!(matches!(beyond, Calibrated::OutOfRange(OutOfRange::BeyondRollOver { .. })), "{beyond:?}");
        // The refused count was not taken for the last one.
        near(calibrator.value(&held, at(6300), 30_003.0), 0.4);
    }

    #[test]
    fn a_counter_without_roll_over_is_reset() {
        let held = ever(Calibration::tips(0.5, CountMode::Running { wraps_at: None }).unwrap());
        let mut calibrator = Calibrator::new();
        assert_eq!(calibrator.value(&held, at(0), 65_535.0), Calibrated::NotYet);
        near(calibrator.value(&held, at(900), 2.0), 1.0);
    }

    #[test]
    fn a_running_count_out_of_order_counts_nothing_twice() {
        let held = ever(Calibration::tips(1.0, CountMode::Running { wraps_at: None }).unwrap());
        let mut calibrator = Calibrator::new();
        calibrator.restore(10.0, at(0));
        near(calibrator.value(&held, at(1800), 15.0), 5.0);
        for (s, raw) in [(900, 12.0), (1800, 15.0)] {
            assert_eq!(calibrator.value(&held, at(s), raw), Calibrated::OutOfRange(OutOfRange::NotLater));
        }
        near(calibrator.value(&held, at(2700), 16.0), 1.0);
    }

    #[test]
    fn the_calibration_that_holds_is_the_last_begun() {
        let constant = |c| Calibration::polynomial(vec![c]).unwrap();
        let held = [
            DatedCalibration { from: Some(at(0)), calibration: constant(1.0) },
            DatedCalibration { from: Some(at(100)), calibration: constant(2.0) },
        ];
        let mut calibrator = Calibrator::new();
        assert_eq!(calibrator.value(&held, at(-1), 5.0), Calibrated::OutOfRange(OutOfRange::NoCalibration));
        near(calibrator.value(&held, at(0), 5.0), 1.0);
        near(calibrator.value(&held, at(99), 5.0), 1.0);
        near(calibrator.value(&held, at(100), 5.0), 2.0);
        assert_eq!(calibrator.value(&[], at(0), 5.0), Calibrated::OutOfRange(OutOfRange::NoCalibration));
    }

    #[test]
    fn the_state_is_small() {
        assert_eq!(size_of::<Calibrator>(), 16);
    }
}

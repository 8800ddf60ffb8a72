//! Using a sensor's calibrations, reading after reading.

use jiff::Timestamp;

use super::DatedCalibration;
use super::curve::{Calibration, Counts, Curve, is_whole};
use super::topp;

/// What a raw number came to.
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

/// Why a raw number has no value.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum OutOfRange {
    #[error("no calibration holds at the reading's time")]
    NoCalibration,
    #[error("the raw number {raw} is outside the calibration, which holds from {min} to {max}")]
    Raw { raw: f64, min: f64, max: f64 },
    #[error("the raw number {raw} comes to no finite value")]
    NotFinite { raw: f64 },
    #[error("{raw} is no count of tips: a whole number from 0 is")]
    NotACount { raw: f64 },
    #[error("the running count {raw} is not below {wraps_at}, where the counter rolls over")]
    BeyondRollOver { raw: f64, wraps_at: f64 },
    #[error(
        "the running count is not later than one that was taken: the amount is in the later one's already"
    )]
    NotLater,
}

/// Beyond its end points a calibration by points is carried on for this part
/// of its span in raw numbers, along the last line. Farther out it has no value.
const EXTRAPOLATED_PART: f64 = 0.1;

/// A counter that comes back smaller has rolled over if it was in this last part
/// of its range and is now in the first part of the same size. Else it was reset.
const ROLL_OVER_PART: f64 = 0.1;

/// What has to be remembered of one sensor: its last running count. 16 bytes.
#[derive(Clone, Copy, Debug)]
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
    /// [`Counts::Running`]) or was reset, and then the count itself is what was
    /// counted since the reset; what fell between the last count and the reset
    /// is lost. A count that is not later than the last one changes nothing.
    pub fn value(&mut self, calibrations: &[DatedCalibration], at: Timestamp, raw: f64) -> Calibrated {
        let held = calibrations.iter().rev().find(|c| c.from.is_none_or(|from| from <= at));
        let Some(DatedCalibration { calibration, .. }) = held else {
            return Calibrated::OutOfRange(OutOfRange::NoCalibration);
        };
        let outcome = match *calibration.curve() {
            Curve::Tips { mm_per_tip, counts } => {
                self.tips(counts, calibration.valid(), at, raw).map(|tips| tips.map(|tips| tips * mm_per_tip))
            }
            Curve::Identity | Curve::Piecewise { .. } | Curve::Polynomial { .. } | Curve::Topp => {
                calibration.convert(raw).map(Some)
            }
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
        counts: Counts,
        valid: Option<(f64, f64)>,
        at: Timestamp,
        raw: f64,
    ) -> Result<Option<f64>, OutOfRange> {
        if !is_count(raw) {
            return Err(OutOfRange::NotACount { raw });
        }
        if let Some(range) = valid {
            within(raw, range)?;
        }
        let wraps_at = match counts {
            Counts::Message => return Ok(Some(raw)),
            Counts::Running { wraps_at } => wraps_at,
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
    /// equation [`topp::FITTED`], for tips the counts; or when the value is not
    /// finite.
    pub fn convert(&self, raw: f64) -> Result<f64, OutOfRange> {
        let own_range = match self.curve() {
            Curve::Piecewise { points } => {
                let (first, last) = (points[0].0, points[points.len() - 1].0);
                let beyond = (last - first) * EXTRAPOLATED_PART;
                Some((first - beyond, last + beyond))
            }
            Curve::Topp => Some(topp::FITTED),
            Curve::Tips { .. } if !is_count(raw) => return Err(OutOfRange::NotACount { raw }),
            Curve::Identity | Curve::Polynomial { .. } | Curve::Tips { .. } => None,
        };
        if let Some(range) = self.valid().or(own_range) {
            within(raw, range)?;
        }
        let value = match self.curve() {
            Curve::Identity => raw,
            Curve::Piecewise { points } => on_lines(points, raw),
            Curve::Polynomial { coefficients } => polynomial(coefficients, raw),
            Curve::Topp => topp::water_content(raw),
            Curve::Tips { mm_per_tip, .. } => raw * mm_per_tip,
        };
        if value.is_finite() { Ok(value) } else { Err(OutOfRange::NotFinite { raw }) }
    }
}

/// NaN is within nothing.
fn within(raw: f64, (min, max): (f64, f64)) -> Result<(), OutOfRange> {
    if (min..=max).contains(&raw) { Ok(()) } else { Err(OutOfRange::Raw { raw, min, max }) }
}

fn is_count(raw: f64) -> bool {
    (0.0..=Calibration::COUNT_MAX).contains(&raw) && is_whole(raw)
}

/// At least two points, raw rising. The end lines are carried on.
fn on_lines(points: &[(f64, f64)], raw: f64) -> f64 {
    let after = points.partition_point(|&(r, _)| r < raw).clamp(1, points.len() - 1);
    let ((raw_0, value_0), (raw_1, value_1)) = (points[after - 1], points[after]);
    let part = (raw - raw_0) / (raw_1 - raw_0);
    // This form meets both points exactly.
    value_0 * (1.0 - part) + value_1 * part
}

/// Horner's rule.
fn polynomial(coefficients: &[f64], raw: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * raw + c)
}

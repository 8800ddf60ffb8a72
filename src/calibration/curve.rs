//! The curves from raw number to value, checked when they are made.

use super::error::CalibrationError;
use super::granular_matrix::GranularMatrix;
use super::platinum::Platinum;
use super::thermistor::Thermistor;
use super::topp;

/// Beyond its end points a calibration by points is carried on for this part
/// of its span in raw numbers, along the last line. Farther out it has no value.
const EXTRAPOLATED_PART: f64 = 0.1;

/// A checked curve and the raw numbers for which it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    curve: Curve,
    /// Lowest and highest raw number, both included.
    valid: Option<(f64, f64)>,
}

/// How a raw number becomes a value.
#[derive(Clone, Debug, PartialEq)]
pub enum Curve {
    /// The raw number is the value.
    Identity,
    /// Straight lines between points (raw, value), raw rising. Two points make
    /// the usual two-point calibration.
    Piecewise { points: Vec<(f64, f64)> },
    /// `c[0] + c[1] raw + c[2] raw² + ...`
    Polynomial { coefficients: Vec<f64> },
    /// The raw number is the soil's apparent relative permittivity (no unit);
    /// the value is its water content, m³/m³.
    Topp,
    /// The raw number counts the tips of a rain gauge's bucket; the value is the
    /// rain since the message before, mm.
    Tips { mm_per_tip: f64, counts: CountMode },
    /// The raw number is a granular matrix sensor's resistance (ohm) or a
    /// divider's count; the value is the soil's water content, m³/m³.
    GranularMatrix(GranularMatrix),
    /// The raw number is a thermistor's resistance (ohm) or a divider's count;
    /// the value is a temperature, °C.
    Thermistor(Thermistor),
    /// The raw number is a platinum thermometer's resistance (ohm); the value is
    /// a temperature, °C.
    Platinum(Platinum),
    /// The raw number is a 1-wire thermometer's register, in sixteenths of a
    /// degree; the value is a temperature, °C.
    OneWire,
}

/// What a tip count counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CountMode {
    /// The tips since the message before.
    Message,
    /// All tips since the counter's start.
    Running {
        /// The number of tips at which the counter is back at 0, such as 65,536;
        /// `None`: it never rolls over.
        wraps_at: Option<f64>,
    },
}

impl Curve {
    /// For every raw number that it can take.
    fn anywhere(self) -> Calibration {
        Calibration { curve: self, valid: None }
    }

    /// The raw numbers for which the curve itself holds, where that is a range.
    pub(super) fn own_range(&self) -> Option<(f64, f64)> {
        match self {
            Self::Piecewise { points } => {
                let (first, last) = (points[0].0, points[points.len() - 1].0);
                let beyond = (last - first) * EXTRAPOLATED_PART;
                Some((first - beyond, last + beyond))
            }
            Self::Topp => Some(topp::FITTED),
            Self::Identity
            | Self::Polynomial { .. }
            | Self::Tips { .. }
            | Self::GranularMatrix(_)
            | Self::Thermistor(_)
            | Self::Platinum(_)
            | Self::OneWire => None,
        }
    }
}

impl Calibration {
    /// Points that a calibration may have at most.
    pub const POINTS_MAX: usize = 256;
    /// Coefficients that a polynomial may have at most.
    pub const COEFFICIENTS_MAX: usize = 12;
    /// Largest rain for one tip, mm. Gauges of the trade have 0.1 to 1 mm.
    pub const MM_PER_TIP_MAX: f64 = 10.0;
    /// Largest whole number up to which every count has its own `f64`, 2^53.
    pub(super) const COUNT_MAX: f64 = 9_007_199_254_740_992.0;

    /// The raw number is the value.
    pub fn identity() -> Self {
        Curve::Identity.anywhere()
    }

    /// Straight lines between points (raw, value), given with raw numbers all
    /// rising or all falling.
    ///
    /// # Errors
    ///
    /// With fewer than two points, more than [`Self::POINTS_MAX`], a number that
    /// is not finite, or raw numbers or values that do not all rise or all fall.
    pub fn piecewise(mut points: Vec<(f64, f64)>) -> Result<Self, CalibrationError> {
        let given = points.len();
        if given < 2 {
            return Err(CalibrationError::TooFewPoints { given });
        }
        if given > Self::POINTS_MAX {
            return Err(CalibrationError::TooManyPoints { given, most: Self::POINTS_MAX });
        }
        for (i, &(raw, value)) in points.iter().enumerate() {
            for given in [raw, value] {
                if !given.is_finite() {
                    return Err(CalibrationError::NotFinite { place: i + 1, given });
                }
            }
        }
        let raw_rises = points[0].0 < points[1].0;
        let value_rises = points[0].1 < points[1].1;
        for (i, pair) in points.windows(2).enumerate() {
            let ((raw_before, value_before), (raw, value)) = (pair[0], pair[1]);
            let place = i + 2;
            if !goes_on(raw_before, raw, raw_rises) {
                return Err(CalibrationError::RawNotMonotone { place, before: raw_before, raw });
            }
            if !goes_on(value_before, value, value_rises) {
                return Err(CalibrationError::ValueNotMonotone { place, before: value_before, value });
            }
        }
        if !raw_rises {
            points.reverse();
        }
        Ok(Curve::Piecewise { points }.anywhere())
    }

    /// `c[0] + c[1] raw + c[2] raw² + ...`
    ///
    /// # Errors
    ///
    /// Without a coefficient, with more than [`Self::COEFFICIENTS_MAX`], or with
    /// one that is not finite.
    pub fn polynomial(coefficients: Vec<f64>) -> Result<Self, CalibrationError> {
        if coefficients.is_empty() {
            return Err(CalibrationError::NoCoefficients);
        }
        if coefficients.len() > Self::COEFFICIENTS_MAX {
            let (given, most) = (coefficients.len(), Self::COEFFICIENTS_MAX);
            return Err(CalibrationError::TooManyCoefficients { given, most });
        }
        if let Some(i) = coefficients.iter().position(|c| !c.is_finite()) {
            return Err(CalibrationError::NotFinite { place: i + 1, given: coefficients[i] });
        }
        Ok(Curve::Polynomial { coefficients }.anywhere())
    }

    /// Apparent permittivity to water content by Topp, Davis and Annan 1980.
    pub fn topp() -> Self {
        Curve::Topp.anywhere()
    }

    /// Tips of a rain gauge's bucket to mm.
    ///
    /// # Errors
    ///
    /// When `mm_per_tip` is not above 0 and at most [`Self::MM_PER_TIP_MAX`], or
    /// the roll-over is not a whole number from 2 to 2^53.
    pub fn tips(mm_per_tip: f64, counts: CountMode) -> Result<Self, CalibrationError> {
        if !(mm_per_tip > 0.0 && mm_per_tip <= Self::MM_PER_TIP_MAX) {
            return Err(CalibrationError::MmPerTip { given: mm_per_tip, most: Self::MM_PER_TIP_MAX });
        }
        if let CountMode::Running { wraps_at: Some(given) } = counts
            && !((2.0..=Self::COUNT_MAX).contains(&given) && is_whole(given))
        {
            return Err(CalibrationError::WrapsAt { given });
        }
        Ok(Curve::Tips { mm_per_tip, counts }.anywhere())
    }

    /// Resistance of a granular matrix sensor to water content.
    pub fn granular_matrix(sensor: GranularMatrix) -> Self {
        Curve::GranularMatrix(sensor).anywhere()
    }

    /// Resistance of a thermistor to temperature.
    pub fn thermistor(sensor: Thermistor) -> Self {
        Curve::Thermistor(sensor).anywhere()
    }

    /// Resistance of a platinum thermometer to temperature.
    pub fn platinum(sensor: Platinum) -> Self {
        Curve::Platinum(sensor).anywhere()
    }

    /// Register of a 1-wire thermometer to temperature.
    pub fn one_wire() -> Self {
        Curve::OneWire.anywhere()
    }

    /// The same curve for raw numbers from `min` to `max` only, both included.
    /// It replaces the range that points and Topp's equation set for themselves;
    /// the limits of a resistance and of what it comes to stay.
    ///
    /// # Errors
    ///
    /// When a limit is not finite or `min` is not below `max`.
    pub fn with_valid(mut self, min: f64, max: f64) -> Result<Self, CalibrationError> {
        if !(min.is_finite() && max.is_finite() && min < max) {
            return Err(CalibrationError::ValidRange { min, max });
        }
        self.valid = Some((min, max));
        Ok(self)
    }

    /// The raw numbers at its two ends, the lower one first, where it has ends: those of
    /// the points or of the range that was set.
    pub fn ends(&self) -> Option<(f64, f64)> {
        match &self.curve {
            Curve::Piecewise { points } if self.valid.is_none() => {
                Some((points.first()?.0, points.last()?.0))
            }
            _ => self.valid,
        }
    }

    /// The curve.
    pub fn curve(&self) -> &Curve {
        &self.curve
    }

    /// The range that was set for raw numbers, both ends included.
    pub fn valid(&self) -> Option<(f64, f64)> {
        self.valid
    }
}

fn goes_on(before: f64, next: f64, rises: bool) -> bool {
    if rises { before < next } else { before > next }
}

/// Whether a finite number has no fraction.
pub(super) fn is_whole(number: f64) -> bool {
    number.fract().abs() < f64::MIN_POSITIVE
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_that_fall_are_turned_round() {
        let given = Calibration::piecewise(vec![(2900.0, 0.02), (1450.0, 0.40)]).unwrap();
        assert_eq!(given.curve(), &Curve::Piecewise { points: vec![(1450.0, 0.40), (2900.0, 0.02)] });
    }

    #[test]
    fn what_cannot_be_is_refused() {
        use CalibrationError as E;
        let points = |p: &[(f64, f64)]| Calibration::piecewise(p.to_vec()).map(|_| ());
        assert_eq!(points(&[]), Err(E::TooFewPoints { given: 0 }));
        assert_eq!(points(&[(1.0, 1.0)]), Err(E::TooFewPoints { given: 1 }));
        assert!(matches!(points(&[(0.0, 0.0), (f64::NAN, 1.0)]), Err(E::NotFinite { place: 2, .. })));
        assert_eq!(
            points(&[(0.0, 0.0), (1.0, f64::INFINITY)]),
            Err(E::NotFinite { place: 2, given: f64::INFINITY })
        );
        assert_eq!(
            points(&[(0.0, 0.0), (1.0, 1.0), (1.0, 2.0)]),
            Err(E::RawNotMonotone { place: 3, before: 1.0, raw: 1.0 })
        );
        assert_eq!(
            points(&[(0.0, 0.0), (1.0, 1.0), (2.0, 0.5)]),
            Err(E::ValueNotMonotone { place: 3, before: 1.0, value: 0.5 })
        );
        assert_eq!(
            points(&[(0.0, 1.0), (1.0, 1.0)]),
            Err(E::ValueNotMonotone { place: 2, before: 1.0, value: 1.0 })
        );
        assert!(matches!(points(&[(0.0, 0.0); 300]), Err(E::TooManyPoints { given: 300, .. })));

        assert_eq!(Calibration::polynomial(vec![]), Err(E::NoCoefficients));
        assert!(matches!(
            Calibration::polynomial(vec![1.0; 13]),
            Err(E::TooManyCoefficients { given: 13, .. })
        ));
        assert!(matches!(Calibration::polynomial(vec![1.0, f64::NAN]), Err(E::NotFinite { place: 2, .. })));

        for given in [0.0, -0.2, f64::NAN, f64::INFINITY, 10.1] {
            assert!(
                matches!(Calibration::tips(given, CountMode::Message), Err(E::MmPerTip { .. })),
                "{given}"
            );
        }
        for given in [0.0, 1.0, 1000.5, -5.0, f64::NAN, f64::INFINITY] {
            let counts = CountMode::Running { wraps_at: Some(given) };
            assert!(matches!(Calibration::tips(0.2, counts), Err(E::WrapsAt { .. })), "{given}");
        }
        for (min, max) in [(1.0, 1.0), (2.0, 1.0), (f64::NAN, 1.0), (0.0, f64::INFINITY)] {
            assert!(Calibration::topp().with_valid(min, max).is_err(), "{min} {max}");
        }
    }
}

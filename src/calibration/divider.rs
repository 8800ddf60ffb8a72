//! A resistance read as the middle of a voltage divider.
//!
//! The sensor and a known resistor share a voltage, and the converter counts the
//! part of it that is at their middle, from 0 to `full_scale`:
//!
//! ```text
//! sensor to ground:  R = Rs raw / (full_scale - raw)
//! sensor to supply:  R = Rs (full_scale - raw) / raw
//! ```
//!
//! Ohm's law; it needs no publication. The supply cancels where the converter
//! measures against it.

use super::error::{CalibrationError, OutOfRange, within};
use super::figure::SixDigits;
use crate::why::{Check, Equation, Step};

pub(super) const EQUATION: Equation = Equation {
    gives: "resistance of the sensor",
    form: "to ground: R = Rs raw / (full scale - raw); to supply: R = Rs (full scale - raw) / raw",
    source: "Ohm's law for two resistors in a row",
    check: Check::Arithmetic,
};

/// Which side of the middle the sensor is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Between the middle and ground: the count rises with the resistance.
    Ground,
    /// Between the middle and the supply.
    Supply,
}

/// A known resistor, and a converter that counts to `full_scale`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Divider {
    series_ohm: f64,
    full_scale: f64,
    side: Side,
}

impl Divider {
    /// Smallest and largest resistor, ohm.
    pub const SERIES_OHM: (f64, f64) = (1.0, 1e8);
    /// Smallest and largest count for the whole voltage; 1 for a part of it.
    pub const FULL_SCALE: (f64, f64) = (1.0, 4_294_967_296.0);

    /// A divider.
    ///
    /// # Errors
    ///
    /// When a number is outside [`Self::SERIES_OHM`] or [`Self::FULL_SCALE`].
    pub fn new(series_ohm: f64, full_scale: f64, side: Side) -> Result<Self, CalibrationError> {
        let (ohm, count) = (Self::SERIES_OHM, Self::FULL_SCALE);
        if within(ohm, series_ohm) && within(count, full_scale) {
            Ok(Self { series_ohm, full_scale, side })
        } else {
            Err(CalibrationError::Divider { series_ohm, full_scale, ohm, count })
        }
    }

    /// The sensor's resistance, ohm, above 0.
    ///
    /// # Errors
    ///
    /// At either end of the scale, where the sensor is cut off or shorted, and
    /// beyond it.
    pub fn resistance_ohm(&self, raw: f64) -> Result<f64, OutOfRange> {
        let full_scale = self.full_scale;
        // Written so that NaN is refused.
        if !(raw > 0.0 && raw < full_scale) {
            return Err(OutOfRange::DividerEnd { raw, full_scale });
        }
        Ok(match self.side {
            Side::Ground => self.series_ohm * raw / (full_scale - raw),
            Side::Supply => self.series_ohm * (full_scale - raw) / raw,
        })
    }

    /// How `raw` came to a resistance.
    pub(super) fn step(&self, raw: f64, ohm: f64) -> Step {
        let [series, full, raw, ohm] = [self.series_ohm, self.full_scale, raw, ohm].map(SixDigits);
        EQUATION.step(match self.side {
            Side::Ground => format!("{series} x {raw} / ({full} - {raw}) = {ohm} ohm"),
            Side::Supply => format!("{series} x ({full} - {raw}) / {raw} = {ohm} ohm"),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_is_the_resistor_and_the_sides_mirror_each_other() {
        let ground = Divider::new(10_000.0, 4096.0, Side::Ground).unwrap();
        let supply = Divider::new(10_000.0, 4096.0, Side::Supply).unwrap();
        assert!((ground.resistance_ohm(2048.0).unwrap() - 10_000.0).abs() < 1e-9);
        assert!((ground.resistance_ohm(1024.0).unwrap() - 10_000.0 / 3.0).abs() < 1e-9);
        assert!((supply.resistance_ohm(3072.0).unwrap() - 10_000.0 / 3.0).abs() < 1e-9);
    }

    #[test]
    fn an_end_of_the_scale_is_a_broken_wire() {
        let divider = Divider::new(10_000.0, 4095.0, Side::Ground).unwrap();
        for raw in [0.0, -1.0, 4095.0, 5000.0, f64::NAN, f64::INFINITY] {
            assert!(matches!(divider.resistance_ohm(raw), Err(OutOfRange::DividerEnd { .. })), "{raw}");
        }
        for (series, full) in [(0.0, 4095.0), (1e4, 0.5), (f64::NAN, 1.0), (1e4, f64::INFINITY)] {
            assert!(Divider::new(series, full, Side::Supply).is_err(), "{series} {full}");
        }
    }
}

//! Temperature from the resistance of a platinum thermometer.
//!
//! ```text
//! t >= 0:  R = R0 (1 + A t + B t²)
//! t < 0:   R = R0 (1 + A t + B t² + C (t - 100) t³)
//! ```
//!
//! `R0` is the resistance at 0 °C: 100 ohm for a Pt100, 1000 for a Pt1000.
//!
//! Source: IEC 60751, industrial platinum resistance thermometers; constants and
//! table values as two stored copies of its tables give them. Thermometers of
//! an earlier curve (138.50 ohm at 100 °C) differ by 0.01 °C there.
//!
//! # Where it stops holding
//!
//! From -200 to 850 °C. Two wires add their own resistance: half an ohm of cable
//! reads as 1.3 °C too warm with a Pt100.

use super::error::{CalibrationError, OutOfRange, within};
use super::figure::SixDigits;
use crate::why::{Check, Equation, Step};

pub(super) const EQUATION: Equation = Equation {
    gives: "temperature of the platinum thermometer",
    form: "R = R0 (1 + A t + B t^2), below 0 °C with C (t - 100) t^3 beside; solved for t",
    source: "IEC 60751: A 3.9083e-3, B -5.775e-7, C -4.183e-12",
    check: Check::Table("iec_60751.csv"),
};

/// The standard's range, °C.
pub const RANGE_C: (f64, f64) = (-200.0, 850.0);

/// Smallest and largest resistance at 0 °C, ohm.
pub const R0_OHM: (f64, f64) = (10.0, 10_000.0);

const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;

/// Below 0 °C the inverse is looked for until a step is smaller than this, °C.
const STEP_C: f64 = 1e-10;
/// Steps at most. From the quadratic start four are enough over the whole range.
const STEPS_MAX: usize = 20;

/// A platinum thermometer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Platinum {
    r0_ohm: f64,
}

impl Platinum {
    /// By its resistance at 0 °C.
    ///
    /// # Errors
    ///
    /// When that is outside [`R0_OHM`].
    pub fn new(r0_ohm: f64) -> Result<Self, CalibrationError> {
        if within(R0_OHM, r0_ohm) {
            Ok(Self { r0_ohm })
        } else {
            let (min, max) = R0_OHM;
            Err(CalibrationError::PlatinumAtZero { given: r0_ohm, min, max })
        }
    }

    /// Resistance, ohm, at a temperature of [`RANGE_C`], without a look at it.
    pub fn resistance_ohm(&self, t_c: f64) -> f64 {
        self.r0_ohm * ratio(t_c)
    }

    /// Temperature, °C, at a resistance in ohm.
    ///
    /// # Errors
    ///
    /// Where the resistance is outside what [`RANGE_C`] gives.
    pub fn temperature_c(&self, ohm: f64) -> Result<f64, OutOfRange> {
        let (min, max) = (self.resistance_ohm(RANGE_C.0), self.resistance_ohm(RANGE_C.1));
        // The printed ends, 18.52 and 390.48 ohm, are inside.
        let rounding = 1e-4 * self.r0_ohm;
        if !(min - rounding..=max + rounding).contains(&ohm) {
            return Err(OutOfRange::Raw { raw: ohm, min, max });
        }
        let wanted = ohm / self.r0_ohm;
        let quadratic = (-A + (A * A - 4.0 * B * (1.0 - wanted)).sqrt()) / (2.0 * B);
        if wanted >= 1.0 {
            return Ok(quadratic);
        }
        // Newton: the ratio rises everywhere below 0 and its slope changes little.
        let mut t = quadratic;
        for _ in 0..STEPS_MAX {
            let step = (ratio(t) - wanted) / slope(t);
            t -= step;
            if step.abs() < STEP_C {
                break;
            }
        }
        Ok(t)
    }

    /// How a resistance came to a temperature.
    pub(super) fn step(&self, ohm: f64, celsius: f64) -> Step {
        let [r, r0, v] = [ohm, self.r0_ohm, celsius].map(SixDigits);
        let below = if celsius < 0.0 { format!(" - 4.183e-12 x ({v} - 100) x {v}^3") } else { String::new() };
        EQUATION.step(format!("{r} = {r0} x (1 + 3.9083e-3 x {v} - 5.775e-7 x {v}^2{below}) at {v} °C"))
    }
}

/// R / R0.
fn ratio(t: f64) -> f64 {
    let c = if t < 0.0 { C } else { 0.0 };
    1.0 + A * t + B * t * t + c * (t - 100.0) * t.powi(3)
}

/// Its derivative, 1/°C.
fn slope(t: f64) -> f64 {
    let c = if t < 0.0 { C } else { 0.0 };
    A + 2.0 * B * t + c * (4.0 * t.powi(3) - 300.0 * t * t)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back_is_the_same_over_the_whole_range() {
        for r0 in [100.0, 1000.0] {
            let sensor = Platinum::new(r0).unwrap();
            for t in -200..=850 {
                let t = f64::from(t);
                let back = sensor.temperature_c(sensor.resistance_ohm(t)).unwrap();
                assert!((back - t).abs() < 1e-8, "{r0} {t}: {back}");
            }
        }
    }

    #[test]
    fn a_resistance_beyond_the_standard_has_no_temperature() {
        let sensor = Platinum::new(100.0).unwrap();
        for ohm in [18.4, 390.6, 0.0, -100.0, f64::NAN, f64::INFINITY] {
            assert!(matches!(sensor.temperature_c(ohm), Err(OutOfRange::Raw { .. })), "{ohm}");
        }
        for r0 in [0.0, -100.0, f64::NAN, 1e6] {
            assert!(Platinum::new(r0).is_err(), "{r0}");
        }
    }
}

//! Temperature from the resistance of a thermistor that falls as it warms.
//!
//! ```text
//! beta:            1/T = 1/298.15 + ln(R / R25) / beta
//! Steinhart-Hart:  1/T = A + B ln R + C (ln R)³
//! ```
//!
//! `T` in kelvin, `R` in ohm, `R25` the resistance at 25 °C.
//!
//! Sources: both forms are from memory and are common practice. The second is
//! Steinhart and Hart, Deep-Sea Research 15, 497-503 (1968), not read.
//!
//! # Where it stops holding
//!
//! A maker's beta is for two temperatures, often 25 and 85 °C: in a garden it is
//! off by up to about 1 °C at the ends, besides the part's own tolerance. The
//! three constants of Steinhart and Hart hold between the points they were
//! fitted to, to some hundredths of a degree.

use super::divider::Divider;
use super::error::{CalibrationError, OutOfRange, computed, within};
use super::figure::SixDigits;
use crate::why::{Check, Equation, Why};

pub(super) const BETA: Equation = Equation {
    gives: "temperature of the thermistor",
    form: "1/T = 1/298.15 + ln(R / R25) / beta",
    source: "common practice, from memory",
    check: Check::Table("thermistor_beta.csv"),
};

pub(super) const STEINHART_HART: Equation = Equation {
    gives: "temperature of the thermistor",
    form: "1/T = A + B ln R + C (ln R)^3",
    source: "Steinhart and Hart 1968, Deep-Sea Research 15 (from memory)",
    check: Check::Table("thermistor_steinhart_hart.csv"),
};

/// Temperatures for which an answer is given, °C: the range for which
/// thermistors are commonly sold (no source).
pub const RANGE_C: (f64, f64) = (-40.0, 125.0);

/// 0 °C in kelvin.
pub(super) const ZERO_C_K: f64 = 273.15;

/// How resistance and temperature go together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Law {
    Beta { r25_ohm: f64, beta_k: f64 },
    SteinhartHart { a: f64, b: f64, c: f64 },
}

/// A thermistor, alone or in a divider.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thermistor {
    law: Law,
    divider: Option<Divider>,
}

impl Law {
    /// Smallest and largest resistance at 25 °C, ohm.
    pub const R25_OHM: (f64, f64) = (10.0, 1e7);
    /// Smallest and largest beta, kelvin. Thermistors of the trade have 2500 to 5000.
    pub const BETA_K: (f64, f64) = (1000.0, 10_000.0);
    /// Resistances between which a law has to fall as it warms, ohm.
    const LOOKED_AT_OHM: (f64, f64) = (10.0, 1e7);

    /// The law of `R25` and beta.
    ///
    /// # Errors
    ///
    /// When a number is outside [`Self::R25_OHM`] or [`Self::BETA_K`].
    pub fn beta(r25_ohm: f64, beta_k: f64) -> Result<Self, CalibrationError> {
        let (ohm, kelvin) = (Self::R25_OHM, Self::BETA_K);
        if within(ohm, r25_ohm) && within(kelvin, beta_k) {
            Ok(Self::Beta { r25_ohm, beta_k })
        } else {
            Err(CalibrationError::Beta { r25_ohm, beta_k, ohm, kelvin })
        }
    }

    /// The law of three constants.
    ///
    /// # Errors
    ///
    /// When the resistance does not fall with the temperature from 10 ohm to
    /// 10 Mohm, or no resistance there comes to a temperature of [`RANGE_C`].
    pub fn steinhart_hart(a: f64, b: f64, c: f64) -> Result<Self, CalibrationError> {
        let law = Self::SteinhartHart { a, b, c };
        let (low, high) = Self::LOOKED_AT_OHM;
        // The slope is lowest at one of the ends, since ln R is above 0 there.
        let slope = |ohm: f64| b + 3.0 * c * ohm.ln().powi(2);
        let (warm, cold) = (1.0 / (RANGE_C.1 + ZERO_C_K), 1.0 / (RANGE_C.0 + ZERO_C_K));
        let falls = slope(low) > 0.0 && slope(high) > 0.0;
        if falls && law.per_kelvin(low) < cold && law.per_kelvin(high) > warm {
            Ok(law)
        } else {
            Err(CalibrationError::SteinhartHart { a, b, c })
        }
    }

    /// 1/T, in 1/K.
    fn per_kelvin(self, ohm: f64) -> f64 {
        match self {
            Self::Beta { r25_ohm, beta_k } => 1.0 / (25.0 + ZERO_C_K) + (ohm / r25_ohm).ln() / beta_k,
            Self::SteinhartHart { a, b, c } => {
                let ln = ohm.ln();
                a + b * ln + c * ln.powi(3)
            }
        }
    }

    /// Temperature, °C, at a resistance above 0, ohm, without a look at
    /// [`RANGE_C`].
    pub fn temperature_c(self, ohm: f64) -> f64 {
        1.0 / self.per_kelvin(ohm) - ZERO_C_K
    }
}

impl Thermistor {
    /// With a divider the raw number is the converter's, else it is the
    /// resistance in ohm.
    pub fn new(law: Law, divider: Option<Divider>) -> Self {
        Self { law, divider }
    }

    /// The thermistor's resistance, ohm.
    pub(super) fn resistance_ohm(&self, raw: f64) -> Result<f64, OutOfRange> {
        match &self.divider {
            Some(divider) => divider.resistance_ohm(raw),
            None if raw > 0.0 && raw.is_finite() => Ok(raw),
            None => Err(OutOfRange::NotAResistance { raw }),
        }
    }

    /// Temperature, °C.
    pub(super) fn temperature_c(&self, raw: f64) -> Result<f64, OutOfRange> {
        let value = self.law.temperature_c(self.resistance_ohm(raw)?);
        // A resistance far too small comes to a temperature below absolute zero.
        computed(raw, value, "a temperature", "°C", RANGE_C)
    }

    /// How `raw` came to a temperature.
    pub(super) fn why(&self, raw: f64, celsius: f64) -> Why {
        let Ok(ohm) = self.resistance_ohm(raw) else { return Vec::new() };
        let (r, value) = (SixDigits(ohm), SixDigits(celsius));
        let temperature = match self.law {
            Law::Beta { r25_ohm, beta_k } => {
                let (r25, beta) = (SixDigits(r25_ohm), SixDigits(beta_k));
                BETA.step(format!("1 / (1/298.15 + ln({r} / {r25}) / {beta}) - 273.15 = {value} °C"))
            }
            Law::SteinhartHart { a, b, c } => {
                let [a, b, c] = [a, b, c].map(SixDigits);
                STEINHART_HART
                    .step(format!("1 / ({a} + {b} x ln {r} + {c} x (ln {r})^3) - 273.15 = {value} °C"))
            }
        };
        let divider = self.divider.map(|divider| divider.step(raw, ohm));
        divider.into_iter().chain([temperature]).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn constants_in_the_wrong_order_are_refused() {
        assert!(Law::steinhart_hart(0.001_129_148, 0.000_234_125, 8.767_41e-8).is_ok());
        for (a, b, c) in [
            (8.767_41e-8, 0.000_234_125, 0.001_129_148),
            (0.001_129_148, -0.000_234_125, 8.767_41e-8),
            (0.0, 0.0, 0.0),
            (f64::NAN, 0.000_234_125, 8.767_41e-8),
            (0.001_129_148, f64::INFINITY, 8.767_41e-8),
            (1.129_148, 0.000_234_125, 8.767_41e-8),
        ] {
            assert!(Law::steinhart_hart(a, b, c).is_err(), "{a} {b} {c}");
        }
        for (r25, beta) in [(0.0, 3950.0), (10_000.0, 395.0), (f64::NAN, 3950.0), (1e4, f64::INFINITY)] {
            assert!(Law::beta(r25, beta).is_err(), "{r25} {beta}");
        }
    }

    #[test]
    fn what_is_no_temperature_of_a_garden_is_out_of_range() {
        let thermistor = Thermistor::new(Law::beta(10_000.0, 3950.0).unwrap(), None);
        for raw in [0.0, -5.0, f64::NAN, f64::INFINITY] {
            assert!(matches!(thermistor.temperature_c(raw), Err(OutOfRange::NotAResistance { .. })), "{raw}");
        }
        for raw in [1e-300, 1.0, 100.0, 1e7, 1e300] {
            assert!(matches!(thermistor.temperature_c(raw), Err(OutOfRange::Computed { .. })), "{raw}");
        }
    }
}

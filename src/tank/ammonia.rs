//! Un-ionised ammonia, the part of a tank's ammonia that harms fish most.
//!
//! ```text
//! pKa = 0.09018 + 2729.92/T        f = 1 / (1 + 10^(pKa - pH))
//! ```
//!
//! `T` in kelvin. Fresh water, 0 to 50 °C. Source: Emerson, Russo, Lund and
//! Thurston 1975, J. Fish. Res. Board Can. 32:2379-2383. The paper's tables were
//! made with T = °C + 273.2; with 273.15, as here, the part is up to 0.5 % of
//! itself smaller. Salt makes it smaller still, so fresh water is the cautious
//! case.

use super::oxygen::ZERO_C_K;
use super::{TankOutOfRange, within};
use crate::why::{Check, Equation, Step};

const TEMPERATURE_C: (f64, f64) = (0.0, 50.0);
const PH: (f64, f64) = (0.0, 14.0);
/// Test kits end far below this; more is a slip of the pen.
const TOTAL_MG_L: (f64, f64) = (0.0, 1000.0);

/// The constants of [`CONSTANT`]: no unit, and kelvin.
const PKA_AT_INFINITY: f64 = 0.090_18;
const PKA_SLOPE_K: f64 = 2729.92;

/// The ionisation constant.
pub(super) const CONSTANT: Equation = Equation {
    gives: "pKa of ammonia",
    form: "pKa = 0.09018 + 2729.92/T",
    source: "Emerson and others 1975",
    check: Check::Table("ammonia_fraction.csv"),
};
/// The un-ionised part.
pub const FRACTION: Equation = Equation {
    gives: "part of the ammonia that is un-ionised",
    form: "f = 1 / (1 + 10^(pKa - pH))",
    source: "Emerson and others 1975",
    check: Check::Table("ammonia_fraction.csv"),
};
/// Its concentration.
pub const CONCENTRATION: Equation = Equation {
    gives: "un-ionised ammonia, as nitrogen",
    form: "NH3-N = f TAN",
    source: "definition",
    check: Check::Table("ammonia_concentration.csv"),
};

/// pKa of ammonia in fresh water.
///
/// # Errors
/// Outside 0 to 50 °C.
pub fn ionisation_constant(temperature_c: f64) -> Result<f64, TankOutOfRange> {
    let t = within("the water's temperature", temperature_c, TEMPERATURE_C, "°C")?;
    Ok(PKA_AT_INFINITY + PKA_SLOPE_K / (t + ZERO_C_K))
}

/// The step to `pka`, which [`ionisation_constant`] gave.
pub fn ionisation_step(temperature_c: f64, pka: f64) -> Step {
    CONSTANT.step(format!("{PKA_AT_INFINITY} + {PKA_SLOPE_K} / ({temperature_c:.1} + {ZERO_C_K}) = {pka:.3}"))
}

/// Part of total ammonia that is un-ionised, 0 to 1.
///
/// # Errors
/// Outside pH 0 to 14 and 0 to 50 °C.
pub fn un_ionised_fraction(ph: f64, temperature_c: f64) -> Result<f64, TankOutOfRange> {
    let ph = within("pH", ph, PH, "")?;
    Ok(1.0 / (1.0 + 10_f64.powf(ionisation_constant(temperature_c)? - ph)))
}

/// Un-ionised ammonia, mg/L as nitrogen, from total ammonia nitrogen in mg/L.
///
/// # Errors
/// As [`un_ionised_fraction`], and outside 0 to 1,000 mg/L.
pub fn un_ionised_mg_l(total_n_mg_l: f64, ph: f64, temperature_c: f64) -> Result<f64, TankOutOfRange> {
    let total = within("total ammonia nitrogen", total_n_mg_l, TOTAL_MG_L, "mg/L")?;
    Ok(total * un_ionised_fraction(ph, temperature_c)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn more_of_it_is_un_ionised_in_warm_and_alkaline_water() {
        let f = |ph, t| un_ionised_fraction(ph, t).expect("in range");
        assert!(f(8.0, 25.0) > f(7.0, 25.0) && f(8.0, 25.0) > f(8.0, 15.0));
        // At a pH equal to pKa it is half.
        let pka = ionisation_constant(20.0).expect("in range");
        assert!((f(pka, 20.0) - 0.5).abs() < 1e-12);
    }

    #[test]
    fn beyond_the_range_is_said() {
        assert!(un_ionised_fraction(14.1, 20.0).is_err());
        assert!(un_ionised_fraction(7.0, 50.1).is_err());
        assert!(un_ionised_fraction(f64::NAN, 20.0).is_err());
        assert!(un_ionised_mg_l(-0.1, 7.0, 20.0).is_err());
        assert!(un_ionised_mg_l(0.0, 7.0, 20.0).is_ok_and(|n| n < 1e-12));
    }
}

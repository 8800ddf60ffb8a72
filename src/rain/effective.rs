//! Effective rain: the part of a month's rain that stays for the plants.
//!
//! Every method here is for whole months. Of a day or a week none of them says
//! anything: a bed's own probes do.

use super::range::{OutOfRange, RAIN};
use crate::why::{Check, Equation};

/// The method of the US Soil Conservation Service.
pub const EFFECTIVE_SCS: Equation = Equation {
    gives: "effective rain of a month (SCS)",
    form: "Pe = P (125 - 0.2 P) / 125 up to 250 mm, 125 + 0.1 P above",
    source: "USDA Soil Conservation Service method as CROPWAT gives it, read in packages that use it; monthly only",
    check: Check::Table("rain_effective_monthly.csv"),
};

/// Dependable rain after FAO.
pub const EFFECTIVE_FAO: Equation = Equation {
    gives: "effective rain of a month (FAO/AGLW)",
    form: "Pe = 0.6 P - 10 up to 70 mm, 0.8 P - 24 above, never below 0",
    source: "FAO/AGLW dependable rain, read in packages that use it; monthly only",
    check: Check::Table("rain_effective_monthly.csv"),
};

/// Brouwer and Heibloem's method.
pub const EFFECTIVE_BROUWER: Equation = Equation {
    gives: "effective rain of a month (Brouwer and Heibloem)",
    form: "Pe = 0.6 P - 10 up to 75 mm, 0.8 P - 25 above, never below 0",
    source: "Brouwer and Heibloem 1986, Irrigation water needs (FAO training manual 3), read in packages that use \
             it; monthly only",
    check: Check::Table("rain_effective_monthly.csv"),
};

/// Up to this rain of a month the SCS method's first line holds, mm.
pub const SCS_JOIN_MM: f64 = 250.0;

/// Effective rain of a whole month, mm ([`EFFECTIVE_SCS`]). Both lines meet at
/// 150 mm of effective rain.
///
/// # Errors
/// When the month's rain is not 0 to 30,000 mm.
pub fn effective_scs_mm(month_mm: f64) -> Result<f64, OutOfRange> {
    let p = RAIN.check(month_mm)?;
    Ok(if p <= SCS_JOIN_MM { p * (125.0 - 0.2 * p) / 125.0 } else { 125.0 + 0.1 * p })
}

/// Effective rain of a whole month, mm ([`EFFECTIVE_FAO`]).
///
/// # Errors
/// When the month's rain is not 0 to 30,000 mm.
pub fn effective_fao_mm(month_mm: f64) -> Result<f64, OutOfRange> {
    let p = RAIN.check(month_mm)?;
    Ok(if p <= 70.0 { 0.6 * p - 10.0 } else { 0.8 * p - 24.0 }.max(0.0))
}

/// Effective rain of a whole month, mm ([`EFFECTIVE_BROUWER`]).
///
/// # Errors
/// When the month's rain is not 0 to 30,000 mm.
pub fn effective_brouwer_mm(month_mm: f64) -> Result<f64, OutOfRange> {
    let p = RAIN.check(month_mm)?;
    Ok(if p <= 75.0 { 0.6 * p - 10.0 } else { 0.8 * p - 25.0 }.max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    type Method = fn(f64) -> Result<f64, OutOfRange>;
    const METHODS: [Method; 3] = [effective_scs_mm, effective_fao_mm, effective_brouwer_mm];

    /// Both lines of each method give the same at their join.
    #[test]
    fn the_lines_meet() {
        for (method, join_mm) in METHODS.iter().zip([250.0, 70.0, 75.0_f64]) {
            let (at, after) = (method(join_mm).unwrap(), method(join_mm.next_up()).unwrap());
            assert!((at - after).abs() < 1e-9, "{at} {after}");
        }
        assert!((effective_scs_mm(250.0).unwrap() - 150.0).abs() < 1e-12);
    }

    #[test]
    fn more_rain_is_never_less_and_never_more_than_fell() {
        for method in METHODS {
            let mut before = 0.0;
            for tenth in 0..10_000 {
                let mm = f64::from(tenth) / 10.0;
                let effective = method(mm).unwrap();
                assert!((before..=mm).contains(&effective), "{mm}: {effective}");
                before = effective;
            }
            for refused in [-0.1, f64::NAN, f64::INFINITY] {
                assert!(method(refused).is_err());
            }
        }
    }
}

//! Effective rain: the part of a month's rain that stays for the plants.
//!
//! The method is for whole months. Of a day or a week it says nothing: a bed's
//! own probes do.

use super::range::{RAIN, RainOutOfRange};
use crate::why::{Check, Equation, Step};

/// The method of the US Soil Conservation Service.
pub const EFFECTIVE_SCS: Equation = Equation {
    gives: "effective rain of a month (SCS)",
    form: "Pe = P (125 - 0.2 P) / 125 up to 250 mm, 125 + 0.1 P above",
    source: "USDA Soil Conservation Service method as CROPWAT gives it, read in packages that use it; monthly only",
    check: Check::Table("rain_effective_monthly.csv"),
};

/// Up to this rain of a month the SCS method's first line holds, mm.
const SCS_JOIN_MM: f64 = 250.0;
/// The constant of both lines, mm.
const SCS_MM: f64 = 125.0;

/// Effective rain of a whole month, mm ([`EFFECTIVE_SCS`]). Both lines meet at
/// 150 mm of effective rain.
///
/// # Errors
/// When the month's rain is not 0 to 30,000 mm.
pub fn effective_scs_mm(month_mm: f64) -> Result<f64, RainOutOfRange> {
    let p = RAIN.check(month_mm)?;
    Ok(if p <= SCS_JOIN_MM { p * (SCS_MM - 0.2 * p) / SCS_MM } else { SCS_MM + 0.1 * p })
}

/// The step to `effective_mm`, which [`effective_scs_mm`] gave.
pub fn effective_scs_step(month_mm: f64, effective_mm: f64) -> Step {
    EFFECTIVE_SCS.step(if month_mm <= SCS_JOIN_MM {
        format!("{month_mm:.1} x ({SCS_MM} - 0.2 x {month_mm:.1}) / {SCS_MM} = {effective_mm:.1} mm")
    } else {
        format!("{SCS_MM} + 0.1 x {month_mm:.1} = {effective_mm:.1} mm")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lines_meet() {
        let after = effective_scs_mm(SCS_JOIN_MM.next_up()).unwrap();
        let at = effective_scs_mm(SCS_JOIN_MM).unwrap();
        assert!((at - 150.0).abs() < 1e-12 && (at - after).abs() < 1e-9, "{at} {after}");
    }

    #[test]
    fn more_rain_is_never_less_and_never_more_than_fell() {
        let mut before = 0.0;
        for tenth in 0..10_000 {
            let mm = f64::from(tenth) / 10.0;
            let effective = effective_scs_mm(mm).unwrap();
            assert!((before..=mm).contains(&effective), "{mm}: {effective}");
            before = effective;
        }
        for refused in [-0.1, f64::NAN, f64::INFINITY] {
            assert!(effective_scs_mm(refused).is_err());
        }
    }
}

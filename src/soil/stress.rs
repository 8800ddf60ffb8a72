//! How dry is too dry: the depletion fraction of the day and the stress beyond it.
//!
//! ```text
//! p  = p(table 22) + 0.04 (5 - ETc), from 0.1 to 0.8          (table 22, note 2; figure 41)
//! Ks = (TAW - Dr) / ((1 - p) TAW) for Dr > RAW, otherwise 1   (eq. 84)
//! ```
//!
//! ETc is the crop's evapotranspiration (mm a day), TAW the total and RAW the
//! readily available water (mm), Dr the root-zone depletion (mm).
//!
//! Source: FAO Irrigation and Drainage Paper 56 (1998), chapter 8.
//!
//! # Where it stops holding
//!
//! p depends on the soil too: for clay it may be 5 to 10 % less, for sand 5 to
//! 10 % more (chapter 8). Salt in the water is not counted.

use super::out_of_range::{SoilOutOfRange, within};
use crate::why::{Check, Equation, Step};

/// Least and largest depletion fraction, FAO-56 figure 41.
pub(super) const FRACTION: (f64, f64) = (0.1, 0.8);

/// Crop evapotranspiration that the adjustment takes, mm a day. FAO-56 gives no
/// limit (figure 41 ends near 11); what is above 20 is no day on earth.
pub(super) const EVAPOTRANSPIRATION: SoilOutOfRange = SoilOutOfRange {
    what: "crop evapotranspiration",
    given: 0.0,
    from: 0.0,
    to: 20.0,
    unit: "mm a day",
    source_of: "this project's own bound",
};

/// The crop evapotranspiration for which the table's fractions are, mm a day, and what
/// each mm less adds to them.
const USUAL_MM: f64 = 5.0;
const PER_MM: f64 = 0.04;

/// The depletion fraction of a day.
pub(super) const DEPLETION_FRACTION: Equation = Equation {
    gives: "part of the available water that may be used on this day",
    form: "p = p(table) + 0.04 (5 - ETc), not below 0.1 and not above 0.8",
    source: "FAO-56 table 22, note 2, and figure 41",
    check: Check::Table("fao56_p_adjust.csv"),
};

/// The water stress coefficient.
pub(super) const STRESS: Equation = Equation {
    gives: "water stress coefficient",
    form: "Ks = (TAW - Dr) / ((1 - p) TAW) where Dr is above RAW, otherwise 1",
    source: "FAO-56 eq. 84",
    check: Check::Table("fao56_ks.csv"),
};

/// The depletion fraction on a day with this crop evapotranspiration, 0.1 to 0.8.
///
/// # Errors
///
/// Evapotranspiration below 0 or above what a day can have.
pub fn depletion_fraction(table: f64, evapotranspiration_mm: f64) -> Result<f64, SoilOutOfRange> {
    let etc_mm = within(&EVAPOTRANSPIRATION, evapotranspiration_mm)?;
    Ok((table + PER_MM * (USUAL_MM - etc_mm)).clamp(FRACTION.0, FRACTION.1))
}

/// The step to `p`, which [`depletion_fraction`] gave.
pub fn depletion_fraction_step(table: f64, evapotranspiration_mm: f64, p: f64) -> Step {
    let free = table + PER_MM * (USUAL_MM - evapotranspiration_mm);
    let held = if (free - p).abs() > 1e-9 { format!(", held at {p:.2}") } else { String::new() };
    DEPLETION_FRACTION.step(format!(
        "{table:.2} + {PER_MM} x ({USUAL_MM} - {evapotranspiration_mm:.1} mm) = {free:.2}{held}"
    ))
}

/// The water stress coefficient at a depletion: 1 without stress, 0 where
/// nothing is left. `p` is the day's depletion fraction, below 1; a root zone
/// that holds no water gives 0.
pub fn stress(total_available_mm: f64, p: f64, depletion_mm: f64) -> f64 {
    if total_available_mm <= 0.0 {
        return 0.0;
    }
    if depletion_mm <= p * total_available_mm {
        return 1.0;
    }
    // Eq. 86 ends depletion at TAW: drier than the wilting point is 0 too.
    ((total_available_mm - depletion_mm) / ((1.0 - p) * total_available_mm)).max(0.0)
}

/// The step to the stress coefficient.
pub fn stress_step(total_available_mm: f64, p: f64, depletion_mm: f64) -> Step {
    let ks = stress(total_available_mm, p, depletion_mm);
    let readily_mm = p * total_available_mm;
    STRESS.step(if depletion_mm <= readily_mm {
        format!("{depletion_mm:.1} mm used is not above {readily_mm:.1} mm, so Ks = 1")
    } else if depletion_mm >= total_available_mm {
        format!("{depletion_mm:.1} mm used leaves nothing of {total_available_mm:.1} mm, so Ks = 0")
    } else {
        format!(
            "({total_available_mm:.1} - {depletion_mm:.1}) / ((1 - {p:.2}) x {total_available_mm:.1}) = {ks:.2}"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_that_no_place_has_is_out_of_range() {
        for given in [-0.1, 20.1, f64::NAN, f64::INFINITY] {
            let error = depletion_fraction(0.45, given).expect_err("out of range");
            let text = error.to_string();
            assert!(text.starts_with("crop evapotranspiration of"), "{text}");
            assert!(text.contains("this project's own bound") && !text.contains("FAO"), "{text}");
        }
    }

    #[test]
    fn a_fraction_that_is_held_says_so() {
        let step = |table, etc| {
            depletion_fraction_step(table, etc, depletion_fraction(table, etc).expect("in range")).with
        };
        assert_eq!(step(0.45, 3.0), "0.45 + 0.04 x (5 - 3.0 mm) = 0.53");
        assert_eq!(step(0.3, 10.0), "0.30 + 0.04 x (5 - 10.0 mm) = 0.10");
        assert_eq!(step(0.2, 8.0), "0.20 + 0.04 x (5 - 8.0 mm) = 0.08, held at 0.10");
    }

    #[test]
    fn stress_falls_from_one_to_nothing_and_never_beyond() {
        let mut last = 1.0;
        for dr in -20..=220 {
            let ks = stress(160.0, 0.4, f64::from(dr));
            assert!((0.0..=1.0).contains(&ks) && ks <= last, "{dr}: {ks}");
            last = ks;
        }
        assert_eq!(stress_step(160.0, 0.4, 67.0).with, "(160.0 - 67.0) / ((1 - 0.40) x 160.0) = 0.97");
        assert_eq!(stress_step(160.0, 0.4, 64.0).with, "64.0 mm used is not above 64.0 mm, so Ks = 1");
        assert_eq!(
            stress_step(160.0, 0.4, 170.0).with,
            "170.0 mm used leaves nothing of 160.0 mm, so Ks = 0"
        );
    }
}

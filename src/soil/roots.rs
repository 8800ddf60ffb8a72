//! How deep roots reach while a crop grows.
//!
//! ```text
//! Zr = Zr min + (Zr max - Zr min) (Kcb - Kcb ini) / (Kcb mid - Kcb ini)
//! ```
//!
//! so that roots deepen in the development stage as the crop's coefficient rises, which
//! is evenly, day by day (eq. 66). Zr max is the depth used for scheduling.
//!
//! Source: FAO Irrigation and Drainage Paper 56 (1998), annex 8 (page 279), as it is
//! computed in the Python package pyfao56 1.4.3, whose usual Zr min is 0.20 m; that the
//! paper itself gives 0.15 to 0.20 m is from memory.
//!
//! # Where it stops holding
//!
//! Seeds have no roots at all before they sprout, and a seedling's reach less deep than
//! Zr min: in the first weeks the top few centimetres must be kept moist, which no probe
//! at the usual depth shows.

use super::coefficient::{Lengths, Stage};
use crate::why::{Check, Equation, Step};

/// Depth from which roots begin to grow, metres.
pub const SEEDLING_ROOTS_M: f64 = 0.20;

/// The depth of roots on a day.
pub(super) const ROOT_DEPTH: Equation = Equation {
    gives: "depth of the roots",
    form: "Zr = Zr min + (Zr max - Zr min) (Kcb - Kcb ini) / (Kcb mid - Kcb ini)",
    source: "FAO-56 annex 8 (page 279), as in pyfao56 1.4.3, with Zr min = 0.20 m",
    check: Check::Table("fao56_root_depth.csv"),
};

/// The part of the way from the first depth to the grown one on a day of the season: that
/// of the coefficient from its initial to its mid-season value.
fn grown_part(day: u16, lengths: &Lengths) -> f64 {
    match lengths.stage(day) {
        Some(Stage::Initial) => 0.0,
        Some(Stage::Development) => {
            f64::from(day.saturating_sub(lengths.initial_d)) / f64::from(lengths.development_d.max(1))
        }
        Some(Stage::Mid | Stage::Late) | None => 1.0,
    }
}

/// Depth of a crop's roots on a day of its season (from 1), metres, between `first_m` and
/// `grown_m`. After the season they stay as deep.
pub fn root_depth_m(day: u16, lengths: &Lengths, first_m: f64, grown_m: f64) -> f64 {
    let first_m = first_m.min(grown_m);
    first_m + (grown_m - first_m) * grown_part(day, lengths)
}

/// The step to [`root_depth_m`].
pub fn root_depth_step(day: u16, lengths: &Lengths, first_m: f64, grown_m: f64) -> Step {
    let depth_m = root_depth_m(day, lengths, first_m, grown_m);
    ROOT_DEPTH.step(format!(
        "{:.2} + ({grown_m:.2} - {:.2}) x {:.2} = {depth_m:.2} m on day {day}",
        first_m.min(grown_m),
        first_m.min(grown_m),
        grown_part(day, lengths)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    const LENGTHS: Lengths = Lengths { initial_d: 40, development_d: 60, mid_d: 50, late_d: 15 };

    #[test]
    fn roots_deepen_in_the_development_stage_alone() {
        let depth = |day| root_depth_m(day, &LENGTHS, SEEDLING_ROOTS_M, 0.5);
        for (day, expected_m) in [(1, 0.2), (40, 0.2), (70, 0.35), (100, 0.5), (165, 0.5), (300, 0.5)] {
            assert!((depth(day) - expected_m).abs() < 1e-12, "day {day}: {}", depth(day));
        }
        assert!(
            (root_depth_m(1, &LENGTHS, SEEDLING_ROOTS_M, 0.15) - 0.15).abs() < 1e-12,
            "they stay shallow"
        );
        let step = root_depth_step(70, &LENGTHS, SEEDLING_ROOTS_M, 0.5);
        assert_eq!(step.with, "0.20 + (0.50 - 0.20) x 0.50 = 0.35 m on day 70");
    }
}

//! The root zone's water from one day to the next.
//!
//! ```text
//! Dr(i) = Dr(i-1) - (P - RO) - I - CR + ETc + DP,  0 <= Dr <= TAW   (eq. 85, 86)
//! DP    = (P - RO) + I - ETc - Dr(i-1) >= 0                         (eq. 88)
//! ```
//!
//! Everything in mm: depletion Dr, rain P, its run-off RO, irrigation I that
//! enters the soil, capillary rise CR, crop evapotranspiration ETc (under
//! stress, Ks Kc ET0), deep percolation DP. Where water came early in the day,
//! what is above field capacity drains before the plants use any of it (as in
//! example 38); where it came late, the day's use is filled first.
//!
//! Source: FAO Irrigation and Drainage Paper 56 (1998), chapter 8.
//!
//! # Where it stops holding
//!
//! Rain of less than 0.2 ET0 in a day wets leaves and not roots; the caller
//! leaves it out. Drainage is taken to be over within the day. Where the roots
//! grow, Dr keeps its mm only if the soil below them is at field capacity.

use crate::why::{Check, Equation, Step};

/// When on the day water came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Came {
    /// Before the day's use.
    Early,
    /// After it.
    Late,
}

/// What happens to a root zone on one day, mm, none below 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Day {
    pub rain_mm: f64,
    pub runoff_mm: f64,
    /// That enters the soil.
    pub irrigation_mm: f64,
    pub capillary_rise_mm: f64,
    /// Evapotranspiration under the day's stress.
    pub evapotranspiration_mm: f64,
    pub came: Came,
}

/// How the day ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DayEnd {
    /// 0 to total available water, mm.
    pub depletion_mm: f64,
    pub deep_percolation_mm: f64,
    /// Evapotranspiration that the soil could not give, mm: the inputs said more
    /// than was there. 0 where they agree.
    pub not_there_mm: f64,
}

/// Depletion from one day to the next.
pub(super) const BALANCE: Equation = Equation {
    gives: "root-zone depletion at the end of a day",
    form: "Dr(i) = Dr(i-1) - (P - RO) - I - CR + ETc + DP, from 0 to TAW",
    source: "FAO-56 eq. 85, 86 and 88",
    check: Check::Table("fao56_example_37.csv"),
};

/// The end of a day that began at `depletion_mm` (0 to `total_available_mm`).
pub fn day_end(depletion_mm: f64, total_available_mm: f64, day: &Day) -> DayEnd {
    let water_mm = day.rain_mm - day.runoff_mm + day.irrigation_mm + day.capillary_rise_mm;
    let (depletion_mm, deep_percolation_mm) = match day.came {
        Came::Early => {
            let after = depletion_mm - water_mm;
            (after.max(0.0) + day.evapotranspiration_mm, (-after).max(0.0))
        }
        Came::Late => {
            let after = depletion_mm + day.evapotranspiration_mm - water_mm;
            (after.max(0.0), (-after).max(0.0))
        }
    };
    DayEnd {
        depletion_mm: depletion_mm.min(total_available_mm),
        deep_percolation_mm,
        not_there_mm: (depletion_mm - total_available_mm).max(0.0),
    }
}

/// The step of one day.
pub fn day_step(depletion_mm: f64, day: &Day, end: &DayEnd) -> Step {
    BALANCE.step(format!(
        "{depletion_mm:.1} - ({:.1} - {:.1}) - {:.1} - {:.1} + {:.1} + {:.1} = {:.1} mm",
        day.rain_mm,
        day.runoff_mm,
        day.irrigation_mm,
        day.capillary_rise_mm,
        day.evapotranspiration_mm,
        end.deep_percolation_mm,
        end.depletion_mm
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOTHING: Day = Day {
        rain_mm: 0.0,
        runoff_mm: 0.0,
        irrigation_mm: 0.0,
        capillary_rise_mm: 0.0,
        evapotranspiration_mm: 0.0,
        came: Came::Early,
    };

    /// Nothing is made and nothing lost: what came in is what the soil took,
    /// what drained and what the plants used.
    #[test]
    fn water_is_kept_and_depletion_stays_within_its_limits() {
        for came in [Came::Early, Came::Late] {
            for start in [0.0, 5.0, 40.0] {
                for water in [0.0, 3.0, 60.0] {
                    for use_mm in [0.0, 6.0, 50.0] {
                        let day = Day { rain_mm: water, evapotranspiration_mm: use_mm, came, ..NOTHING };
                        let end = day_end(start, 40.0, &day);
                        assert!((0.0..=40.0).contains(&end.depletion_mm), "{day:?} {end:?}");
                        let kept = start - water + use_mm + end.deep_percolation_mm - end.not_there_mm;
                        assert!((kept - end.depletion_mm).abs() < 1e-9, "{day:?} {end:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn late_water_fills_the_use_of_the_day_before_it_drains() {
        let day = Day { irrigation_mm: 10.0, evapotranspiration_mm: 5.0, ..NOTHING };
        let early = day_end(5.0, 40.0, &day);
        assert!((early.depletion_mm - 5.0).abs() < 1e-12 && (early.deep_percolation_mm - 5.0).abs() < 1e-12);
        let late = day_end(5.0, 40.0, &Day { came: Came::Late, ..day });
        assert!(late.depletion_mm.abs() < 1e-12 && late.deep_percolation_mm.abs() < 1e-12);
        assert_eq!(day_step(5.0, &day, &early).with, "5.0 - (0.0 - 0.0) - 10.0 - 0.0 + 5.0 + 5.0 = 5.0 mm");
    }
}

//! How much of the reference evapotranspiration a crop uses.
//!
//! ```text
//! Kc(i) = Kc prev + (i - sum of lengths before) / length (Kc next - Kc prev)     (eq. 66)
//! ```
//!
//! An organic mulch lessens evaporation from the soil by 5 % for each 10 % of
//! the surface that it covers (chapter 10): Kc ini falls by that part, Kc mid
//! and Kc end by that part of their distance to the basal coefficient Kcb.
//!
//! Source: FAO Irrigation and Drainage Paper 56 (1998), chapters 6 and 10.
//!
//! # Where it stops holding
//!
//! The table's coefficients are used as they are printed, for a climate with a
//! daily minimum humidity of about 45 % and wind of about 2 m/s. The mulch rule
//! is approximate by the paper's own word.

use super::out_of_range::{SoilOutOfRange, within};
use crate::why::{Check, Equation, Step};

/// Crop coefficients of a crop: of the initial and the mid-season stage and at
/// the end of the late season.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coefficients {
    pub initial: f64,
    pub mid: f64,
    pub end: f64,
}

/// Lengths of the four growth stages, days.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lengths {
    pub initial_d: u16,
    pub development_d: u16,
    pub mid_d: u16,
    pub late_d: u16,
}

/// A growth stage of FAO-56 chapter 6.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    Initial,
    Development,
    Mid,
    Late,
}

/// The coefficient of a day.
pub(super) const CURVE: Equation = Equation {
    gives: "crop coefficient of the day",
    form: "Kc(i) = Kc prev + (i - days of earlier stages) / days of this stage x (Kc next - Kc prev)",
    source: "FAO-56 eq. 66",
    check: Check::Table("fao56_kc_curve.csv"),
};

/// The coefficient below a mulch.
pub(super) const MULCHED: Equation = Equation {
    gives: "crop coefficient below an organic mulch",
    form: "r = 0.5 x part of the surface covered; initial: Kc (1 - r); later: Kc - r (Kc - Kcb)",
    source: "FAO-56 chapter 10, organic mulches",
    check: Check::Table("fao56_mulch.csv"),
};

impl Stage {
    /// As people say it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Initial => "initial stage",
            Self::Development => "development stage",
            Self::Mid => "mid-season",
            Self::Late => "late season",
        }
    }
}

impl Lengths {
    /// The whole season, days.
    pub fn total_d(&self) -> u16 {
        self.late_from_d() + self.late_d
    }

    /// Days before the late season.
    fn late_from_d(&self) -> u16 {
        self.mid_from_d() + self.mid_d
    }

    /// Days before the mid-season.
    fn mid_from_d(&self) -> u16 {
        self.initial_d + self.development_d
    }

    /// The stage of a day of the season, counted from 1; `None` past its end.
    pub fn stage(&self, day: u16) -> Option<Stage> {
        if day <= self.initial_d {
            Some(Stage::Initial)
        } else if day <= self.mid_from_d() {
            Some(Stage::Development)
        } else if day <= self.late_from_d() {
            Some(Stage::Mid)
        } else if day <= self.total_d() {
            Some(Stage::Late)
        } else {
            None
        }
    }
}

impl Coefficients {
    /// The coefficient on a day of the season, counted from 1; `None` past its end.
    pub fn on_day(&self, day: u16, lengths: &Lengths) -> Option<f64> {
        Some(match lengths.stage(day)? {
            Stage::Initial => self.initial,
            Stage::Development => {
                between(day, lengths.initial_d, lengths.development_d, self.initial, self.mid)
            }
            Stage::Mid => self.mid,
            Stage::Late => between(day, lengths.late_from_d(), lengths.late_d, self.mid, self.end),
        })
    }

    /// The step to the coefficient on a day; `None` past the season's end.
    pub fn day_step(&self, day: u16, lengths: &Lengths) -> Option<Step> {
        let kc = self.on_day(day, lengths)?;
        let line = |before: u16, length: u16, from: f64, to: f64| {
            format!("{from:.2} + ({day} - {before}) / {length} x ({to:.2} - {from:.2}) = {kc:.2}")
        };
        Some(CURVE.step(match lengths.stage(day)? {
            stage @ (Stage::Initial | Stage::Mid) => format!("day {day}, {}: {kc:.2}", stage.name()),
            Stage::Development => line(lengths.initial_d, lengths.development_d, self.initial, self.mid),
            Stage::Late => line(lengths.late_from_d(), lengths.late_d, self.mid, self.end),
        }))
    }
}

fn between(day: u16, before: u16, length: u16, from: f64, to: f64) -> f64 {
    from + f64::from(day - before) / f64::from(length) * (to - from)
}

const COVER: SoilOutOfRange = SoilOutOfRange {
    what: "mulch cover",
    given: 0.0,
    from: 0.0,
    to: 1.0,
    unit: "of the surface",
    source_of: "FAO-56 chapter 10",
};

/// The part by which an organic mulch lessens evaporation, from the part of the
/// surface that it covers (0 to 1).
///
/// # Errors
///
/// A cover below 0 or above 1.
pub fn mulch_reduction(cover: f64) -> Result<f64, SoilOutOfRange> {
    Ok(0.5 * within(&COVER, cover)?)
}

impl Coefficients {
    /// The coefficients below a mulch that covers `cover` of the surface (0 to
    /// 1), of the crop's `basal` coefficients.
    ///
    /// # Errors
    ///
    /// A cover below 0 or above 1.
    pub fn mulched(&self, basal: &Coefficients, cover: f64) -> Result<Coefficients, SoilOutOfRange> {
        let r = mulch_reduction(cover)?;
        Ok(Coefficients {
            initial: self.initial * (1.0 - r),
            mid: self.mid - r * (self.mid - basal.mid),
            end: self.end - r * (self.end - basal.end),
        })
    }

    /// The step to `mulched`, which [`Coefficients::mulched`] gave.
    pub fn mulched_step(&self, basal: &Coefficients, cover: f64, mulched: &Coefficients) -> Step {
        let r = 0.5 * cover;
        MULCHED.step(format!(
            "r = 0.5 x {cover:.2} = {r:.2}; initial {:.2} x (1 - {r:.2}) = {:.2}; mid {:.2} - {r:.2} x ({:.2} - {:.2}) \
             = {:.2}; end {:.2} - {r:.2} x ({:.2} - {:.2}) = {:.2}",
            self.initial,
            mulched.initial,
            self.mid,
            self.mid,
            basal.mid,
            mulched.mid,
            self.end,
            self.end,
            basal.end,
            mulched.end
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BEAN: Coefficients = Coefficients { initial: 0.15, mid: 1.19, end: 0.35 };
    const BEAN_DAYS: Lengths = Lengths { initial_d: 25, development_d: 25, mid_d: 30, late_d: 20 };

    #[test]
    fn the_curve_has_no_jump_and_ends_with_the_season() {
        let mut last = BEAN.initial;
        for day in 1..=BEAN_DAYS.total_d() {
            let kc = BEAN.on_day(day, &BEAN_DAYS).expect("in the season");
            assert!((kc - last).abs() <= 0.0421, "day {day}: {last} to {kc}");
            last = kc;
        }
        assert!((last - BEAN.end).abs() < 1e-12);
        assert_eq!(BEAN.on_day(101, &BEAN_DAYS), None);
        assert_eq!(BEAN_DAYS.stage(101), None);
    }

    #[test]
    fn a_step_shows_the_line_that_was_gone_along() {
        let with = |day| BEAN.day_step(day, &BEAN_DAYS).expect("in the season").with;
        assert_eq!(with(20), "day 20, initial stage: 0.15");
        assert_eq!(with(40), "0.15 + (40 - 25) / 25 x (1.19 - 0.15) = 0.77");
        assert_eq!(with(95), "1.19 + (95 - 80) / 20 x (0.35 - 1.19) = 0.56");
    }

    #[test]
    fn stages_of_no_days_are_stepped_over() {
        let days = Lengths { initial_d: 0, development_d: 0, mid_d: 30, late_d: 0 };
        assert_eq!(days.stage(1), Some(Stage::Mid));
        assert_eq!(BEAN.on_day(30, &days), Some(BEAN.mid));
        assert_eq!(BEAN.on_day(31, &days), None);
    }

    #[test]
    fn a_mulch_beyond_the_whole_surface_is_out_of_range() {
        assert!(BEAN.mulched(&BEAN, 1.01).is_err());
        assert!(BEAN.mulched(&BEAN, -0.01).is_err());
    }
}

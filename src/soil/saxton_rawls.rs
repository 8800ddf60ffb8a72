//! Water that a soil holds, from its sand, clay and organic matter.
//!
//! With sand `S` and clay `C` as parts of one (by weight, of the soil below
//! 2 mm) and organic matter `OM` in per cent by weight:
//!
//! ```text
//! t1500 = -0.024 S + 0.487 C + 0.006 OM + 0.005 S OM - 0.013 C OM + 0.068 S C + 0.031
//! WP    = t1500 + (0.14 t1500 - 0.02)                                  (eq. 1)
//! t33   = -0.251 S + 0.195 C + 0.011 OM + 0.006 S OM - 0.027 C OM + 0.452 S C + 0.299
//! FC    = t33 + (1.283 t33² - 0.374 t33 - 0.015)                       (eq. 2)
//! tS33  = 0.278 S + 0.034 C + 0.022 OM - 0.018 S OM - 0.027 C OM - 0.584 S C + 0.078
//! S33   = tS33 + (0.636 tS33 - 0.107)                                  (eq. 3)
//! SAT   = FC + S33 - 0.097 S + 0.043                                   (eq. 5)
//! Ks    = 1930 (SAT - FC)^(3 - lambda), mm/h                           (eq. 16)
//! lambda = (ln FC - ln WP) / (ln 1500 - ln 33)                         (eq. 15, 18)
//! ```
//!
//! WP is the water content at 1500 kPa, FC at 33 kPa, SAT at saturation (m³/m³).
//!
//! Source: K. E. Saxton and W. J. Rawls, Soil Science Society of America Journal
//! 70, 1569-1578 (2006).
//!
//! # Where it stops holding
//!
//! The authors left out soils with more than 60 % of clay or 8 % of organic
//! matter (these two limits are from memory of the paper). Potting mixes and
//! peat lie far outside. Gravel, salt and compaction are not counted. Near pure
//! sand the equations can give a wilting point below zero; that is an error, not
//! a soil.

use super::out_of_range::{SoilOutOfRange, within};
use crate::why::{Check, Equation, Step};

/// What a soil is made of, per cent by weight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Composition {
    /// 0.05 to 2 mm, 0 to 100.
    pub sand_percent: f64,
    /// Below 0.002 mm, 0 to 60; with the sand at most 100.
    pub clay_percent: f64,
    /// Organic matter (about 1.7 times organic carbon), 0 to 8.
    pub organic_percent: f64,
}

/// The water that a soil holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeldWater {
    /// At 1500 kPa, m³/m³.
    pub wilting_point: f64,
    /// At 33 kPa, m³/m³.
    pub field_capacity: f64,
    /// m³/m³.
    pub saturation: f64,
    /// Saturated hydraulic conductivity, mm/h.
    pub conductivity_mm_h: f64,
}

/// Why no held water can be given.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum NoHeldWater {
    #[error(transparent)]
    SoilOutOfRange(#[from] SoilOutOfRange),
    #[error("{sand_percent} % of sand and {clay_percent} % of clay are more than the whole soil")]
    MoreThanAll { sand_percent: f64, clay_percent: f64 },
    #[error(
        "this soil is out of range: the equations give a wilting point of {wilting_point:.3}, a field capacity of \
         {field_capacity:.3} and a saturation of {saturation:.3} m3/m3, which must be above 0 and rise in this order"
    )]
    Impossible { wilting_point: f64, field_capacity: f64, saturation: f64 },
}

const SOURCE: &str = "Saxton and Rawls 2006";

/// Sand that the equations hold for.
pub const SAND: SoilOutOfRange =
    SoilOutOfRange { what: "sand", given: 0.0, from: 0.0, to: 100.0, unit: "%", source_of: SOURCE };
/// Clay that the equations hold for.
pub const CLAY: SoilOutOfRange = SoilOutOfRange { what: "clay", to: 60.0, ..SAND };
/// Organic matter that the equations hold for.
pub const ORGANIC: SoilOutOfRange = SoilOutOfRange { what: "organic matter", to: 8.0, ..SAND };

/// Wilting point, eq. 1.
pub(super) const WILTING_POINT: Equation = Equation {
    gives: "wilting point from sand, clay and organic matter",
    form: "WP = 1.14 t - 0.02, t = -0.024 S + 0.487 C + 0.006 OM + 0.005 S OM - 0.013 C OM + 0.068 S C + 0.031",
    source: "Saxton and Rawls 2006, eq. 1",
    check: Check::Table("saxton_rawls_2006_table3.csv"),
};

/// Field capacity, eq. 2.
pub(super) const FIELD_CAPACITY: Equation = Equation {
    gives: "field capacity from sand, clay and organic matter",
    form: "FC = t + 1.283 t^2 - 0.374 t - 0.015, t = -0.251 S + 0.195 C + 0.011 OM + 0.006 S OM - 0.027 C OM + \
           0.452 S C + 0.299",
    source: "Saxton and Rawls 2006, eq. 2",
    check: Check::Table("saxton_rawls_2006_table3.csv"),
};

/// Saturation, eq. 3 and 5.
pub(super) const SATURATION: Equation = Equation {
    gives: "saturation from sand, clay and organic matter",
    form: "SAT = FC + 1.636 t - 0.107 - 0.097 S + 0.043, t = 0.278 S + 0.034 C + 0.022 OM - 0.018 S OM - \
           0.027 C OM - 0.584 S C + 0.078",
    source: "Saxton and Rawls 2006, eq. 3 and 5",
    check: Check::Table("saxton_rawls_2006_table3.csv"),
};

/// Saturated conductivity, eq. 15, 16 and 18.
pub(super) const CONDUCTIVITY: Equation = Equation {
    gives: "saturated conductivity from sand, clay and organic matter",
    form: "Ks = 1930 (SAT - FC)^(3 - lambda), lambda = (ln FC - ln WP) / (ln 1500 - ln 33)",
    source: "Saxton and Rawls 2006, eq. 15, 16 and 18",
    check: Check::Table("saxton_rawls_2006_table3.csv"),
};

impl Composition {
    /// The water that a soil of this composition holds.
    ///
    /// # Errors
    ///
    /// Out of the equations' range, and never a clamped number: more than 60 %
    /// of clay or 8 % of organic matter, sand and clay above 100 %, or a result
    /// that no soil can have (near pure sand).
    pub fn held_water(&self) -> Result<HeldWater, NoHeldWater> {
        let sand = within(&SAND, self.sand_percent)? / 100.0;
        let clay = within(&CLAY, self.clay_percent)? / 100.0;
        let om = within(&ORGANIC, self.organic_percent)?;
        if self.sand_percent + self.clay_percent > 100.0 {
            return Err(NoHeldWater::MoreThanAll {
                sand_percent: self.sand_percent,
                clay_percent: self.clay_percent,
            });
        }
        let t1500 = -0.024 * sand + 0.487 * clay + 0.006 * om + 0.005 * sand * om - 0.013 * clay * om
            + 0.068 * sand * clay
            + 0.031;
        let wilting_point = t1500 + (0.14 * t1500 - 0.02);
        let t33 = -0.251 * sand + 0.195 * clay + 0.011 * om + 0.006 * sand * om - 0.027 * clay * om
            + 0.452 * sand * clay
            + 0.299;
        let field_capacity = t33 + (1.283 * t33 * t33 - 0.374 * t33 - 0.015);
        let t_s33 = 0.278 * sand + 0.034 * clay + 0.022 * om
            - 0.018 * sand * om
            - 0.027 * clay * om
            - 0.584 * sand * clay
            + 0.078;
        let s33 = t_s33 + (0.636 * t_s33 - 0.107);
        let saturation = field_capacity + s33 - 0.097 * sand + 0.043;
        if !(0.0 < wilting_point
            && wilting_point < field_capacity
            && field_capacity < saturation
            && saturation < 1.0)
        {
            return Err(NoHeldWater::Impossible { wilting_point, field_capacity, saturation });
        }
        let lambda = (field_capacity.ln() - wilting_point.ln()) / (1500.0_f64.ln() - 33.0_f64.ln());
        let conductivity_mm_h = 1930.0 * (saturation - field_capacity).powf(3.0 - lambda);
        Ok(HeldWater { wilting_point, field_capacity, saturation, conductivity_mm_h })
    }

    /// The steps to `held`, which this composition gave.
    pub fn steps(&self, held: &HeldWater) -> [Step; 4] {
        let put = format!(
            "S = {:.2}, C = {:.2}, OM = {:.1}",
            self.sand_percent / 100.0,
            self.clay_percent / 100.0,
            self.organic_percent
        );
        let water = |value: f64| format!("{put}: {value:.3} m3/m3");
        [
            WILTING_POINT.step(water(held.wilting_point)),
            FIELD_CAPACITY.step(water(held.field_capacity)),
            SATURATION.step(water(held.saturation)),
            CONDUCTIVITY.step(format!("{put}: {:.1} mm/h", held.conductivity_mm_h)),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn soil(sand_percent: f64, clay_percent: f64, organic_percent: f64) -> Composition {
        Composition { sand_percent, clay_percent, organic_percent }
    }

    #[test]
    fn one_step_past_each_limit_is_out_of_range_with_what_was_given() {
        for (given, what) in [
            (soil(20.0, 60.1, 2.0), "clay of 60.1 % is out of range"),
            (soil(65.0, 10.0, 8.1), "organic matter of 8.1 % is out of range"),
            (soil(-0.1, 10.0, 2.0), "sand of -0.1 % is out of range"),
            (soil(65.0, 10.0, f64::NAN), "organic matter of NaN % is out of range"),
        ] {
            let error = given.held_water().expect_err("out of range").to_string();
            assert!(error.starts_with(what), "{error}");
        }
        assert!(soil(20.0, 60.0, 8.0).held_water().is_ok());
    }

    #[test]
    fn more_than_the_whole_soil_is_refused() {
        assert_eq!(
            soil(70.0, 40.0, 2.0).held_water(),
            Err(NoHeldWater::MoreThanAll { sand_percent: 70.0, clay_percent: 40.0 })
        );
    }

    #[test]
    fn pure_sand_without_humus_has_no_wilting_point_and_is_refused() {
        let error = soil(100.0, 0.0, 0.0).held_water().expect_err("impossible");
        assert!(error.to_string().contains("a wilting point of -0.012"), "{error}");
    }

    #[test]
    fn every_soil_inside_the_limits_is_ordered_or_refused() {
        for sand in 0..=20 {
            for clay in 0..=(20 - sand).min(12) {
                for om in 0..=8 {
                    let given = soil(f64::from(sand) * 5.0, f64::from(clay) * 5.0, f64::from(om));
                    match given.held_water() {
                        Ok(w) => {
                            assert!(0.0 < w.wilting_point && w.wilting_point < w.field_capacity, "{given:?}");
                            assert!(w.field_capacity < w.saturation && w.saturation < 1.0, "{given:?}");
                            assert!(w.conductivity_mm_h > 0.0, "{given:?}");
                        }
                        Err(NoHeldWater::Impossible { .. }) => {}
                        Err(other) => panic!("{given:?}: {other}"),
                    }
                }
            }
        }
    }
}

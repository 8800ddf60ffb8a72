//! Water content of soil from the resistance of a granular matrix sensor.
//!
//! The sensor's resistance gives the soil's water tension (kPa), and the soil's
//! own retention curve turns tension into water content. Resistance to tension,
//! `R` in kohm, `T` the soil's temperature in °C, `g = 1 + 0.018 (T - 24)`:
//!
//! ```text
//! 1 <= R <= 8:     kPa = (4.093 + 3.213 R) / (1 - 0.009733 R - 0.01205 T)
//! 0.55 <= R < 1:   kPa = |23.156 R - 12.736| g
//! R < 0.55:        kPa = 0
//! R >= 8:          kPa = 2.246 + 5.239 R g + 0.06756 R² g²
//! ```
//!
//! Source: the first line is Shock, Barnum and Seddigh, Proceedings of the
//! International Irrigation Show, Irrigation Association, (1998). The
//! other branches are the ones that public code puts around it; we have read no
//! publication of them. They meet at 24 °C to 1.5 kPa; away from it they step by
//! up to 5 kPa at 1 and 8 kohm (0 to 40 °C).
//!
//! Tension to water content `theta` (m³/m³), from field capacity `FC` at 33 kPa
//! to the wilting point `WP` at 1500 kPa, and from there to saturation `SAT`:
//!
//! ```text
//! B = (ln 1500 - ln 33) / (ln FC - ln WP)
//! theta = FC (33 / kPa)^(1/B)                   33 kPa and drier
//! theta = SAT - (SAT - FC) kPa / 33             wetter than 33 kPa
//! ```
//!
//! Source: Saxton and Rawls, Soil Sci. Soc. Am. J. 70, 1569-1578 (2006), the
//! moisture-tension equations of Table 1, with air entry at 0 kPa.
//!
//! # Where it stops holding
//!
//! The water content is as good as the bed's field capacity and wilting point:
//! a texture's middle values can be 0.05 m³/m³ beside the truth. The sensor is
//! slow, and coarse sand and potting mixes hold it badly. The temperature is one
//! fixed number: 10 °C beside it moves the tension by about a sixth.

use super::divider::Divider;
use super::error::{CalibrationError, OutOfRange, computed, within};
use super::figure::SixDigits;
use crate::why::{Check, Equation, Why};

/// Resistances for which there is a tension, kohm. Below the first the cable is
/// shorted (common practice, no source); the second is 200 kPa at 24 °C, where
/// the sensor's published charts end (from memory).
pub const RESISTANCE_KOHM: (f64, f64) = (0.2, 27.95);

/// Soil temperatures that may be given, °C: water that is frozen conducts
/// nothing, and garden soil at a sensor's depth stays below 40.
pub const SOIL_C: (f64, f64) = (0.0, 40.0);

/// The temperature at which the branches need no correction, °C.
pub const SOIL_C_STANDARD: f64 = 24.0;

/// Tensions that stand for field capacity and wilting point, kPa.
pub const FIELD_CAPACITY_KPA: f64 = 33.0;
pub const WILTING_POINT_KPA: f64 = 1500.0;

pub(super) const TENSION: Equation = Equation {
    gives: "water tension of the soil",
    form: "1 to 8 kohm: kPa = (4.093 + 3.213 R) / (1 - 0.009733 R - 0.01205 T)",
    source: "Shock, Barnum, Seddigh 1998, International Irrigation Show",
    check: Check::Table("granular_matrix.csv"),
};

pub(super) const TENSION_WET: Equation = Equation {
    gives: "water tension of wet soil",
    form: "0.55 to 1 kohm: kPa = |23.156 R - 12.736| (1 + 0.018 (T - 24)); below: 0",
    source: "no publication read; as public code extends Shock, Barnum, Seddigh 1998",
    check: Check::Table("granular_matrix.csv"),
};

pub(super) const TENSION_DRY: Equation = Equation {
    gives: "water tension of dry soil",
    form: "8 kohm and more: kPa = 2.246 + 5.239 R g + 0.06756 (R g)^2, g = 1 + 0.018 (T - 24)",
    source: "no publication read; as public code extends Shock, Barnum, Seddigh 1998",
    check: Check::Table("granular_matrix.csv"),
};

pub(super) const RETENTION_DRY: Equation = Equation {
    gives: "water content from tension, 33 kPa and drier",
    form: "theta = FC (33 / kPa)^(1/B), B = (ln 1500 - ln 33) / (ln FC - ln WP)",
    source: "Saxton and Rawls 2006, Soil Sci. Soc. Am. J. 70, moisture-tension equations of Table 1 (from memory)",
    check: Check::None(
        "no published value of this curve was found; it meets field capacity and wilting point",
    ),
};

pub(super) const RETENTION_WET: Equation = Equation {
    gives: "water content from tension, wetter than 33 kPa",
    form: "theta = SAT - (SAT - FC) kPa / 33",
    source: "Saxton and Rawls 2006, Soil Sci. Soc. Am. J. 70, moisture-tension equations of Table 1 (from memory), air entry at 0 kPa",
    check: Check::None("no published value of this curve was found; it meets saturation and field capacity"),
};

/// A sensor in a soil.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GranularMatrix {
    soil_c: f64,
    retention: Retention,
    divider: Option<Divider>,
}

/// How a soil holds its water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Retention {
    field_capacity: f64,
    wilting_point: f64,
    saturation: f64,
}

impl Retention {
    /// A soil by its water contents (m³/m³) at the wilting point, at field
    /// capacity and when all pores are full.
    ///
    /// # Errors
    ///
    /// When they do not rise in this order from above 0 to at most 1.
    pub fn new(wilting_point: f64, field_capacity: f64, saturation: f64) -> Result<Self, CalibrationError> {
        // Written so that NaN is refused.
        if 0.0 < wilting_point
            && wilting_point < field_capacity
            && field_capacity < saturation
            && saturation <= 1.0
        {
            Ok(Self { field_capacity, wilting_point, saturation })
        } else {
            Err(CalibrationError::Retention { wilting_point, field_capacity, saturation })
        }
    }

    /// The exponent B of the drier part.
    pub fn exponent(&self) -> f64 {
        (WILTING_POINT_KPA / FIELD_CAPACITY_KPA).ln() / (self.field_capacity / self.wilting_point).ln()
    }

    /// Water content, m³/m³, at a tension that is not below 0, kPa.
    pub fn water_content(&self, tension_kpa: f64) -> f64 {
        if tension_kpa >= FIELD_CAPACITY_KPA {
            self.field_capacity * (FIELD_CAPACITY_KPA / tension_kpa).powf(1.0 / self.exponent())
        } else {
            self.saturation - (self.saturation - self.field_capacity) * tension_kpa / FIELD_CAPACITY_KPA
        }
    }
}

impl GranularMatrix {
    /// A sensor in soil of `soil_c` °C; with a divider the raw number is the
    /// converter's, else it is the resistance in ohm.
    ///
    /// # Errors
    ///
    /// When the temperature is outside [`SOIL_C`].
    pub fn new(
        soil_c: f64,
        retention: Retention,
        divider: Option<Divider>,
    ) -> Result<Self, CalibrationError> {
        if within(SOIL_C, soil_c) {
            Ok(Self { soil_c, retention, divider })
        } else {
            let (min, max) = SOIL_C;
            Err(CalibrationError::SoilTemperature { given: soil_c, min, max })
        }
    }

    /// The sensor's resistance, kohm.
    pub(super) fn resistance_kohm(&self, raw: f64) -> Result<f64, OutOfRange> {
        let ohm = match &self.divider {
            Some(divider) => divider.resistance_ohm(raw)?,
            None => raw,
        };
        computed(raw, ohm / 1000.0, "a resistance", "kohm", RESISTANCE_KOHM)
    }

    /// Water content, m³/m³.
    pub(super) fn water_content(&self, raw: f64) -> Result<f64, OutOfRange> {
        let kohm = self.resistance_kohm(raw)?;
        Ok(self.retention.water_content(tension_kpa(kohm, self.soil_c)))
    }

    /// How `raw` came to a water content.
    pub(super) fn why(&self, raw: f64, theta: f64) -> Why {
        let Ok(kohm) = self.resistance_kohm(raw) else { return Vec::new() };
        let kpa = tension_kpa(kohm, self.soil_c);
        let [r, t, k, value] = [kohm, self.soil_c, kpa, theta].map(SixDigits);
        let tension = if kohm < 0.55 {
            TENSION_WET.step(format!("{r} kohm is below 0.55 kohm: 0 kPa"))
        } else if kohm < 1.0 {
            TENSION_WET.step(format!("|23.156 x {r} - 12.736| x (1 + 0.018 x ({t} - 24)) = {k} kPa"))
        } else if kohm < 8.0 {
            TENSION.step(format!("(4.093 + 3.213 x {r}) / (1 - 0.009733 x {r} - 0.01205 x {t}) = {k} kPa"))
        } else {
            let g = SixDigits(1.0 + 0.018 * (self.soil_c - SOIL_C_STANDARD));
            TENSION_DRY.step(format!("2.246 + 5.239 x {r} x {g} + 0.06756 x ({r} x {g})^2 = {k} kPa"))
        };
        let soil = self.retention;
        let (fc, sat) = (SixDigits(soil.field_capacity), SixDigits(soil.saturation));
        let content = if kpa >= FIELD_CAPACITY_KPA {
            let b = SixDigits(soil.exponent());
            RETENTION_DRY.step(format!("{fc} x (33 / {k})^(1 / {b}) = {value} m3/m3"))
        } else {
            RETENTION_WET.step(format!("{sat} - ({sat} - {fc}) x {k} / 33 = {value} m3/m3"))
        };
        let divider = self.divider.map(|divider| divider.step(raw, kohm * 1000.0));
        divider.into_iter().chain([tension, content]).collect()
    }
}

/// Soil water tension, kPa, at a resistance of [`RESISTANCE_KOHM`] and a soil
/// temperature of [`SOIL_C`], without a look at either.
pub fn tension_kpa(kohm: f64, soil_c: f64) -> f64 {
    let g = 1.0 + 0.018 * (soil_c - SOIL_C_STANDARD);
    if kohm < 0.55 {
        0.0
    } else if kohm < 1.0 {
        ((23.156 * kohm - 12.736) * g).abs()
    } else if kohm < 8.0 {
        (4.093 + 3.213 * kohm) / (1.0 - 0.009733 * kohm - 0.01205 * soil_c)
    } else {
        2.246 + 5.239 * kohm * g + 0.06756 * (kohm * g).powi(2)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_retention_curve_meets_its_three_points() {
        let soil = Retention::new(0.065, 0.15, 0.46).unwrap();
        for (kpa, expected) in [(0.0, 0.46), (33.0, 0.15), (1500.0, 0.065)] {
            assert!((soil.water_content(kpa) - expected).abs() < 1e-12, "{kpa}");
        }
        let (wet, dry) = (soil.water_content(33.0_f64.next_down()), soil.water_content(33.0));
        assert!((wet - dry).abs() < 1e-12);
        for points in
            [(0.0, 0.1, 0.4), (0.1, 0.1, 0.4), (0.1, 0.4, 0.4), (0.1, 0.2, 1.1), (0.1, f64::NAN, 0.5)]
        {
            assert!(Retention::new(points.0, points.1, points.2).is_err(), "{points:?}");
        }
    }

    #[test]
    fn the_branches_of_the_tension_meet_at_24_degrees() {
        for at in [0.55, 1.0, 8.0_f64] {
            let step = tension_kpa(at, 24.0) - tension_kpa(at.next_down(), 24.0);
            assert!(step.abs() < 1.5, "{at}: {step}");
        }
        for soil_c in [0.0, 10.0, 24.0, 40.0] {
            for at in [1.0, 8.0_f64] {
                let step = tension_kpa(at, soil_c) - tension_kpa(at.next_down(), soil_c);
                assert!(step.abs() < 5.0, "{at} {soil_c}: {step}");
            }
        }
    }
}

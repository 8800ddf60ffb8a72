//! Oxygen that water can hold.
//!
//! Saturation of fresh water at one atmosphere, with a factor for the pressure of
//! the air:
//!
//! ```text
//! ln C = -139.34411 + 1.575701e5/T - 6.642308e7/T² + 1.243800e10/T³ - 8.621949e11/T⁴
//! Fp   = (P - u) (1 - theta P) / ((1 - u) (1 - theta))
//! u     = exp(11.8571 - 3840.70/T - 216961/T²)
//! theta = 0.000975 - 1.426e-5 t + 6.436e-8 t²
//! ```
//!
//! `T` in kelvin, `t` in °C, `P` in atmospheres, `C` in mg/L. Source: Benson and Krause 1980 and 1984, as Standard Methods
//! 4500-O and USGS Office of Water Quality memorandum 2011.03 give them.
//!
//! # Where it stops holding
//!
//! Fresh water of 0 to 40 °C; salt water holds less. The pressure factor is used from 50 to
//! 110 kPa (about 5,500 m up to a metre of mine shaft; the memorandum's own
//! bounds were not read). Outside, [`TankOutOfRange`] and never a clamp.

use super::{TankOutOfRange, within};
use crate::why::{Check, Equation, Step};

/// One atmosphere, kPa (exact by definition).
const ATMOSPHERE_KPA: f64 = 101.325;
/// 0 °C, K.
pub(super) const ZERO_C_K: f64 = 273.15;
const TEMPERATURE_C: (f64, f64) = (0.0, 40.0);
const PRESSURE_KPA: (f64, f64) = (50.0, 110.0);
/// What a site's elevation may be; the pressure stays within its own range.
const ELEVATION_M: (f64, f64) = (-500.0, 5500.0);

/// Part of saturation that a stocked tank may be down to before dawn, when fish,
/// filter and plants have used oxygen all night. Common practice speaks of 70 to
/// 80 %; no published source, and the cautious end.
pub const PART_BEFORE_DAWN: f64 = 0.7;

/// What oxygen saturation is.
pub(super) const SATURATION: Equation = Equation {
    gives: "oxygen that fresh water holds at one atmosphere",
    form: "ln C = -139.34411 + 1.575701e5/T - 6.642308e7/T^2 + 1.243800e10/T^3 - 8.621949e11/T^4",
    source: "Benson and Krause 1980 and 1984; Standard Methods 4500-O; USGS memorandum 2011.03",
    check: Check::Table("oxygen_saturation.csv"),
};
/// Less of it in thin air.
pub(super) const PRESSURE: Equation = Equation {
    gives: "factor for the pressure of the air",
    form: "Fp = (P - u)(1 - theta P) / ((1 - u)(1 - theta))",
    source: "USGS memorandum 2011.03",
    check: Check::Table("oxygen_pressure.csv"),
};
/// Pressure from elevation.
pub(super) const ELEVATION: Equation = Equation {
    gives: "pressure of the air",
    form: "P = 101.3 ((293 - 0.0065 z) / 293)^5.26",
    source: "FAO-56 eq. 7",
    check: Check::Table("oxygen_altitude.csv"),
};
/// Percent of saturation.
pub(super) const PERCENT: Equation = Equation {
    gives: "part of the oxygen that the water could hold",
    form: "100 C / C(saturation)",
    source: "definition",
    check: Check::Table("oxygen_percent.csv"),
};
/// What heat leaves.
pub(super) const EXPECTED: Equation = Equation {
    gives: "oxygen to count on before dawn",
    form: "0.7 C(saturation)",
    source: "common practice, no published source: a stocked tank may be down to 70 % of saturation before dawn",
    check: Check::None("a rule of practice, held against nothing outside the project"),
};

/// Oxygen at saturation with the steps to it.
#[derive(Clone, Debug, PartialEq)]
pub struct Saturation {
    pub mg_l: f64,
    pub steps: Vec<Step>,
}

/// Pressure of the air at an elevation, kPa (FAO-56 eq. 7).
///
/// # Errors
/// Outside -500 to 5,500 m.
pub fn pressure_kpa(elevation_m: f64) -> Result<f64, TankOutOfRange> {
    let z = within("the elevation", elevation_m, ELEVATION_M, "m")?;
    Ok(101.3 * ((293.0 - 0.0065 * z) / 293.0).powf(5.26))
}

/// Oxygen that fresh water in touch with air holds, mg/L.
///
/// `temperature_c` 0 to 40 °C, `pressure_kpa` 50 to 110 kPa.
///
/// # Errors
/// Outside these ranges.
pub fn saturation_mg_l(temperature_c: f64, pressure_kpa: f64) -> Result<f64, TankOutOfRange> {
    let t = within("the water's temperature", temperature_c, TEMPERATURE_C, "°C")?;
    let p = within("the pressure of the air", pressure_kpa, PRESSURE_KPA, "kPa")? / ATMOSPHERE_KPA;
    Ok(at_one_atmosphere(t) * thinner(t, p))
}

fn at_one_atmosphere(t: f64) -> f64 {
    let k = t + ZERO_C_K;
    (-139.344_11 + 1.575_701e5 / k - 6.642_308e7 / k.powi(2) + 1.243_800e10 / k.powi(3)
        - 8.621_949e11 / k.powi(4))
    .exp()
}

fn thinner(t: f64, p: f64) -> f64 {
    let k = t + ZERO_C_K;
    let u = (11.8571 - 3840.70 / k - 216_961.0 / (k * k)).exp();
    let theta = 0.000_975 - 1.426e-5 * t + 6.436e-8 * t * t;
    (p - u) * (1.0 - theta * p) / ((1.0 - u) * (1.0 - theta))
}

/// Percent of saturation: 100 where the water holds what it can ([`PERCENT`]).
pub fn percent_saturation(oxygen_mg_l: f64, saturation_mg_l: f64) -> f64 {
    100.0 * oxygen_mg_l / saturation_mg_l
}

impl Saturation {
    /// Of fresh water of a temperature, 0 to 40 °C, at an elevation of -500 to 5,500 m.
    ///
    /// # Errors
    /// Outside the equations' ranges.
    pub fn of(temperature_c: f64, elevation_m: f64) -> Result<Self, TankOutOfRange> {
        let kpa = pressure_kpa(elevation_m)?;
        let mg_l = saturation_mg_l(temperature_c, kpa)?;
        let sea = at_one_atmosphere(temperature_c);
        let kelvin = temperature_c + ZERO_C_K;
        let factor = thinner(temperature_c, kpa / ATMOSPHERE_KPA);
        let steps = vec![
            ELEVATION.step(format!("101.3 ((293 - 0.0065 x {elevation_m:.0}) / 293)^5.26 = {kpa:.1} kPa")),
            SATURATION
                .step(format!("with T = {temperature_c:.1} + {ZERO_C_K} = {kelvin:.2} K: C = {sea:.2} mg/L")),
            PRESSURE.step(format!(
                "with P = {kpa:.1} / {ATMOSPHERE_KPA} atm: Fp = {factor:.3}; {sea:.2} x {factor:.3} = {mg_l:.2} mg/L"
            )),
        ];
        Ok(Self { mg_l, steps })
    }

    /// Oxygen of `oxygen_mg_l` as percent of this saturation ([`PERCENT`]).
    pub fn percent(&self, oxygen_mg_l: f64) -> f64 {
        percent_saturation(oxygen_mg_l, self.mg_l)
    }

    /// The step to [`Self::percent`].
    pub fn percent_step(&self, oxygen_mg_l: f64) -> Step {
        let percent = self.percent(oxygen_mg_l);
        PERCENT.step(format!("100 x {oxygen_mg_l:.2} / {:.2} = {percent:.0} %", self.mg_l))
    }

    /// The step to [`Self::before_dawn_mg_l`].
    pub fn before_dawn_step(&self) -> Step {
        EXPECTED.step(format!("{PART_BEFORE_DAWN} x {:.2} = {:.2} mg/L", self.mg_l, self.before_dawn_mg_l()))
    }

    /// What is left of it before dawn in a stocked tank, mg/L.
    pub fn before_dawn_mg_l(&self) -> f64 {
        PART_BEFORE_DAWN * self.mg_l
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beyond_the_range_is_said_and_not_clamped() {
        for (t, p) in [(-0.1, 101.325), (40.1, 101.325), (f64::NAN, 101.325), (20.0, 49.9), (20.0, 110.1)] {
            assert!(saturation_mg_l(t, p).is_err(), "{t} {p}");
        }
        let said = saturation_mg_l(44.0, 101.325).map_err(|e| e.to_string());
        assert_eq!(
            said,
            Err("the water's temperature is out of range: 44 °C, and the equation holds from 0 to 40 °C"
                .to_owned())
        );
        assert!(pressure_kpa(5501.0).is_err() && pressure_kpa(-501.0).is_err());
        assert!(pressure_kpa(-430.0).is_ok_and(|p| p > 105.0 && p < 110.0));
    }

    #[test]
    fn the_last_step_gives_the_figure() {
        let got = Saturation::of(20.0, 95.0).expect("in range");
        assert_eq!(got.steps.len(), 3);
        assert!(got.steps[2].with.ends_with(&format!("{:.2} mg/L", got.mg_l)), "{}", got.steps[2].with);
    }
}

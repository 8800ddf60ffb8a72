//! Water content of mineral soil from its permittivity.
//!
//! ```text
//! theta = -5.3e-2 + 2.92e-2 ka - 5.5e-4 ka² + 4.3e-6 ka³        (eq. 7)
//! ```
//!
//! `ka`: apparent relative permittivity (no unit); `theta`: m³ water per m³ soil.
//!
//! Source: Topp, Davis, Annan, Water Resources Research 16(3), 574-582 (1980),
//! <https://doi.org/10.1029/WR016i003p00574>.
//!
//! # Where it stops holding
//!
//! The fit is to mineral soils, with a standard error of about 0.013 m³/m³. Peat,
//! potting mixes and saline soils need their own curve.

use super::figure::SixDigits;
use crate::why::{Check, Equation, Step};

pub(super) const EQUATION: Equation = Equation {
    gives: "water content of mineral soil",
    form: "theta = -5.3e-2 + 2.92e-2 ka - 5.5e-4 ka^2 + 4.3e-6 ka^3",
    source: "Topp, Davis, Annan 1980, Water Resources Research 16, eq. 7",
    check: Check::Table("topp_1980.csv"),
};

/// Permittivities for which the equation was fitted, about.
pub const FITTED: (f64, f64) = (3.0, 40.0);

/// Volumetric water content, m³/m³, by equation 7, without a look at [`FITTED`].
/// It is negative below 1.88.
pub fn water_content(ka: f64) -> f64 {
    ((4.3e-6 * ka - 5.5e-4) * ka + 2.92e-2) * ka - 5.3e-2
}

/// How `ka` came to a water content.
pub(super) fn step(ka: f64, theta: f64) -> Step {
    let (r, v) = (SixDigits(ka), SixDigits(theta));
    EQUATION.step(format!("-5.3e-2 + 2.92e-2 x {r} - 5.5e-4 x {r}^2 + 4.3e-6 x {r}^3 = {v} m3/m3"))
}

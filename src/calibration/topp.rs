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

/// Permittivities for which the equation was fitted, about.
pub const FITTED: (f64, f64) = (3.0, 40.0);

/// Volumetric water content, m³/m³, by equation 7, without a look at [`FITTED`].
/// It is negative below 1.88.
pub fn water_content(ka: f64) -> f64 {
    ((4.3e-6 * ka - 5.5e-4) * ka + 2.92e-2) * ka - 5.3e-2
}

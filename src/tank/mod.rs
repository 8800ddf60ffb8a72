//! The fish tank: limits of the species and changes of temperature.

mod change;
mod species;

pub use change::{Change, DAY_S, HOUR_S, Temperatures};
pub use species::{CHANGE_HOUR_C, SPECIES, Species, species};

/// Temperatures that a tank's fish should stay within.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TankLimits {
    /// Below this it is too cold, °C.
    pub cold_c: f64,
    /// Above this it is too warm, °C.
    pub warm_c: f64,
    /// Largest change within an hour, °C.
    pub change_hour_c: f64,
    /// Largest change within a day, °C.
    pub change_day_c: f64,
}

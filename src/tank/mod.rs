//! The fish tank: what its fish bear, what its water holds, and how fast it
//! changes.
//!
//! Oxygen, ammonia and stocking are equations; [`TemperatureRecord`], [`Immersion`]
//! and [`Hourly`] are small states that take readings in order of time. All
//! times come in as arguments.

mod acclimation;
mod air;
mod ammonia;
mod change;
mod immersion;
mod oxygen;
mod ph;
mod published;
mod slope;
mod species;
mod stocking;

pub use acclimation::{
    Bag, FARTHEST_C, FLOAT_MIN_PER_C, Handling, LONG_HAUL_H, NEAR_C, PH_NEAR, PH_SLOW, SEALED_MOST_MIN,
    TRADE_UP_TO_C, TubChanges, float_minutes, handling, tub_changes,
};
pub use air::{AirLikeness, InAir, largest_daily_swing_c, left_behind};
pub use ammonia::{ionisation_constant, ionisation_step, un_ionised_fraction, un_ionised_mg_l};
pub use change::{DAY_S, HOUR_S, Moves, TemperatureChange, TemperatureRecord, WINDOWS, Window};
pub use immersion::{Immersed, Immersion, Outside, ProbeSurroundings, came_to_the_air, fastest_change_c};
pub use oxygen::{PART_BEFORE_DAWN, Saturation, percent_saturation, pressure_kpa, saturation_mg_l};
pub use ph::{Drift, Hourly, drift};
pub use published::{PUBLISHED, PublishedFigure, published_for};
pub use slope::{Slope, slope};
pub use species::{
    CHANGE_HOUR_C, LimitOf, LimitSource, NITROGEN_IN_NITRATE, NITROGEN_IN_NITRITE, SPECIES, Species, species,
};
pub use stocking::{
    FEED_PART, GROWN_G, PRACTICE_KG_M3, STOCKING_MOST_KG_M3, Stocking, density_kg_m3, feed_g_day, stocking,
};

use crate::why::{Check, Equation};

/// Equations by name, for steps.
pub mod equations {
    pub use super::acclimation::{FLOAT, TUB};
    pub use super::ammonia::{CONCENTRATION, FRACTION};
    pub use super::change::CHANGE;
    pub use super::ph::DRIFT;
    pub use super::slope::AT_THIS_RATE;
    pub use super::stocking::{DENSITY, FEED, GROWN};
    pub use super::{BEYOND, COMFORT};
}

/// A number outside the range of an equation.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{what} is out of range: {given} {unit}, and the equation holds from {low} to {high} {unit}")]
pub struct TankOutOfRange {
    pub what: &'static str,
    pub given: f64,
    pub low: f64,
    pub high: f64,
    pub unit: &'static str,
}

/// How far a value is beyond a limit.
pub const BEYOND: Equation = Equation {
    gives: "how far beyond the limit",
    form: "value - limit",
    source: "the limit of the species, or the garden file's own",
    check: Check::Arithmetic,
};

/// Between what is dangerous and what suits the fish.
pub const COMFORT: Equation = Equation {
    gives: "whether the water suits the fish",
    form: "colder than the range in which they thrive: they fall ill more easily; warmer: they want more oxygen, and the \
           water holds less",
    source: "the rows of the species' limits; of silver perch most winter disease breaks out below 16 °C (NSW DPI, Freshwater \
             aquaculture); of other fish from memory",
    check: Check::Table("fish_published.csv"),
};

/// `given` where it lies within the range; NaN does not.
pub(crate) fn within(
    what: &'static str,
    given: f64,
    (low, high): (f64, f64),
    unit: &'static str,
) -> Result<f64, TankOutOfRange> {
    if given >= low && given <= high {
        Ok(given)
    } else {
        Err(TankOutOfRange { what, given, low, high, unit })
    }
}

/// Largest rise and largest fall within a window, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RiseFall {
    pub rise_c: f64,
    pub fall_c: f64,
}

/// What a tank's fish should stay within.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TankLimits {
    /// Below this it is dangerously cold, °C: an alarm.
    pub cold_c: f64,
    /// Above this it is dangerously warm, °C: an alarm.
    pub warm_c: f64,
    /// Where the fish grow and stay healthy, °C, within the two: outside it is said, not
    /// alarmed.
    pub thrives_c: (f64, f64),
    /// Largest changes, in the order of [`WINDOWS`]; `None`: that window is
    /// shown and not judged.
    pub change: [Option<RiseFall>; WINDOWS.len()],
    /// Below this there is too little oxygen, mg/L.
    pub oxygen_mg_l: f64,
    /// Below this part of saturation there is too little oxygen, %; `None`: not judged.
    pub oxygen_percent: Option<f64>,
    /// Above this there is too much un-ionised ammonia, mg/L as nitrogen.
    pub ammonia_mg_l: f64,
    /// Above this there is too much ammonia in all, mg/L as nitrogen.
    pub total_ammonia_mg_l: f64,
    /// Above this there is too much nitrite, mg/L as nitrogen.
    pub nitrite_mg_l: f64,
    /// Lowest and highest pH.
    pub ph: (f64, f64),
}

impl TankLimits {
    /// The limits within a window, where it is judged.
    pub fn within(&self, window: Window) -> Option<RiseFall> {
        WINDOWS.iter().position(|w| *w == window).and_then(|i| self.change[i])
    }
}

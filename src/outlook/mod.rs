//! The outlook: how a bed dries, and when it will be dry if no water comes.
//!
//! [`Outlook`] follows one bed by its water content and answers when it reaches
//! a threshold, with an interval that is meant to hold four times in five, or
//! says why it cannot know. It uses the past only:
//!
//! 1. A drydown begins at the wettest hour after water came and ends at the next
//!    wetting (told, or seen as a rise), at a silence of more than twelve hours,
//!    or where the soil is full. Its first day, in which water still spreads and
//!    drains, is not used.
//! 2. Time is counted on the bed's drying clock: each hour of the day has the
//!    share of a day's drying that past days gave it.
//! 3. Each day of drying adds a point to the bed's own curve: the fall of a day
//!    against the water content, divided by the demand of the season.
//! 4. The forecast follows that curve at this drydown's own pace (what fell over
//!    what the curve would have made fall, drawn towards 1 while little has
//!    fallen). While the curve stands on few days, a part of the forecast is the
//!    mean of four: the line through the last day, the exponential fitted to this
//!    drydown, the curve, and the curve at the last day's pace. Until one drydown
//!    is finished and five days are known it is the line alone.
//! 5. The interval comes from what became of this bed's earlier forecasts.
//!
//! The method and its numbers are this project's own, chosen on simulated
//! gardens and held against one open record; `tests/trials/outlook_in_simulator.rs`
//! prints how well it does, `tests/outlook` scores any record.
//!
//! # Where it stops holding
//!
//! It says nothing of rain to come, of heat to come (it takes the weather of the
//! past for that of the future), or of the first day after water. Beds that get
//! a little water every day or two never dry for long enough to teach it
//! anything, and light water that no probe feels makes its forecasts too dry.

mod clock;
mod curve;
mod drying;
mod exponential;
mod forecast;
mod moment;
mod paths;
mod residuals;
mod swing;

pub use drying::{Drydown, DryingLimits, Outlook};
pub use exponential::{
    Bounds, Exponential, HUBER, LEAST, LEAST_DAYS, Unfit, fit, half_life_d, water_content,
};
pub use forecast::{AHEAD_DAYS, Ahead, Basis, Forecast, ForecastMethod, Unknown};

use crate::why::{Check, Equation};

/// The exponential drydown.
pub const EXPONENTIAL: Equation = Equation {
    gives: "water content in a drydown",
    form: "theta(t) = (theta0 - theta_w) exp(-t/tau) + theta_w",
    source: "McColl and others (2017), Geophysical Research Letters 44:3682",
    check: Check::Table("drydown_exponential.csv"),
};

/// Its half-life.
pub const HALF_LIFE: Equation = Equation {
    gives: "half-life of a drydown",
    form: "half-life = tau ln 2",
    source: "the exponential's own, by arithmetic",
    check: Check::Table("drydown_exponential.csv"),
};

/// The water content that a bed is asked about.
pub const REFILL_POINT: Equation = Equation {
    gives: "water content at which the plants begin to suffer",
    form: "theta = FC - p (FC - WP)",
    source: "FAO-56 eq. 82-83, solved for the water content",
    check: Check::Arithmetic,
};

/// A straight line with the fall of the last day.
pub const LINE: Equation = Equation {
    gives: "days until dry, by a straight line",
    form: "days = (theta - threshold) / fall a day",
    source: "none: the fall of the last 24 hours goes on",
    check: Check::Arithmetic,
};

/// The bed's own curve at its present pace.
pub const OWN_CURVE: Equation = Equation {
    gives: "days until dry, by the bed's own past",
    form: "d theta / d t = - pace x demand x fall of this bed's past days at theta",
    source: "this project's own method",
    check: Check::None("no publication; scored on simulated gardens by tests/trials/outlook_in_simulator.rs"),
};

/// The interval.
pub const INTERVAL: Equation = Equation {
    gives: "earliest and latest, 4 times in 5",
    form: "10th and 90th percentile of (what fell / what was forecast to fall)",
    source: "this bed's own earlier forecasts (conformal prediction); stated ones until there are enough",
    check: Check::None("no publication; scored on simulated gardens by tests/trials/outlook_in_simulator.rs"),
};

/// The equations of this room.
pub const EQUATIONS: &[Equation] = &[EXPONENTIAL, HALF_LIFE, REFILL_POINT, LINE, OWN_CURVE, INTERVAL];

//! The outlook: how a bed dries, and when it will be dry if no water comes; and, in
//! [`low_tonight_c`], how cold the coming night may be.
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
//! 3. The season's demand for water goes with the square of the sun above the air.
//! 4. Each day of drying adds a point to the bed's own curve: the fall of a day
//!    against the water content, divided by the season's demand.
//! 5. One forecast follows that curve at the bed's present pace: how fast the last
//!    weeks and this drydown's last days were beside the curve (what fell over what
//!    the curve would have made fall, drawn towards 1 while little has fallen).
//!    Another is the straight line through the last day. What is told is their
//!    geometric mean; the one that was less wrong in this bed's past has more say.
//!    Until one drydown is finished and five days are known it is the line alone.
//! 6. The interval comes from what became of this bed's earlier forecasts, with one
//!    vote for each of its last forty drydowns.
//!
//! The method and its numbers are this project's own. They were chosen on four
//! stations of an open record of grassland soil (five years, hourly, 5 cm) and
//! held against four others, a forest's record and simulated gardens:
//! `tests/outlook` scores any record, `tests/trials/outlook_in_simulator.rs` the
//! simulator's. Tried and left out, since nothing was gained: an exponential
//! fitted to the drydown as a forecast, a line that falls off, falling with the root
//! of time (Ritchie 1972), and moving the forecast by the median of what it missed.
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
mod frost;
mod members;
mod moment;
mod paths;
mod residuals;
mod swing;

pub use drying::{Drydown, DryingLimits, Outlook};
pub use exponential::{
    Bounds, Exponential, HUBER, LEAST, LEAST_DAYS, Unfit, fit, half_life_d, water_content,
};
pub use forecast::{AHEAD_DAYS, Ahead, Basis, CurveBasis, Forecast, ForecastMethod, Unknown};
pub(crate) use frost::low_tonight_step;
pub use frost::{FROST_MARGIN_C, LOW_TONIGHT, low_tonight_c};
pub use paths::{RESOLUTION, STRAIGHT_DAYS};

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
    check: Check::None("no publication; scored on records by tests/outlook"),
};

/// Curve and line put together.
pub const BLEND: Equation = Equation {
    gives: "days until dry, by the bed's own past and its last day",
    form: "fall = (line + e)^w (curve + e)^(1 - w) - e, e = 0.001 m3/m3 for each day ahead",
    source: "this project's own method: the weighted geometric mean of both falls",
    check: Check::None("no publication; scored on records by tests/outlook"),
};

/// The interval.
pub const INTERVAL: Equation = Equation {
    gives: "earliest and latest, 4 times in 5",
    form: "10th and 90th percentile of (what fell / what was forecast to fall), one vote a drydown",
    source: "this bed's own earlier forecasts (conformal prediction); stated ones until there are enough",
    check: Check::None("no publication; scored on records by tests/outlook"),
};

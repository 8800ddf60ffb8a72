//! Watering: when a probe grew wetter, what wetted it, and when water may run.

mod flow;
mod hours;
mod reasons;
mod wetting;

pub use flow::{FlowWatch, Run};
pub use hours::{minute_of_day, next_allowed, wholly_outside};
pub use reasons::{ARRIVAL, EQUATIONS, LEAST_RISE, METERED, RAIN_BEFORE, RISE, STANDING};
pub use wetting::{Wetting, WettingWatch, probe_lag_s};

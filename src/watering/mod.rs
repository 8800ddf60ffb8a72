//! Watering: when a probe grew wetter, what wetted it, and when water may run.

mod flow;
mod hours;
mod irrigation;
mod wetting;

pub use flow::{FlowRun, FlowWatch};
pub use hours::{minute_of_day, next_allowed, wholly_outside};
pub use irrigation::{DAYS_AHEAD, Run, Runs, litres_step, minutes, minutes_step, next_stretch, runs};
pub use wetting::{Wetting, WettingWatch, probe_lag_s};

//! Watering: when a probe grew wetter, what wetted it, and when water may run.

mod drainage;
mod flow;
mod hours;
mod irrigation;
mod wetting;

pub use drainage::{
    Course, EQUATIONS as DRAINAGE_EQUATIONS, Ebb, MOST_A_BED_HOLDS, Pores, estimated_saturation,
    estimated_saturation_step,
};
pub use flow::{FlowWatch, Run as MeteredRun};
pub use hours::{minute_of_day, next_allowed, wholly_outside};
pub use irrigation::{DAYS_AHEAD, Run, Runs, litres_step, minutes, minutes_step, next_stretch, runs};
pub use wetting::{Wetting, WettingWatch, probe_lag_s};

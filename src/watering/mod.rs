//! Watering: when a probe grew wetter, what wetted it, and when water may run.

mod arrival;
mod drainage;
mod flow;
mod hourly_history;
mod hours;
mod irrigation;
mod method;
mod program;
mod reasons;
mod same_time;
mod timer_finder;
mod wetting;

pub use crate::model::minute_of_day;
pub use arrival::{FinishedRun, RUN_SHOWN, RunProbe, RunTrace, RunWatch, run_shown_step};
pub use drainage::{
    Course, DrainageWatch, MOST_A_BED_HOLDS, Pores, estimated_saturation, estimated_saturation_step,
};
pub use flow::{FlowRun, FlowWatch};
pub use hours::wholly_outside;
pub use irrigation::{
    DAYS_AHEAD, Irrigation, PlannedRun, Runs, litres_step, minutes, minutes_step, next_stretch, runs,
};
pub use method::{AllowedHours, MonthDays, WateringMethod, WateringMethods, WateringRule, WateringRules};
pub use program::{ProgramDays, TimerRun, Timetable};
pub use reasons::{ARRIVAL, EQUATIONS, LEAST_RISE, METERED, RAIN_BEFORE, RISE, STANDING};
pub use same_time::SameTimeWatch;
pub(crate) use timer_finder::BedRise;
pub use timer_finder::{FoundProgram, SeenRise, find_programs};
pub use wetting::{Wetting, WettingWatch, probe_lag_s};

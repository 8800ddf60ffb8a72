//! The core: places, rules, what each alarm says and why.

pub mod log;
pub mod plan;
pub mod record;
pub mod view;
pub mod words;

mod bed_growth;
mod bed_rules;
mod core;
mod logged;
mod look;
mod mulch_day;
mod rain_days;
mod repellent_rules;
mod silence;
mod site;
mod standing;
mod tank_rules;
mod timers;
mod wet_rules;
mod wetting_cause;

pub use core::{Clock, Core, RESTORE_S, StoredAlarm, restore_from};
pub use mulch_day::{EQUATIONS, MulchAnswer, MulchDay, WaterRun};

//! The core: places, rules, what each alarm says and why.

pub mod log;
pub mod plan;
pub mod record;
pub mod view;
pub mod words;

mod bed_figures;
mod bed_growth;
mod bed_outlook;
mod bed_rules;
mod core;
mod crop_water;
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
mod watering_words;
mod weather;
mod weather_day;
mod wet_rules;
mod wetting_cause;

pub use bed_figures::EQUATIONS as BED_EQUATIONS;
pub use core::{Clock, Core, RESTORE_S, StoredAlarm, restore_from};
pub use mulch_day::{MulchAnswer, MulchDay};

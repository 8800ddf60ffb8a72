//! The core: places, rules, what each alarm says and why.

pub mod log;
pub mod plan;
pub mod record;
pub mod view;
pub mod words;

mod acclimatise;
mod battery_rules;
mod bed_figures;
mod bed_growth;
mod bed_outlook;
mod bed_rules;
mod core;
mod crop_water;
mod equations;
mod every_alarm;
mod fault_rules;
mod flow_rules;
mod gateway_rules;
mod gauge_rules;
mod gone;
mod logged;
mod look;
mod mulch_day;
mod own_rules;
pub mod own_signs;
mod own_words;
mod rain_days;
mod repellent_rules;
mod silence;
mod site;
mod standing;
mod tank_figures;
mod tank_look;
mod tank_rules;
#[cfg(test)]
mod tank_tests;
mod tank_water;
mod tank_words;
mod timers;
mod watering_words;
mod weather;
mod weather_day;
mod wet_rules;
mod wetting_cause;
mod wetting_rules;

pub use acclimatise::{AcclimatiseAnswer, Acclimatising, BagGiven, TankGiven};
pub use core::{Clock, Core, RESTORE_S, StoredAlarm, restore_from};
pub use equations::EQUATIONS;
pub use mulch_day::{MulchAnswer, MulchDay, WaterRun};
pub(crate) use own_rules::OWN_NAME;
pub use own_rules::{OWN_PLACE, StoreAlarms};

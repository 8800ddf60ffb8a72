//! The core: places, rules, what each alarm says and why.

pub mod log;
pub mod plan;
pub mod record;
pub mod view;
pub mod words;

mod acclimatise;
mod bed_rules;
mod core;
mod logged;
mod look;
mod mulch_day;
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
mod wetting_cause;

pub use acclimatise::{AcclimatiseAnswer, Acclimatising, BagGiven, TankGiven};
pub use core::{Clock, Core, RESTORE_S, StoredAlarm, restore_from};
pub use mulch_day::{MulchAnswer, MulchDay};

//! The core: places, rules, what each alarm says and why.

pub mod log;
pub mod plan;
pub mod record;
pub mod view;
pub mod words;

mod bed_rules;
mod core;
mod flow_rules;
mod gauge_rules;
mod logged;
mod look;
mod mulch_day;
mod silence;
mod site;
mod standing;
mod tank_rules;
mod wetting_cause;
mod wetting_rules;

pub use core::{Clock, Core, RESTORE_S, StoredAlarm, restore_from};
pub use mulch_day::{MulchAnswer, MulchDay};

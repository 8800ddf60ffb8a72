//! How well the rules do: simulated gardens and open records, with a score. More seeds
//! give better figures; DEVELOPERS.md lists the commands.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod class_month;
mod field;
mod field_capacity;
mod frost_nights;
mod in_process;
mod messages_month;
mod open_record;
mod outlook_in_simulator;
mod outlook_records;
mod same_month;
mod through_broker;
mod told;
mod told_blind;
mod water_months;
mod wetting_score;

#[path = "../support/mod.rs"]
mod support;

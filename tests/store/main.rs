//! The store, and the commands that read it.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod alarm_figures;
mod answers;
mod backup;
mod bins;
mod export_alarms;
mod export_figures;
mod faults;
mod kept;
mod kept_states;
mod log;
mod messages;
mod messages_command;
mod moved;
mod packed;
mod property;
mod renamed;
mod replay;
mod thinned;
mod thinned_words;
mod versions;
mod water_command;

#[path = "../support/mod.rs"]
mod support;

//! The core and the settings: what readings and configuration come to, in this
//! process alone. Nothing here needs another program.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod bed_figures;
mod bed_water;
mod blindness;
mod class_month_made;
mod fresh_words;
mod frost_and_heat;
mod jobs;
mod log_struck;
mod names;
mod outside_hours;
mod promises;
mod rain_days;
mod rain_expected;
mod replaced;
mod rooms;
mod rooms_order;
mod sensors_watched;
mod settings;
mod stuck_sensors;
mod telling;
mod telling_property;
mod texts;
mod timer_program;
mod timer_surplus;
mod water_meter;
mod watering_methods;
mod weather;
mod wet_soil;

#[path = "../support/mod.rs"]
mod support;

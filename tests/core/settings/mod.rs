//! The configuration: what is read, and every fault at its line and key.

mod any_text;
mod calibrations;
mod faults;
mod ground;
mod jobs;
mod mail;
mod new_garden;
mod potting_mix;
mod programs;
mod secrets;
mod sensors;
mod shipped;
mod telling;
mod watch;

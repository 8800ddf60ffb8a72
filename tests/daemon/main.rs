//! The program as people run it, and everything by which it reaches others: brokers,
//! mail, web hooks, servers for readings.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod alarm_answers;
mod answers;
mod bad_weather;
mod blind;
mod calibrate;
mod courier;
mod courier_faults;
mod deploy_backup;
mod deploy_broker;
mod district_questions;
mod faults;
mod flood;
mod forward;
mod forward_influx;
mod forward_refused;
mod forward_victoria;
mod hostile;
mod import;
mod kept_states;
mod kill;

mod kill_message;
mod late_answers;
mod log;
mod mail;
mod mail_browser;
mod mail_faults;
mod not_in_order;
mod own;
mod poor_line;
mod program;
mod reload;
mod seeing;
mod several;
mod tell;
mod watchdog;
mod webhook;

#[path = "../support/mod.rs"]
mod support;

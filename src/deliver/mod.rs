//! What goes out: alarms over MQTT, messages to people, readings to time-series
//! servers.

pub mod channel;
pub mod forward;
mod http;
pub mod line;
mod links;
pub mod mail;
pub mod mqtt;
pub mod mqtt_now;
mod told;
pub mod told_file;
pub mod webhook;
pub mod worker;

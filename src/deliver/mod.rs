//! What goes out: alarms over MQTT, messages to people, readings to time-series
//! servers.

pub mod channel;
pub mod courier;
pub mod forward;
mod letter;
pub mod line;
mod links;
pub mod mail;
pub mod mqtt;
pub mod mqtt_now;
pub(crate) mod published;
mod told;
pub mod told_file;
pub mod webhook;

pub(crate) use published::Published;

pub use letter::{alarm_topic, letter, status_topic};

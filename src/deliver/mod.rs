//! What goes out: alarms over MQTT, readings to time-series servers.

pub mod forward;
mod letter;
pub mod line;
pub mod mqtt;

pub use letter::{alarm_topic, letter, status_topic};

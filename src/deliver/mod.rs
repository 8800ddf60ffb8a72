//! Letters out: alarms over MQTT, readings to a time-series server.

mod letter;
pub mod mqtt;

pub use letter::{alarm_topic, letter, status_topic};

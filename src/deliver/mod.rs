//! What goes out: alarms over MQTT, readings to time-series servers.

pub mod channel;
pub mod forward;
mod letter;
pub mod line;
mod links;
pub mod mqtt;
pub(crate) mod published;

pub(crate) use published::Published;

pub use letter::{alarm_topic, letter, status_topic};

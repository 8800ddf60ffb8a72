//! What goes out: alarms over MQTT, messages to people, readings to time-series
//! servers, and back from them.

mod alarm_topics;
pub mod channel;
pub mod channels;
pub mod forward;
mod http;
pub mod line;
pub mod links;
pub mod mail;
pub mod message_file;
mod message_json;
pub mod mqtt;
pub mod mqtt_now;
pub mod read_back;
pub mod webhook;
pub mod worker;

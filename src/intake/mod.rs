//! Messages in: the MQTT session, and the desk where they are opened.
//!
//! `session` is the only place besides `deliver` that knows `rumqttc`;
//! `payload` and `desk` are pure.

pub mod session;

pub(crate) use session::{Backoff, IN_FLIGHT, connection_options};

//! Messages in: the MQTT session, and the desk where they are opened.
//!
//! `session` is the only place besides `deliver` that knows `rumqttc`;
//! `payload` and `desk` are pure.

mod desk;
pub mod payload;
pub mod session;

pub use desk::{Desk, Message, answer_topic};
pub use payload::{DecodeError, JsonPointer, PayloadFormat, Sample, decode, time_of};
pub(crate) use session::{Backoff, IN_FLIGHT, connection_options};

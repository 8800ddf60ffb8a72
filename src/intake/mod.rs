//! Messages in.

pub mod payload;

pub use payload::{DecodeError, JsonPointer, PayloadFormat, Sample, decode, time_of};

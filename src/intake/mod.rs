//! Messages in.

pub mod payload;

pub use payload::{JsonPointer, PayloadFormat, Sample};

//! What a device wrote, read as raw numbers and times.

mod json_pointer;

use jiff::Timestamp;

pub use json_pointer::{JsonPointer, PointerError};

/// How a payload is written.
#[derive(Clone, Debug, PartialEq)]
pub enum PayloadFormat {
    /// Nothing but a decimal number, as text.
    Number,
    /// A JSON text (RFC 8259) with the number at a JSON Pointer (RFC 6901).
    Json {
        /// Where the raw number stands.
        value: JsonPointer,
        /// Where the device's time stands; `None`: it gives none.
        time: Option<JsonPointer>,
    },
    /// A SenML pack in JSON (RFC 8428).
    Senml {
        /// The record to take: its full name, or the part of its name after a
        /// `/` or `:`. `None`: the pack holds numbers of one name only.
        name: Option<String>,
    },
    /// Lines of line protocol.
    LineProtocol {
        /// The measurement to take; `None`: there is one only.
        measurement: Option<String>,
        /// The field to take; `None`: `value`, else `raw`, else the only numeric field.
        field: Option<String>,
    },
}

/// One raw number from a payload.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// The device's own time as it was given, not yet judged; `None`: it gave none.
    pub at: Option<Timestamp>,
    /// Finite.
    pub raw: f64,
}

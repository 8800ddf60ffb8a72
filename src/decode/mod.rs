//! What a device wrote, read as raw numbers and times.
//!
//! Pure: bytes and a time in, samples out, whatever the bytes are. NaN and
//! infinity stop here.

mod excerpt;
mod fault;
mod json;
mod json_pointer;
mod line_protocol;
mod number;
mod one_wire;
#[cfg(test)]
mod properties;
pub mod senml;
mod time;

use crate::model::Sample;
use jiff::Timestamp;

pub use excerpt::Excerpt;
pub use fault::DecodeError;
pub use json_pointer::{JsonPointer, PointerError};
pub use time::{TimeRefused, time_of};

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
        /// Where the battery's state stands; `None`: it is not looked for.
        battery: Option<JsonPointer>,
    },
    /// A SenML pack in JSON (RFC 8428).
    Senml {
        /// The record to take: its full name, or the part of its name after a
        /// `/` or `:`. `None`: the pack holds numbers of one name only.
        name: Option<String>,
        /// The record with the battery's state, named like `name`.
        battery: Option<String>,
    },
    /// Lines of line protocol.
    LineProtocol {
        /// The measurement to take; `None`: there is one only.
        measurement: Option<String>,
        /// The field to take; `None`: `value`, else `raw`, else the only numeric field.
        field: Option<String>,
        /// The field with the battery's state.
        battery: Option<String>,
    },
    /// The nine bytes of a 1-wire thermometer's scratchpad, as they are or as
    /// text in hexadecimal digits. The raw number is its temperature register.
    OneWire,
}

/// Reads a payload that arrived at `now` and appends its samples.
///
/// # Errors
///
/// When any part of the payload cannot be taken; `samples` is then as it was.
pub fn decode(
    format: &PayloadFormat,
    payload: &[u8],
    now: Timestamp,
    samples: &mut Vec<Sample>,
) -> Result<(), DecodeError> {
    let before = samples.len();
    let outcome = match format {
        PayloadFormat::Number => number(payload).map(|raw| samples.push(bare(raw))),
        PayloadFormat::OneWire => one_wire::decode(payload).map(|raw| samples.push(bare(raw))),
        PayloadFormat::Json { value, time, battery } => {
            json::decode(value, time.as_ref(), battery.as_ref(), payload).map(|sample| samples.push(sample))
        }
        PayloadFormat::Senml { name, battery } => {
            senml::decode(name.as_deref(), battery.as_deref(), payload, now, samples)
                .map_err(DecodeError::Senml)
        }
        PayloadFormat::LineProtocol { measurement, field, battery } => line_protocol::decode(
            measurement.as_deref(),
            field.as_deref(),
            battery.as_deref(),
            payload,
            samples,
        ),
    };
    if outcome.is_err() {
        samples.truncate(before);
    }
    outcome
}

/// A number with nothing beside it.
fn bare(raw: f64) -> Sample {
    Sample { at: None, raw, battery: None }
}

fn number(payload: &[u8]) -> Result<f64, DecodeError> {
    let given = || Excerpt::of_bytes(payload);
    let text = std::str::from_utf8(payload).map_err(|_| DecodeError::NotText { given: given() })?;
    number::finite(text).map_err(|fault| match fault {
        number::NumberFault::NotDecimal => DecodeError::NotANumber { given: given() },
        number::NumberFault::TooLarge => DecodeError::TooLarge { given: given() },
    })
}

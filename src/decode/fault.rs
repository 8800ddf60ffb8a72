//! Why a payload was refused, in words for the people who set up the sensor.

use crate::calibration::one_wire::ScratchpadError;
use crate::decode::excerpt::Excerpt;
use crate::decode::senml::SenmlError;

/// Why no sample could be read. Every text says what was given and what is accepted.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DecodeError {
    #[error("the payload {given} is not text in UTF-8")]
    NotText { given: Excerpt },
    #[error("the payload {given} is no number: a decimal number is accepted, such as 2345 or -1.5e3")]
    NotANumber { given: Excerpt },
    #[error("the number {given} is too large to keep: numbers up to 1.7e308 are accepted")]
    TooLarge { given: Excerpt },
    #[error("the payload {given} is not JSON ({problem})")]
    NotJson { given: Excerpt, problem: String },
    #[error("the payload {given} has nothing at {pointer}, where the {what} should be")]
    Missed { given: Excerpt, pointer: Excerpt, what: &'static str },
    #[error("the payload has {given} at {pointer}: a number, or a text that holds one, is accepted")]
    NotANumberAt { given: Excerpt, pointer: Excerpt },
    #[error(
        "the payload has the time {given} at {pointer}: it has no offset from UTC, and is accepted with one, such as 2026-04-17T15:00:00+09:30"
    )]
    TimeWithoutOffset { given: Excerpt, pointer: Excerpt },
    #[error(
        "the payload has the time {given} at {pointer}: seconds or milliseconds since 1970, or a text such as 2026-04-17T05:30:00Z, are accepted"
    )]
    NotATimeAt { given: Excerpt, pointer: Excerpt },
    #[error(transparent)]
    Senml(SenmlError),
    #[error("the payload {given} is not line protocol ({problem})")]
    NotLineProtocol { given: Excerpt, problem: String },
    #[error("the payload {given} holds no line")]
    NoLine { given: Excerpt },
    #[error("the payload has no line of measurement {wanted}, but of: {found}")]
    NoSuchMeasurement { wanted: Excerpt, found: Excerpt },
    #[error(
        "the payload has lines of several series ({found}): one series is accepted, or the name of the measurement in the settings"
    )]
    SeveralSeries { found: Excerpt },
    #[error("the payload has no field {wanted}, but: {found}")]
    NoSuchField { wanted: Excerpt, found: Excerpt },
    #[error(
        "the payload has several fields and none is called value or raw ({found}): name one in the settings"
    )]
    WhichField { found: Excerpt },
    #[error("the field {field} is {given}: a number is accepted")]
    FieldNotANumber { field: Excerpt, given: Excerpt },
    #[error(
        "the payload {given} is no 1-wire scratchpad: nine bytes are accepted, or their text in hexadecimal digits"
    )]
    NotAScratchpad { given: Excerpt },
    #[error("the 1-wire scratchpad {given} cannot be taken: {problem}")]
    Scratchpad { given: Excerpt, problem: ScratchpadError },
}

//! Raw number to value.

use jiff::Timestamp;

/// A calibration and the instant from which it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct DatedCalibration {
    /// `None`: since ever.
    pub from: Option<Timestamp>,
    pub calibration: Calibration,
}

/// How a raw number becomes a value.
#[derive(Clone, Debug, PartialEq)]
pub enum Calibration {
    /// The raw number is the value.
    Identity,
}

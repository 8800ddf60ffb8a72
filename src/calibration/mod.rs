//! Raw number to value.
//!
//! A [`Calibration`] is checked when it is made, so that using it cannot fail;
//! what it cannot answer is [`Calibrated::OutOfRange`], never a number pulled
//! back to a limit: a clamped number looks like a reading to every rule
//! downstream.

mod calibrator;
mod curve;
#[cfg(test)]
mod properties;
pub mod topp;

use jiff::Timestamp;

pub use calibrator::{Calibrated, Calibrator, OutOfRange};
pub use curve::{Calibration, CalibrationError, Counts, Curve};

/// A calibration and the instant from which it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct DatedCalibration {
    /// `None`: since ever.
    pub from: Option<Timestamp>,
    pub calibration: Calibration,
}

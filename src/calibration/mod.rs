//! Raw number to value.
//!
//! A [`Calibration`] is checked when it is made, so that using it cannot fail;
//! what it cannot answer is [`Calibrated::OutOfRange`], never a number pulled
//! back to a limit: a clamped number looks like a reading to every rule
//! downstream.

mod calibrator;
mod curve;
pub mod divider;
mod error;
mod figure;
pub mod fit;
pub mod granular_matrix;
pub mod one_wire;
pub mod platinum;
#[cfg(test)]
mod properties;
mod steps;
pub mod thermistor;
pub mod topp;

use jiff::Timestamp;

pub use calibrator::{Calibrated, Calibrator};
pub use curve::{Calibration, CountMode, Curve};
pub use divider::{Divider, Side};
pub use error::{CalibrationError, OutOfRange};
pub use granular_matrix::{GranularMatrix, Retention};
pub use platinum::Platinum;
pub use thermistor::{Law, Thermistor};

/// A calibration and the instant from which it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct DatedCalibration {
    /// `None`: since ever.
    pub from: Option<Timestamp>,
    pub calibration: Calibration,
}

//! Quality flags by the QARTOD real-time tests.

mod flags;
mod limits;

pub use flags::{Flag, Test, Tests, aggregate};
pub use limits::{Flat, Limits, LimitsError, Rate, Spike, SpikeMethod};

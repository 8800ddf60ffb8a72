//! Quality flags by the QARTOD real-time tests.

mod flags;
mod limits;
#[cfg(test)]
mod properties;
mod watch;

pub use flags::{Flag, Test, Tests, aggregate};
pub use limits::{Flat, Limits, LimitsError, Rate, Spike, SpikeMethod};
pub use watch::{Judged, Watch, spike};

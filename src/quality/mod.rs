//! Quality flags by the QARTOD real-time tests.

mod flags;
mod limits;
#[cfg(test)]
mod properties;
mod stillness;
mod watch;

pub use flags::{Flag, Test, Tests, aggregate};
pub use limits::{Flat, LONGEST_STILL_S, Limits, LimitsError, Rate, Spike, SpikeMethod};
pub use stillness::{LIKE_STEPS, MOVES_KEPT_S, Stillness};
pub use watch::{Judged, Watch, spike};

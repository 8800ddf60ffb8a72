//! Rain: what a gauge has caught lately, and whether to believe it.

mod gauge;
mod trust;

pub use gauge::{Gauge, nine_am_before};
pub use trust::{EVIDENCE, Evidence, Trust, Verdict};

//! What is judged and said of a sensor and its gateway.

pub(super) mod battery;
pub(super) mod clock;
pub(super) mod clock_watch;
pub(super) mod extremes;
pub(super) mod fault_watch;
pub(super) mod faults;
pub(super) mod gateway;
pub(super) mod replaced;
pub(super) mod replacements;
pub(super) mod silence;
pub(super) mod state;
pub(super) mod stuck;

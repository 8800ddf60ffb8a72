//! What is judged and said of a rain gauge.

pub(super) mod rain_days;
pub(super) mod reliability;

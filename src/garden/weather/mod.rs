//! The weather of a day, and what it takes from the beds.

pub(super) mod days;
pub(super) mod extremes;
pub(super) mod figures;
pub(super) mod night;

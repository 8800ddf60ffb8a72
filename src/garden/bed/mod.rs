//! What is judged and said of a bed.

pub(super) mod advice;
pub(super) mod crop_water;
pub(super) mod dryness;
pub(super) mod figures;
pub(super) mod growth;
pub(super) mod mulch_day;
pub(super) mod outlook;
pub(super) mod repellency;
pub(super) mod too_wet;
pub(super) mod wetness;

//! What is judged and said of a bed.

pub(super) mod advice;
pub(super) mod crop_water;
pub(super) mod driest_days;
pub(super) mod dryness;
pub(super) mod figures;
pub(super) mod growth;
pub(super) mod missed;
pub(super) mod mulch_day;
pub(super) mod mulch_question;
pub(crate) mod mulch_state;
mod outlook;
mod outside_hours;
pub(super) mod overwatering;
pub(super) mod program_state;
pub(super) mod proposals;
pub(super) mod rain_hold;
pub(super) mod repellency;
pub(super) mod too_wet;
mod view;
pub(super) mod wetness;

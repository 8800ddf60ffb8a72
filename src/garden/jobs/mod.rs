//! Jobs that come round: a water test, a feeding roster, filters, batteries, a handover.

pub mod due;
pub mod job;
pub mod view;

pub(super) mod rules;
pub(super) mod state;

//! What wetted a bed.

pub(super) mod cause;
pub(super) mod evidence;
pub(super) mod flow;
pub(super) mod hours;
pub(super) mod program;
pub(super) mod question;
pub(super) mod rules;
pub(super) mod surroundings;
pub(super) mod together;

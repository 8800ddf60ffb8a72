//! What is judged and said of a fish tank.

pub(super) mod acclimatise;
pub(super) mod ammonia;
pub(super) mod care;
pub(super) mod change_question;
pub(super) mod figures;
pub(super) mod instrument;
pub(super) mod nitrite;
pub(super) mod oxygen;
pub(super) mod ph;
pub(super) mod pump;
pub(super) mod rules;
pub(super) mod stocking;
pub(super) mod swing;
pub(super) mod temperature;
pub(super) mod view;
pub(super) mod water;

#[cfg(test)]
mod tests;

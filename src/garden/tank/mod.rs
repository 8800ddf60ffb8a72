//! What is judged and said of a fish tank.

pub(super) mod acclimatise;
pub(super) mod figures;
pub(super) mod rules;
pub(super) mod view;
pub(super) mod water_tests;
pub(super) mod words;

#[cfg(test)]
mod tests;

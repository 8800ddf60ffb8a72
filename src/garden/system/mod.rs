//! What the daemon says of itself.

pub mod health;
pub(super) mod rules;
pub(super) mod words;

#[cfg(test)]
mod tests;

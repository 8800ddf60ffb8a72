//! The simulated garden.

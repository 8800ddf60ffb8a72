//! A month of data as a class can work with it: summaries and comparisons of two
//! places, with how sure they are.
//!
//! Pure: values in, figures out. What is random (the bootstrap) takes a seed, so
//! that the same data give the same interval on every machine.

mod compare;
mod effect;
pub mod month;
mod resample;
mod summary;

pub use compare::{MannWhitney, TooFew, Welch, cliffs_delta, mann_whitney, permutation_p, welch};
pub use effect::{Effect, Pairing, TestsApart, block_of, effect, hedges_g, signs_p};
pub use resample::Interval;
pub use summary::{Summary, quantile};

//! One file for each command.

pub mod check;
pub mod daemon;
#[cfg(feature = "demo")]
pub mod demo;
pub mod import;
pub mod mulch;
pub mod run;

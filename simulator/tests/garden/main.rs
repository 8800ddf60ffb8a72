//! Simulated gardens: their files, weather, soil and water, what their sensors send, and
//! the program that sends it.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod common;
mod field;
mod files;
mod order;
mod payloads;
mod physics;
mod program;
mod truths;

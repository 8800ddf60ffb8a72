//! Who is told what, and when.
//!
//! The steps of alarms come in with the time; messages to people come out. A
//! group's quiet hours, its morning summary and who is told next if nobody answers
//! are decided here. What waits for its time is given back as rows, which the store
//! keeps in the transaction that keeps the steps, so that nothing is forgotten by
//! a restart and nothing is told twice.

mod groups;
mod message;

pub use groups::{Standing, Telling, Told};
pub use message::{GivenUp, Item, Message, Purpose, WaitFor, Waiting};

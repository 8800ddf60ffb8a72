//! The shell round the core: messages go in, transactions and snapshots come out.

pub(crate) mod alarm_json;
pub(crate) mod error_chain;
mod filling;
pub mod health;
pub mod keeper;
mod long_memory;
pub(crate) mod publication;
pub mod recent;
mod restore;
mod router;
pub mod signs;
pub mod watchdog;

use jiff::Timestamp;

pub(crate) use alarm_json::Published;
pub use keeper::{Inbox, Keeper, OnChange, Request};
pub use publication::{alarm_topic, letter, status_topic};
pub use router::{Desk, Message, answer_topic};
pub use signs::Signs;

/// The computer's clock; the only place that reads it.
#[expect(clippy::disallowed_methods, reason = "this is the shell's clock")]
pub fn system_now() -> Timestamp {
    Timestamp::now()
}

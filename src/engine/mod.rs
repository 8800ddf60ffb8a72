//! The shell round the core: messages go in, transactions and snapshots come out.

pub(crate) mod alarm_json;
pub mod daemon_health;
pub(crate) mod error_chain;
mod filling;
pub mod forward_troubles;
pub mod health;
pub mod keeper;
mod long_memory;
pub(crate) mod publication;
pub mod recent;
pub mod replay;
mod restore;
mod router;
mod site_state;
pub mod telling_clock;
pub mod watchdog;

use jiff::Timestamp;

pub(crate) use alarm_json::AlarmJson;
pub use daemon_health::DaemonHealth;
pub use keeper::{Engine, Inbox, OnChange, Request};
pub use publication::{alarm_topic, letter, status_topic};
pub(crate) use restore::kept_batteries;
pub use router::{OverLimit, RawMessage, Router, SensorLimit, answer_topic};
pub use telling_clock::TellingClock;

/// The computer's clock; the only place that reads it.
#[expect(clippy::disallowed_methods, reason = "this is the shell's clock")]
pub fn system_now() -> Timestamp {
    Timestamp::now()
}

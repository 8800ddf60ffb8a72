//! The life of an alarm, by the state names of ANSI/ISA-18.2-2016 and IEC 62682.

mod answer;
pub mod figures;
mod key;
mod kind;
mod life;
mod policy;
mod record;
pub mod targets;

pub use answer::{AlarmNote, Answer, Answered, Finding};
pub(crate) use key::SYSTEM_NAME;
pub use key::{AlarmKey, SYSTEM_PLACE, Values};
pub use kind::Kind;
pub(crate) use kind::PlaceKind;
pub use life::{AlarmCondition, Hiding, Input, Life, LifeStep};
pub use policy::{AlarmPolicy, Delays, RuleSetting, RuleSettings};
pub(crate) use record::steps_beyond;
pub use record::{AlarmCourse, AlarmRecord, AlarmText};

use crate::model::names;

/// An alarm's state as it is published.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum State {
    Normal,
    Unacknowledged,
    Acknowledged,
    ReturnedUnacknowledged,
    LatchedUnacknowledged,
    LatchedAcknowledged,
    Shelved,
    Suppressed,
    OutOfService,
}

names!(State {
    Normal = "normal",
    Unacknowledged = "unacknowledged",
    Acknowledged = "acknowledged",
    ReturnedUnacknowledged = "returned-unacknowledged",
    LatchedUnacknowledged = "latched-unacknowledged",
    LatchedAcknowledged = "latched-acknowledged",
    Shelved = "shelved",
    Suppressed = "suppressed",
    OutOfService = "out-of-service",
});

impl State {
    /// Whether its condition holds and people are to see it.
    pub fn is_active(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }

    /// Whether it waits for somebody to say that it was seen.
    pub fn waits(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::ReturnedUnacknowledged | Self::LatchedUnacknowledged)
    }

    /// Whether it is out of people's sight.
    pub fn is_hidden(self) -> bool {
        matches!(self, Self::Shelved | Self::Suppressed | Self::OutOfService)
    }
}

/// How soon somebody must act.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Priority {
    Low,
    Medium,
    High,
}

names!(Priority {
    Low = "low",
    Medium = "medium",
    High = "high",
});

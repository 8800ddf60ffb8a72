//! The life of an alarm, by the state names of ANSI/ISA-18.2-2016 and IEC 62682.

mod answer;
pub mod figures;
mod key;
mod kind;
mod life;
mod policy;
pub mod targets;

pub use answer::{AlarmNote, Answer, Answered};
pub(crate) use key::SYSTEM_NAME;
pub use key::{AlarmKey, AlarmSnapshot, SYSTEM_PLACE, Values};
pub use kind::Kind;
pub(crate) use kind::PlaceKind;
pub use life::{AlarmCondition, Hiding, Input, Life, Step};
pub use policy::{AlarmPolicy, Delays, RuleSetting, RuleSettings};

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

impl State {
    /// Every state.
    pub const ALL: [Self; 9] = [
        Self::Normal,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::ReturnedUnacknowledged,
        Self::LatchedUnacknowledged,
        Self::LatchedAcknowledged,
        Self::Shelved,
        Self::Suppressed,
        Self::OutOfService,
    ];

    /// The name in topics, files and commands.
    pub fn name(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned-unacknowledged",
            Self::LatchedUnacknowledged => "latched-unacknowledged",
            Self::LatchedAcknowledged => "latched-acknowledged",
            Self::Shelved => "shelved",
            Self::Suppressed => "suppressed",
            Self::OutOfService => "out-of-service",
        }
    }

    /// The state of a name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.name() == name)
    }

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

impl Priority {
    /// Every priority.
    pub const ALL: [Self; 3] = [Self::Low, Self::Medium, Self::High];

    /// The priority of a name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|p| p.name() == name)
    }

    /// The name in topics and files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
        }
    }
}

//! What people are told, and what waits to be told.

use std::borrow::Cow;

use jiff::Timestamp;

use crate::alarms::AlarmKey;
use crate::alarms::{AlarmRecord, Priority, State};
use crate::garden::plan::Address;
use crate::model::Id;

/// One message to one address of a group, complete: to send it nothing else
/// need be known.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// Says which message it is: written twice it is kept once, and whoever gets it
    /// twice can see that it is the same. Letters, digits and `-./`, at most 200.
    pub key: String,
    pub site: Id,
    /// The garden's name.
    pub garden: String,
    /// The group.
    pub who: String,
    pub address: Address,
    pub made_at: Timestamp,
    /// The highest of its items'.
    pub priority: Priority,
    pub purpose: Purpose,
    /// One line that says it all. Without control characters.
    pub subject: String,
    /// What stands before the items.
    pub opening: String,
    /// The most urgent first.
    pub items: Vec<Item>,
}

/// Why a message is sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// Something has happened.
    News,
    /// What has come together since the last summary.
    Summary,
    /// This group was told and has not answered.
    NotAnswered { by: String },
    /// It could not be brought to this group.
    NotDelivered { to: String },
    /// Nobody has answered, and it still stands: told again.
    Again,
    /// What was told before has grown worse.
    Worse,
    /// Something of high priority is over.
    Over,
    /// Somebody tries whether messages arrive.
    Test,
    /// Nothing is the matter: it is tried whether people know what to do with a message
    /// about this alarm, and whether their answer comes.
    Rehearsal,
}

impl Purpose {
    /// The name in files and tables.
    pub fn name(&self) -> &'static str {
        match self {
            Self::News => "news",
            Self::Summary => "summary",
            Self::NotAnswered { .. } => "not-answered",
            Self::NotDelivered { .. } => "not-delivered",
            Self::Again => "again",
            Self::Worse => "worse",
            Self::Over => "over",
            Self::Test => "test",
            Self::Rehearsal => "rehearsal",
        }
    }

    /// The group that it is about, where there is one.
    pub fn about(&self) -> Option<&str> {
        match self {
            Self::NotAnswered { by } => Some(by),
            Self::NotDelivered { to } => Some(to),
            Self::News
            | Self::Summary
            | Self::Again
            | Self::Worse
            | Self::Over
            | Self::Test
            | Self::Rehearsal => None,
        }
    }
}

/// One alarm in a message.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    pub key: AlarmKey,
    /// As people call the place.
    pub place_name: String,
    pub state: State,
    pub priority: Priority,
    /// By when it is to be dealt with, as people say it; empty where that is not known.
    pub by: String,
    /// When the condition began.
    pub since: Timestamp,
    /// The same in the site's own time, as people say it.
    pub since_local: String,
    pub text: String,
    pub source: String,
}

/// Something that waits for its time; the store keeps it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Waiting {
    /// The group.
    pub who: String,
    pub alarm: AlarmKey,
    /// The occurrence: when its condition began, whole milliseconds.
    pub since: Timestamp,
    /// When its time comes, whole milliseconds; for [`WaitFor::Over`] when the group
    /// was told.
    pub due: Timestamp,
    pub wait: WaitFor,
}

/// What is done when its time comes.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum WaitFor {
    /// The group is told, if the alarm still stands.
    Tell,
    /// The group is told that another one has not answered, if the alarm still stands.
    TellNotAnswered { by: String },
    /// The group is told what could not be brought to another one, if the alarm
    /// still stands; where `to` is the group itself, at its other addresses.
    TellNotDelivered { to: String },
    /// The next group is told, if nobody has answered.
    Answer,
    /// The group itself is told again, if nobody has answered.
    Again,
    /// The group was told of it. It has no time of its own: when what is of high
    /// priority is over the group is told so, and when nobody has to look any more
    /// the row goes.
    Over,
}

/// Before the name of the other group.
const NOT_ANSWERED: &str = "not-answered:";
const NOT_DELIVERED: &str = "not-delivered:";

impl WaitFor {
    /// The name in tables; of the group that it names, too.
    pub fn name(&self) -> Cow<'static, str> {
        match self {
            Self::Tell => "tell".into(),
            Self::TellNotAnswered { by } => format!("{NOT_ANSWERED}{by}").into(),
            Self::TellNotDelivered { to } => format!("{NOT_DELIVERED}{to}").into(),
            Self::Answer => "answer".into(),
            Self::Again => "again".into(),
            Self::Over => "over".into(),
        }
    }

    /// The value of a name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        if let Some(by) = name.strip_prefix(NOT_ANSWERED) {
            return Some(Self::TellNotAnswered { by: by.to_owned() });
        }
        if let Some(to) = name.strip_prefix(NOT_DELIVERED) {
            return Some(Self::TellNotDelivered { to: to.to_owned() });
        }
        [Self::Tell, Self::Answer, Self::Again, Self::Over].into_iter().find(|wait| wait.name() == name)
    }

    /// Whether the group is told something when its time comes.
    pub(super) fn tells(&self) -> bool {
        match self {
            Self::Tell | Self::TellNotAnswered { .. } | Self::TellNotDelivered { .. } => true,
            Self::Answer | Self::Again | Self::Over => false,
        }
    }
}

/// A message that nobody would take.
#[derive(Clone, Debug, PartialEq)]
pub struct GivenUp {
    pub message: Message,
    /// Whether the same message reached the group by another address.
    pub reached_otherwise: bool,
    /// What the other side said last.
    pub reason: String,
    pub at: Timestamp,
}

/// Returns the present state of an alarm; `None` where there is none.
pub(super) type AlarmLookup<'a> = &'a dyn Fn(&AlarmKey) -> Option<AlarmRecord>;

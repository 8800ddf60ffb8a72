//! The groups of people, what each is told, and where.

use crate::alarms::Kind;
use crate::model::{Id, LocalHours, names};

/// A group of people and what they are told.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tell {
    pub who: String,
    /// Jobs that are theirs and of which they want to be told.
    pub jobs: Vec<Id>,
    /// Kinds that concern them; empty: every kind.
    pub alarms: Vec<Kind>,
    /// Beds, tanks and sensors that concern them; empty: every place.
    pub places: Vec<Id>,
    /// Where each message goes, all of them.
    pub by: Vec<Address>,
    /// Where a message goes that none of `by` would take; empty: to the group that
    /// is told next.
    pub instead: Vec<Address>,
    /// Hours, local clock time, in which only what is of high priority is told.
    pub quiet: Option<LocalHours>,
    /// Minutes after local midnight at which everything that is not of high priority
    /// is told in one message; `None`: told as it comes.
    pub summary: Option<u16>,
    /// Who is told next if nobody answers.
    pub next: Option<Next>,
    /// When the group itself is told again of what is of high priority.
    pub unanswered: Repeats,
}

impl Tell {
    /// Whether an alarm of this kind at this place is one of their own;
    /// [`Garden::concerns`](super::Garden::concerns) says whether they are told of it.
    pub fn concerns(&self, kind: Kind, place: &Id) -> bool {
        if kind == Kind::JobOverdue {
            return self.jobs.contains(place) || self.alarms.contains(&kind);
        }
        (self.alarms.is_empty() || self.alarms.contains(&kind))
            && (self.places.is_empty() || self.places.contains(place))
    }
}

/// When a group is told again of what is of high priority and nobody answers: the first
/// time after `first_s`, then each time after twice as long, at the longest `most_s`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Repeats {
    /// Seconds, above 0.
    pub first_s: u32,
    /// Seconds, not less than `first_s`.
    pub most_s: u32,
}

impl Default for Repeats {
    fn default() -> Self {
        // An hour, and a day (ours).
        Self { first_s: 3600, most_s: 86_400 }
    }
}

/// Who is told if a group does not answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Next {
    /// The name of another group of the same garden.
    pub who: String,
    /// Seconds from the message until they are told, above 0.
    pub after_s: u32,
}

/// By which way and where people are told.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Address {
    pub channel: Channel,
    /// An e-mail address, or the name of a webhook or file in `trug.toml`.
    pub to: String,
}

/// A way by which people are told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Channel {
    Email,
    Webhook,
    /// A file of JSON lines.
    MessageFile,
}

names!(Channel {
    Email = "email",
    Webhook = "webhook",
    MessageFile = "file",
});

impl Channel {
    /// What people call it, and what stands before an address of it.
    fn words(self) -> [&'static str; 2] {
        match self {
            Self::Email => ["e-mail", "by e-mail to"],
            Self::Webhook => ["webhook", "by the webhook"],
            Self::MessageFile => ["file", "by the file"],
        }
    }

    /// What people call it.
    pub fn noun(self) -> &'static str {
        self.words()[0]
    }

    /// What people read before an address: "by e-mail to".
    pub fn by(self) -> &'static str {
        self.words()[1]
    }
}

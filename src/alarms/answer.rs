//! What people answer to an alarm.

use jiff::Timestamp;

use crate::alarms::{AlarmKey, AlarmRecord, Input};
use crate::model::names;

/// What a person says about an alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AlarmNote {
    pub key: AlarmKey,
    /// The occurrence: when its condition began.
    pub since: Timestamp,
    /// When it was said. That of the step where it came with an answer.
    pub at: Timestamp,
    /// At most [`AlarmNote::TEXT_MAX`] characters, without control characters.
    pub note: String,
    /// By which way it came.
    pub how: String,
}

impl AlarmNote {
    /// Characters of a note at most.
    pub const TEXT_MAX: usize = 500;

    /// Whether it was written to this occurrence of an alarm.
    pub(crate) fn is_of(&self, record: &AlarmRecord) -> bool {
        self.key == record.key && self.since == record.since
    }

    /// Whether a text may be a note.
    ///
    /// # Errors
    ///
    /// What is wrong with it, to show to the one who wrote it.
    pub fn check(text: &str) -> Result<(), String> {
        let length = text.chars().count();
        if text.trim().is_empty() {
            Err("the note is empty".to_owned())
        } else if length > Self::TEXT_MAX {
            Err(format!("the note has {length} characters; accepted are at most {}", Self::TEXT_MAX))
        } else if text.chars().any(char::is_control) {
            Err("the note holds a line break or another control character; accepted is one line of text"
                .to_owned())
        } else {
            Ok(())
        }
    }
}

/// What somebody found who looked where water ran that should not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Finding {
    TimerSetRight,
    Hose,
    NoIdea,
}

names!(Finding {
    TimerSetRight = "timer",
    Hose = "hose",
    NoIdea = "no-idea",
});

impl Finding {
    /// As people say it: on a button, and as the note that is kept.
    pub fn words(self) -> &'static str {
        match self {
            Self::TimerSetRight => "Found it: the timer is set right",
            Self::Hose => "Found it: it was a hose",
            Self::NoIdea => "Not found",
        }
    }

    /// The note that is kept of it, with what else somebody wrote.
    pub fn note(self, more: Option<&str>) -> String {
        match more {
            Some(more) => format!("{}. {more}", self.words()),
            None => format!("{}.", self.words()),
        }
    }
}

/// A person's answer to an alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    pub key: AlarmKey,
    /// When it was given.
    pub at: Timestamp,
    /// One of those for which [`Input::is_answer`] holds; `None`: a note and nothing
    /// else.
    pub input: Option<Input>,
    /// By which way it came ("command", "mqtt", "link", "page"), and after a colon and a
    /// space the name of whoever gave it, where one was given.
    pub how: String,
    /// The occurrence that is answered (when its condition began): the answer is for
    /// no other. `None`: whatever stands.
    pub since: Option<Timestamp>,
    /// A text for which [`AlarmNote::check`] holds.
    pub note: Option<String>,
}

impl Answer {
    /// Characters of a name that is given with an answer, at most.
    pub const NAME_MAX: usize = 40;

    /// How an answer came: by which way, and by whom where a name was given. What is no
    /// plain letter of the name is left out, and what is too long is cut.
    pub fn how_by(way: &str, name: Option<&str>) -> String {
        let is_plain = |it: &char| {
            !it.is_control()
                && !matches!(it, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{200E}' | '\u{200F}' | '\u{061C}')
        };
        let name: String =
            name.unwrap_or_default().trim().chars().filter(is_plain).take(Self::NAME_MAX).collect();
        if name.trim().is_empty() { way.to_owned() } else { format!("{way}: {}", name.trim()) }
    }
}

/// The result of a person's answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answered {
    /// The answer was taken: a step was made of it, or its note is kept.
    Done,
    /// The alarm stands, and this answer changes nothing: somebody has given it
    /// already, or the alarm's state wants another one.
    NotWaiting,
    /// The alarm is over.
    Over,
    /// The answer is to an earlier occurrence; the alarm has come again since.
    OtherOccurrence,
    NoSuchAlarm,
    /// The note is one too many; it is kept among what was refused.
    TooManyNotes,
}

//! What the core gives back: rows to keep and changes to tell.

use std::borrow::Cow;

use jiff::Timestamp;

use crate::alarms::{Input, Kind, Priority, State};
use crate::garden::plan::Id;
use crate::quality::{Flag, Tests};
use crate::why::Why;

/// A sensor's number in this run's fleet: all gardens' sensors in order.
/// It is not stored; the store has its own number for each series.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SensorIx(pub u32);

/// Whose clock gave a reading its time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeFrom {
    /// The device's own time, found possible.
    Device,
    /// The moment of arrival: the device gave no time, or an impossible one.
    Arrival,
}

/// One reading, calibrated and flagged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    pub sensor: SensorIx,
    /// Whole milliseconds; with `sensor`, the key.
    pub at: Timestamp,
    pub raw: f64,
    /// In the quantity's unit; `None` where calibration could not give one.
    pub value: Option<f64>,
    pub flag: Flag,
    pub tests: Tests,
    pub time_from: TimeFrom,
    /// It came after the garden had been judged on later times: stored, not judged.
    pub late: bool,
}

/// A stored reading whose flags changed when the next one came (the spike test
/// knows a point only by its neighbours).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reflag {
    pub sensor: SensorIx,
    pub at: Timestamp,
    pub flag: Flag,
    pub tests: Tests,
}

/// Something that could not be taken, kept so that nothing is lost.
#[derive(Clone, Debug, PartialEq)]
pub struct Reject {
    pub at: Timestamp,
    pub topic: String,
    /// Cut at [`Reject::PAYLOAD_MAX`] bytes.
    pub payload: Vec<u8>,
    pub reason: String,
}

impl Reject {
    /// Bytes of a refused payload that are kept.
    pub const PAYLOAD_MAX: usize = 4096;
}

/// A message on a topic that no sensor names.
#[derive(Clone, Debug, PartialEq)]
pub struct Unplaced {
    pub at: Timestamp,
    pub topic: String,
    /// Cut at [`Reject::PAYLOAD_MAX`] bytes.
    pub payload: Vec<u8>,
}

/// Names one alarm.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct AlarmKey {
    pub site: Id,
    pub kind: Kind,
    /// A bed, tank, sensor or gateway id, or the site's own.
    pub place: Id,
}

/// Named numbers, in the order to show. Names that come from the store are owned.
pub type Values = Vec<(Cow<'static, str>, f64)>;

/// One step in an alarm's life, with what people are told.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmChange {
    pub key: AlarmKey,
    pub priority: Priority,
    pub from: State,
    pub to: State,
    /// When the condition began.
    pub since: Timestamp,
    /// When this step was taken.
    pub at: Timestamp,
    /// Until when it is put aside, and whether only until its condition is over.
    pub shelf: Option<(Timestamp, bool)>,
    pub text: String,
    /// Named numbers behind the text, in the order to show.
    pub values: Values,
    /// Where the rule comes from.
    pub source: Cow<'static, str>,
    /// The equations behind the numbers, with the numbers put in.
    pub why: Why,
    /// How a person's answer came: "command"; `None` where no person answered.
    pub how: Option<Cow<'static, str>>,
    /// Groups to tell.
    pub tell: Vec<String>,
}

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

    /// Whether a text may be a note.
    ///
    /// # Errors
    ///
    /// What is wrong with it, to show to whoever wrote it.
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

/// Everything that one call of the core asks the store to keep, in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Batch {
    pub readings: Vec<Reading>,
    pub reflags: Vec<Reflag>,
    pub rejects: Vec<Reject>,
    pub unplaced: Vec<Unplaced>,
    pub changes: Vec<AlarmChange>,
    pub notes: Vec<AlarmNote>,
}

impl Batch {
    /// Empties it, keeping the memory.
    pub fn clear(&mut self) {
        self.readings.clear();
        self.reflags.clear();
        self.rejects.clear();
        self.unplaced.clear();
        self.changes.clear();
        self.notes.clear();
    }

    /// Whether there is nothing to keep.
    pub fn is_empty(&self) -> bool {
        self.readings.is_empty()
            && self.reflags.is_empty()
            && self.rejects.is_empty()
            && self.unplaced.is_empty()
            && self.changes.is_empty()
            && self.notes.is_empty()
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
    /// By which way it came: "command", "mqtt", "link".
    pub how: String,
    /// The occurrence that is answered (when its condition began): the answer is for
    /// no other. `None`: whatever stands.
    pub since: Option<Timestamp>,
    /// A text for which [`AlarmNote::check`] holds.
    pub note: Option<String>,
}

/// What came of a person's answer.
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
}

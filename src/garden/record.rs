//! What the core gives back: rows to keep and changes to tell.

use std::borrow::Cow;

use jiff::Timestamp;

use crate::alarms::{AlarmNote, AlarmRecord, Priority, State};
use crate::model::{SensorIx, TimeFrom};
use crate::quality::{Flag, Tests};

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

/// One step in an alarm's life, with what people are told.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmChange {
    /// The alarm after the step.
    pub record: AlarmRecord,
    pub priority: Priority,
    /// The state before.
    pub from: State,
    /// How a person's answer came: "command"; `None` where no person answered.
    pub how: Option<Cow<'static, str>>,
    /// Groups to tell.
    pub tell: Vec<String>,
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
        *self == Self::default()
    }
}

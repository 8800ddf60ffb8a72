//! What goes into the store and what comes out, beyond the core's own records.

use std::sync::Arc;

use jiff::Timestamp;

use super::series::Series;
use crate::alarms::{AlarmRecord, State};
use crate::garden::record::{Batch, Reading};
use crate::history::Point;
use crate::model::TimeFrom;
use crate::model::{Id, names};
use crate::quality::{Flag, Tests};
use crate::telling::{Message, Waiting};

/// Everything that is kept together or not at all.
#[derive(Clone, Copy, Debug)]
pub struct Transaction<'a> {
    /// When it is written; the time of rejects that the store itself makes.
    pub at: Timestamp,
    pub batch: &'a Batch,
    /// Letters to put into the outbox.
    pub letters: &'a [AlarmPublication],
    /// Numbers of letters that have been delivered.
    pub letters_sent: &'a [i64],
    /// How far each forwarder has come.
    pub forwarded: &'a [ForwardProgress],
    /// Whether the readings are to be queued for the forwarders.
    pub forward: bool,
    /// Messages to people.
    pub messages: &'a [Message],
    /// Messages that have been sent past the outbox, and when.
    pub sent: &'a [(Message, Timestamp)],
    /// Results of messages that were tried.
    pub tries: &'a [Tried],
    /// All that waits to be told at these sites, instead of what was kept.
    pub waiting: &'a [(Id, Vec<Waiting>)],
    /// Messages with readings without a time of their own, which the broker may send again.
    pub received: &'a [ReceivedPacket],
    /// Of those the broker sends none again up to this serial number.
    pub confirmed: u64,
}

/// By what a message is known that the broker sends again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReceivedPacket {
    /// Counted by the session, also over restarts.
    pub serial: u64,
    /// The packet identifier that the broker gave it.
    pub packet: u16,
    /// Made of topic and payload.
    pub fingerprint: [u8; 16],
}

/// A message to people as it is kept, and how far it has come.
#[derive(Clone, Debug, PartialEq)]
pub struct MessageRecord {
    pub seq: i64,
    pub message: Message,
    pub state: MessageState,
    /// How often it was tried.
    pub tries: u32,
    /// When it is tried next; past where nothing waits any more.
    pub next: Timestamp,
    /// When it was sent or given up.
    pub done: Option<Timestamp>,
    /// What the other side said last; empty where nothing went wrong or it was sent.
    pub reason: String,
}

/// How far a message has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum MessageState {
    Waiting,
    Sent,
    GivenUp,
}

names!(MessageState {
    Waiting = "waiting",
    Sent = "sent",
    GivenUp = "given-up",
});

/// How many messages a group got on one day of its site's calendar. Each number is
/// that of the address with the most: the same message to two addresses counts once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MessageCount {
    pub site: Id,
    pub who: String,
    /// The day on which they were made.
    pub day: jiff::civil::Date,
    pub sent: u32,
    pub waiting: u32,
    pub given_up: u32,
}

/// A message that waits to be sent.
#[derive(Clone, Debug, PartialEq)]
pub struct DueMessage {
    pub seq: i64,
    /// How often it was tried.
    pub tries: u32,
    pub message: Message,
}

/// The result of a try to send a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tried {
    /// The message's number.
    pub seq: i64,
    pub at: Timestamp,
    pub outcome: Outcome,
}

/// How a try ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    Sent,
    /// It is tried again at `next`.
    Later {
        next: Timestamp,
        reason: String,
    },
    /// It is tried no more.
    GivenUp {
        reason: String,
    },
}

/// A message to deliver at least once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AlarmPublication {
    /// Says which letter it is, so that writing it twice keeps one: site, kind,
    /// place, milliseconds and state, with slashes between.
    pub key: String,
    pub topic: String,
    pub payload: Vec<u8>,
}

/// What a transaction came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Committed {
    /// Readings that were new.
    pub stored: usize,
    /// Readings that were there already with the same raw number.
    pub repeated: usize,
    /// Readings that were there already with another raw number: the first one
    /// stays, and a reject says so.
    pub conflicting: usize,
    /// Readings of a time of which only a day's figures are kept. They may be in these
    /// already, so they are not taken; a reject says so.
    pub summarised: usize,
    /// The highest number of a letter that was added.
    pub last_letter: Option<i64>,
    /// The highest number of a row that was queued for the forwarders.
    pub last_forward: Option<i64>,
    /// Messages to people that were new. After a fault, all that were given.
    pub messages: usize,
}

/// A letter that waits in the outbox.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct QueuedPublication {
    pub seq: i64,
    pub letter: AlarmPublication,
}

/// An alarm as it stands, or one step of its history.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmRow {
    pub record: AlarmRecord,
    /// The state before; `None` where the present is asked for.
    pub from: Option<State>,
    /// How a person's answer came; `None` where no person answered.
    pub how: Option<String>,
    pub tell: Vec<String>,
}

/// Something refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RejectRow {
    pub seq: i64,
    pub at: Timestamp,
    pub topic: String,
    pub payload: Vec<u8>,
    pub reason: String,
}

/// A topic that no sensor names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnplacedTopic {
    pub topic: String,
    pub first: Timestamp,
    pub last: Timestamp,
    pub messages: u64,
    /// The last message.
    pub payload: Vec<u8>,
}

/// A stored reading with the series that it belongs to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StoredReading<'a> {
    pub series: &'a Series,
    pub at: Timestamp,
    pub raw: f64,
    pub value: Option<f64>,
    pub flag: Flag,
    pub tests: Tests,
    pub time_from: TimeFrom,
    pub late: bool,
    /// Whether it is not of this store, so that `tests`, `time_from` and `late` are not known.
    pub elsewhere: bool,
}

impl<'a> StoredReading<'a> {
    pub(super) fn of(series: &'a Series, reading: Reading) -> Self {
        let Reading { sensor: _, at, raw, value, flag, tests, time_from, late } = reading;
        Self { series, at, raw, value, flag, tests, time_from, late, elsewhere: false }
    }
}

impl StoredReading<'_> {
    /// The reading without its series.
    pub(crate) fn point(&self) -> Point {
        Point { at: self.at, raw: self.raw, value: self.value, flag: self.flag, late: self.late }
    }
}

/// A row that waits for a forwarder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ForwardRow {
    pub seq: i64,
    /// The number of a [`Series`].
    pub series: u32,
    pub at: Timestamp,
    pub raw: f64,
    pub value: Option<f64>,
    pub flag: Flag,
}

/// How far a forwarder has come.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ForwardProgress {
    pub name: String,
    /// The last number that its server has taken or refused for good.
    pub position: i64,
    /// What the server refused for good since the last time.
    pub refused: Vec<RefusedRow>,
}

/// A reading that a server refused for good. It stays in the store.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefusedRow {
    pub at: Timestamp,
    /// The number of a [`Series`].
    pub series: u32,
    /// What the server said.
    pub why: Arc<str>,
}

/// What a server has refused for good and has not taken since.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusals {
    pub forwarder: String,
    pub rows: u64,
    /// Those that are no longer listed, because too many were; they are in the store.
    pub unlisted: u64,
    /// When the newest was refused, and with which words.
    pub last: Option<(Timestamp, String)>,
}

/// How much a series has said since a given time.
#[derive(Clone, Debug, PartialEq)]
pub struct Activity {
    pub series: Series,
    pub readings: u64,
    pub last: Timestamp,
}

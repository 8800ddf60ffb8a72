//! The engine: the one thread that owns the core and the store.
//!
//! It waits for messages, judges them, commits everything that they caused in
//! one transaction, and only then has the broker told. If the store cannot be
//! written it tries again and takes nothing new meanwhile: the broker holds what
//! is not acknowledged.

mod requests;
mod rounds;
mod snapshots;
pub mod takeover;
#[cfg(test)]
mod tests;
mod writing;

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::{oneshot, watch};
use tracing::{error, info};

use crate::alarms::Answered;
use crate::alarms::State;
use crate::engine::filling::{QuarterFiller, fill_for};
use crate::engine::keeper::snapshots::SnapshotTimes;
use crate::engine::publication;
use crate::engine::telling_clock::TellingClock;
use crate::engine::{RawMessage, Router, SensorLimit};
use crate::garden::Clock;
use crate::garden::plan::Garden;
use crate::garden::record::{AlarmChange, Batch, Reading, Reject};
use crate::garden::system::health::{Clocks, HealthLimits, SystemHealth};
use crate::model::Id;
use crate::settings::{Broker, Settings};
use crate::store::{
    AlarmPublication, Committed, ForwardProgress, Reader, ReceivedPacket, Salvaged, Store, StoreError,
    Transaction, Tried, mend_damaged,
};
use crate::telling::{Notifier, NotifierOutput};

pub use requests::Request;
pub use rounds::Inbox;
use takeover::TakeOverRequest;

/// Called with each alarm change after it is committed.
pub type OnChange = Box<dyn FnMut(&AlarmChange) + Send>;

/// The core, the store and the batch between them.
pub struct Engine {
    pub router: Router,
    store: Store,
    /// What was carried over of a damaged record.
    salvaged: Option<Salvaged>,
    batch: Batch,
    letters: Vec<AlarmPublication>,
    letters_sent: Vec<i64>,
    forwarded: Vec<ForwardProgress>,
    telling: Notifier,
    /// The clock by which people are told.
    pub telling_clock: TellingClock,
    told: NotifierOutput,
    /// Requests that wait for the result of an answer.
    answered: Vec<(oneshot::Sender<Answered>, Answered)>,
    /// Changes of the batch that `telling` has seen.
    told_of: usize,
    tries: Vec<Tried>,
    /// Messages that were sent past the store, and when.
    sent: Vec<(crate::telling::Message, Timestamp)>,
    /// Messages of the batch that the broker may send again.
    received: Vec<ReceivedPacket>,
    /// The highest serial number among such messages, and up to which they are forgotten.
    kept_packets: (u64, u64),
    /// How far the broker has confirmed, as it is written with the batch.
    confirmed: u64,
    /// The second of the last transaction.
    wrote_at: i64,
    /// Readings of a time that has another value, and when they were last logged, seconds.
    pub(super) conflicts: (usize, Option<i64>),
    forward: bool,
    /// Whether alarms are put into the outbox.
    tell: bool,
    on_change: OnChange,
    /// The second in which answers were last looked for.
    looked_at: Option<i64>,
    /// The second in which the log was last read.
    log_looked_at: Option<i64>,
    /// When time was last moved on.
    ticked_at: Option<Clocks>,
    /// The last look at the daemon itself that was not judged yet.
    look: Option<SystemHealth>,
    /// Readings that were stored since a configuration was read again; `None`: nobody asks.
    stored_since: Option<Vec<Reading>>,
    /// A configuration that takes over once this batch is committed.
    to_take_over: Option<TakeOverRequest>,
    health_limits: HealthLimits,
    filler: QuarterFiller,
    /// When each site's state was kept last.
    snapshots: SnapshotTimes,
    /// Sites that went on from a kept state.
    gone_on: u64,
    /// Sites whose state is kept in the store, by their numbers, as it was opened.
    kept_states: HashMap<usize, Id>,
    /// The last entry of the log that the core has taken.
    log_to: i64,
    importing: bool,
    late: usize,
    refused: usize,
    raised: usize,
    pub wake_letters: watch::Sender<i64>,
    pub wake_forward: watch::Sender<i64>,
    /// Changes when messages to people are added.
    pub wake_messages: watch::Sender<i64>,
    /// Grows with each commit that may change what the page shows.
    pub wake_page: watch::Sender<u64>,
}

impl Engine {
    /// Opens the store and rebuilds the core from it: no alarm is forgotten, and
    /// none that stands is raised again.
    ///
    /// # Errors
    /// When the store cannot be opened or read.
    pub fn open(settings: &Settings, clock: Clock) -> Result<Self, StoreError> {
        Self::open_at(settings, clock, crate::engine::system_now())
    }

    /// The same where the computer's clock shows `now`.
    fn open_at(settings: &Settings, clock: Clock, now: Timestamp) -> Result<Self, StoreError> {
        let salvaged = mend_damaged(&settings.store.path, now)?;
        if let Some(it) = &salvaged {
            error!(
                aside = %it.aside.display(), readings = it.readings, broken = ?it.broken, found = %it.found,
                "the database was damaged and moved aside; what could be read of it was carried over"
            );
        }
        let store = open_store(settings, clock)?;
        let gardens: Vec<Arc<Garden>> = settings.gardens.iter().cloned().map(Arc::new).collect();
        let mut router = Router::new(&gardens, clock);
        if clock == Clock::Arrival {
            let Broker { sensor_burst: burst, sensor_per_s: per_s, .. } = settings.broker;
            router.set_limit(SensorLimit { burst, per_s });
        }
        let log_to = store.log_taken_to()?;
        let (changes, kept) = crate::engine::restore::restore(&mut router, &store, now)?;
        let mut snapshots = SnapshotTimes::default();
        for (garden, kept) in gardens.iter().zip(&kept).filter_map(|(it, kept)| Some((it, (*kept)?))) {
            snapshots.note(garden, kept.at);
        }
        if settings.answers.mqtt {
            router.take_answers();
        }
        let mut telling = Notifier::new(&gardens);
        telling.restore(Reader::open(store.path())?.waiting()?);
        let kept_packets = (store.received()?.last().map_or(0, |last| last.serial), 0);
        let letters = publication::letters_of_renamed(&store, &settings.gardens, now);
        Ok(Self {
            router,
            store,
            salvaged,
            batch: Batch { changes, ..Batch::default() },
            letters,
            letters_sent: Vec::new(),
            forwarded: Vec::new(),
            telling,
            telling_clock: TellingClock::default(),
            told: NotifierOutput::default(),
            answered: Vec::new(),
            told_of: 0,
            tries: Vec::new(),
            sent: Vec::new(),
            kept_packets,
            received: Vec::new(),
            confirmed: 0,
            wrote_at: 0,
            conflicts: (0, None),
            forward: !settings.forward.is_empty(),
            tell: true,
            on_change: Box::new(log_change),
            looked_at: None,
            log_looked_at: None,
            ticked_at: None,
            look: None,
            stored_since: None,
            to_take_over: None,
            health_limits: settings.watch.limits,
            filler: QuarterFiller::default(),
            snapshots,
            gone_on: kept.iter().flatten().count() as u64,
            kept_states: gardens.iter().map(|garden| garden.site.id.clone()).enumerate().collect(),
            log_to,
            importing: false,
            late: 0,
            refused: 0,
            raised: 0,
            wake_letters: watch::Sender::new(0),
            wake_forward: watch::Sender::new(0),
            wake_messages: watch::Sender::new(0),
            wake_page: watch::Sender::new(0),
        })
    }

    /// Alarms are kept but nobody is told: for readings of the past.
    pub fn tell_nobody(&mut self) {
        self.tell = false;
    }

    /// Calls `on_change` instead of writing the log.
    pub fn on_change(&mut self, on_change: OnChange) {
        self.on_change = on_change;
    }

    /// A reader beside the store.
    ///
    /// # Errors
    /// When the file cannot be opened a second time.
    pub fn reader(&self) -> Result<Reader, StoreError> {
        Reader::open(self.store.path())
    }

    /// Opens one message; what it causes waits for [`Engine::commit`].
    pub fn open_message(&mut self, message: RawMessage<'_>) {
        self.router.open(message, &mut self.batch);
    }

    /// Takes one raw reading of a known sensor.
    pub fn take(&mut self, sensor: crate::model::SensorIx, sample: crate::model::Sample, arrival: Timestamp) {
        self.router.core.take(sensor, sample, arrival, &mut self.batch);
    }

    /// Notes from now on what comes in as part of one import of these files; returns its
    /// number.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn begin_import(&mut self, files: &str, now: Timestamp) -> Result<i64, StoreError> {
        let number = self.store.begin_import(files, now)?;
        self.importing = true;
        Ok(number)
    }

    /// Ends an import.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn end_import(&mut self, number: i64) -> Result<(), StoreError> {
        self.importing = false;
        self.store.end_import(number)
    }

    /// Keeps something that was refused before it came here.
    pub fn refuse(&mut self, reject: Reject) {
        self.batch.rejects.push(reject);
    }

    /// Refused messages until now, those that wait included.
    pub fn refused(&self) -> usize {
        self.refused + self.batch.rejects.len()
    }

    /// Late readings until now, those that wait included.
    pub fn late(&self) -> usize {
        self.late + self.batch.readings.iter().filter(|r| r.late).count()
    }

    /// Alarms raised until now, those that wait included.
    pub fn raised(&self) -> usize {
        self.raised + raised(&self.batch)
    }

    /// Rows that wait to be committed.
    pub fn waiting(&self) -> usize {
        self.batch.readings.len()
    }

    /// Commits everything that waits. On an error all of it still waits.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn commit(&mut self, now: Timestamp) -> Result<Committed, StoreError> {
        if self.importing {
            // It may be of any time.
            self.forget_states_of_batch()?;
        }
        self.tell_new(now);
        self.write(now)
    }

    /// Makes the quarter hours of what is stored, for as long as `longest`.
    pub fn fill_quarters(&mut self, now: Timestamp, longest: Duration) {
        fill_for(&mut self.store, now, longest);
    }

    fn write(&mut self, now: Timestamp) -> Result<Committed, StoreError> {
        let committed = self.store.commit(&Transaction {
            at: now,
            batch: &self.batch,
            letters: &self.letters,
            letters_sent: &self.letters_sent,
            forwarded: &self.forwarded,
            forward: self.forward,
            messages: &self.told.messages,
            sent: &self.sent,
            tries: &self.tries,
            waiting: &self.told.waiting,
            received: &self.received,
            confirmed: self.confirmed,
        })?;
        let newest = self.received.last().map_or(0, |last| last.serial);
        self.kept_packets = (self.kept_packets.0.max(newest), self.confirmed);
        self.received.clear();
        self.wrote_at = now.as_second();
        self.note_stored();
        for change in &self.batch.changes {
            (self.on_change)(change);
        }
        if let Some(seq) = committed.last_letter {
            self.wake_letters.send_replace(seq);
        }
        if let Some(seq) = committed.last_forward {
            self.wake_forward.send_replace(seq);
        }
        if committed.messages > 0 {
            self.wake_messages.send_modify(|times| *times += 1);
        }
        if !self.batch.is_empty() {
            self.wake_page.send_modify(|times| *times += 1);
        }
        (self.late, self.raised, self.refused) = (self.late(), self.raised(), self.refused());
        self.batch.clear();
        self.letters.clear();
        self.letters_sent.clear();
        self.forwarded.clear();
        self.told.clear();
        self.told_of = 0;
        self.tries.clear();
        self.sent.clear();
        Ok(committed)
    }

    /// Messages of before the start that the broker may send again.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn received(&self) -> Result<Vec<ReceivedPacket>, StoreError> {
        self.store.received()
    }

    /// The moment at which people are told where the computer's clock shows `wall`.
    fn telling_moment(&self, wall: Timestamp) -> Timestamp {
        if self.telling_clock.is_simulated()
            && let Some(latest) = self.router.core.latest()
        {
            self.telling_clock.advance(latest);
        }
        self.telling_clock.now(wall)
    }

    /// Makes letters and messages of the steps that are new in the batch. A commit
    /// that is tried again tells nothing twice.
    fn tell_new(&mut self, now: Timestamp) {
        if self.tell {
            let new = &self.batch.changes[self.told_of..];
            self.letters.extend(new.iter().map(publication::letter));
            self.telling.take(new, now, &mut self.told);
            self.told_of = self.batch.changes.len();
        }
    }

    /// Tells what has waited for its time. The steps come first: an alarm that is
    /// looked at has taken them already.
    fn tell_in_time(&mut self, now: Timestamp) {
        self.tell_new(now);
        if self.tell {
            let core = &self.router.core;
            self.telling.tick(now, &|key| core.snapshot(key), &mut self.told);
        }
    }
}

/// The store as the settings want it kept.
fn open_store(settings: &Settings, clock: Clock) -> Result<Store, StoreError> {
    let mut store = Store::open(&settings.store.path, &settings.gardens)?;
    store.forget_gone_snapshots(&settings.gardens)?;
    store.set_keep_rejects(settings.store.keep_rejects);
    if clock == Clock::Arrival {
        store.set_keep_readings(settings.store.keep_readings_days, &settings.gardens);
    }
    let names: Vec<&str> = settings.forward.iter().map(|f| f.name.as_str()).collect();
    store.set_forwarders(&names)?;
    Ok(store)
}

fn raised(batch: &Batch) -> usize {
    batch.changes.iter().filter(|c| c.record.state == State::Unacknowledged).count()
}

fn log_change(change: &AlarmChange) {
    let record = &change.record;
    info!(
        site = %record.key.site,
        kind = record.key.kind.name(),
        place = %record.key.place,
        from = change.from.name(),
        to = record.state.name(),
        at = %record.at,
        "{}",
        record.said.text
    );
}

//! The engine: the one thread that owns the core and the store.
//!
//! It waits for messages, judges them, commits everything that they caused in
//! one transaction, and only then has the broker told. If the store cannot be
//! written it tries again and takes nothing new meanwhile: the broker holds what
//! is not acknowledged.

mod requests;
mod snapshots;
pub mod takeover;
#[cfg(test)]
mod tests;
mod writing;

use std::collections::HashMap;
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tokio::runtime::Handle;
use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;
use tracing::{error, info, warn};

use crate::alarms::Answered;
use crate::alarms::State;
use crate::engine::daemon_health::DaemonHealth;
use crate::engine::error_chain::ErrorChain;
use crate::engine::filling::{QuarterFiller, fill_for};
use crate::engine::health;
use crate::engine::keeper::snapshots::SnapshotTimes;
use crate::engine::publication;
use crate::engine::telling_clock::TellingClock;
use crate::engine::{RawMessage, Router, SensorLimit};
use crate::garden::Clock;
use crate::garden::plan::Garden;
use crate::garden::record::{AlarmChange, Batch, Reading, Reject};
use crate::garden::system::health::{ClockHealth, Clocks, HealthLimits, StoreHealth, SystemHealth};
use crate::intake::session::Delivery;
use crate::model::{Id, TimeFrom};
use crate::settings::{Broker, Settings};
use crate::store::{
    AlarmPublication, AnswerRow, Committed, ForwardProgress, Reader, ReceivedPacket, Salvaged, Store,
    StoreError, Transaction, Tried, mend_damaged,
};
use crate::telling::{GivenUp, Notifier, NotifierOutput};

pub use requests::Request;
use takeover::TakeOverRequest;

/// Messages in one transaction at most.
const BATCH_MAX: usize = 2000;
/// Bytes of messages in one transaction at most: a payload of many short readings becomes
/// some ten times as long in memory.
const BATCH_BYTES_MAX: usize = 4 * 1024 * 1024;
/// How long after a transaction the next batch begins, while its messages come together. It
/// bounds the number of transactions a second, each of which waits for the disk.
const LINGER: Duration = Duration::from_millis(5);
/// Messages that the broker does not send again are forgotten with the next transaction, or
/// in one of their own after so many seconds.
const FORGET_AFTER_S: i64 = 10;
/// Time between looks at the clock where no message comes.
const TICK: Duration = Duration::from_secs(2);
/// A longer time between two looks at the clock is a pause, seconds.
const PAUSE_S: i64 = 60;

/// Where the engine's work comes from.
#[derive(Debug)]
pub struct Inbox {
    pub messages: mpsc::Receiver<Delivery>,
    pub requests: mpsc::Receiver<Request>,
    pub letters_sent: mpsc::Receiver<i64>,
    pub forwarded: mpsc::Receiver<ForwardProgress>,
    /// Results of messages to people.
    pub tried: mpsc::Receiver<(Tried, Option<GivenUp>)>,
    /// What the daemon measured of itself.
    pub looks: mpsc::Receiver<SystemHealth>,
}

/// One round of the engine, beside its batch.
struct Round {
    /// The last answer and the last log entry that were taken.
    answered: Option<i64>,
    logged: Option<i64>,
    /// Whether there is anything to commit.
    commit: bool,
}

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
        let mut store = Store::open(&settings.store.path, &settings.gardens)?;
        store.forget_gone_snapshots(&settings.gardens)?;
        store.set_keep_rejects(settings.store.keep_rejects);
        if clock == Clock::Arrival {
            store.set_keep_readings(settings.store.keep_readings_days, &settings.gardens);
        }
        let names: Vec<&str> = settings.forward.iter().map(|f| f.name.as_str()).collect();
        store.set_forwarders(&names)?;
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
            forward: !names.is_empty(),
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

    /// Works until `stop`, then commits what has come and ends. Must run on a
    /// thread of its own.
    pub fn run(
        mut self,
        runtime: &Handle,
        mut inbox: Inbox,
        daemon_health: &DaemonHealth,
        now: fn() -> Timestamp,
        stop: &CancellationToken,
    ) {
        self.router.core.start(now());
        daemon_health.store_watch.stand(self.router.core.store_alarms());
        *daemon_health.set_aside.lock().unwrap_or_else(PoisonError::into_inner) =
            self.store.set_aside().to_vec();
        *daemon_health.salvaged.lock().unwrap_or_else(PoisonError::into_inner) = self.salvaged.take();
        let mut taken: Vec<Delivery> = Vec::with_capacity(BATCH_MAX);
        let mut committed: Option<Instant> = None;
        loop {
            daemon_health.pulse.beat();
            let stopping = runtime.block_on(self.wait(&mut inbox, &mut taken, stop));
            if !taken.is_empty() || stopping {
                let since = committed.map_or(LINGER, |committed| committed.elapsed());
                if taken.len() < BATCH_MAX && !stopping && since < LINGER {
                    std::thread::sleep(LINGER - since);
                }
                let mut bytes: usize = taken.iter().map(Delivery::bytes).sum();
                while taken.len() < BATCH_MAX
                    && bytes < BATCH_BYTES_MAX
                    && let Ok(delivery) = inbox.messages.try_recv()
                {
                    bytes += delivery.bytes();
                    taken.push(delivery);
                }
            }
            self.drain_reports(&mut inbox);
            let new = taken.iter().filter(|delivery| !delivery.is_repeat());
            let messages = new.map(|delivery| {
                let message = RawMessage {
                    topic: delivery.topic(),
                    payload: delivery.payload(),
                    retained: delivery.retained(),
                    arrival: delivery.arrival,
                };
                (message, delivery.packet())
            });
            let round = self.judge(messages, &|| health::clocks(now()), daemon_health);
            if round.commit && !self.commit_at_last(&mut inbox, daemon_health, now, stop) {
                // Nothing of this batch was acknowledged: it will come again.
                return;
            }
            if !taken.is_empty() {
                committed = Some(Instant::now());
            }
            for delivery in taken.drain(..) {
                delivery.acknowledge();
            }
            self.finish(&round);
            if self.to_take_over.is_some() && !self.take_over_now(now(), daemon_health) {
                return;
            }
            if stopping {
                if inbox.messages.is_empty() {
                    self.keep_states_at_stop(daemon_health, now());
                    return;
                }
                continue;
            }
            self.keep_due_state(now());
            self.filler.step(&mut self.store, now(), !inbox.messages.is_empty());
        }
    }

    /// Messages of before the start that the broker may send again.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn received(&self) -> Result<Vec<ReceivedPacket>, StoreError> {
        self.store.received()
    }

    /// Whether there is something to forget of what the broker might have sent again, and
    /// nothing else has been written for a while.
    fn may_forget(&self, now: Timestamp) -> bool {
        let (newest, forgotten) = self.kept_packets;
        self.confirmed > forgotten
            && newest > forgotten
            && now.as_second().saturating_sub(self.wrote_at) >= FORGET_AFTER_S
    }

    /// Judges messages, each with what may come again of it, and all that has become due. What it causes waits to be committed.
    fn judge<'m>(
        &mut self,
        messages: impl Iterator<Item = (RawMessage<'m>, Option<ReceivedPacket>)>,
        clocks: &dyn Fn() -> Clocks,
        daemon_health: &DaemonHealth,
    ) -> Round {
        for (message, packet) in messages {
            let before = self.batch.readings.len();
            self.open_message(message);
            // One with a time of its own is known by that.
            let new = &self.batch.readings[before..];
            if new.iter().any(|reading| reading.time_from == TimeFrom::Arrival) {
                self.received.extend(packet);
            }
            if self.telling_clock.is_simulated() {
                // Hours may go by from one message to the next.
                self.tell_in_time(self.telling_moment(clocks().wall));
            }
        }
        for over in self.router.over_limit() {
            warn!(
                site = %over.site, sensor = %over.sensor, messages = over.messages,
                "a sensor sends far too often; what is over its limit is not stored, see the rejects"
            );
        }
        self.pass_time(clocks(), daemon_health);
        // A garden that is silent learns of it as well.
        let misplaced = self.look.is_some() && self.store.check_place().is_err();
        self.judge_own(clocks().wall, daemon_health);
        self.tell_in_time(self.telling_moment(clocks().wall));
        let answered = self.take_answers(clocks().wall);
        let logged = self.take_log(clocks().wall);
        self.confirmed = daemon_health.broker.confirmed_to();
        let commit = misplaced
            || self.may_forget(clocks().wall)
            || !self.batch.is_empty()
            || !self.letters.is_empty()
            || !self.letters_sent.is_empty()
            || !self.forwarded.is_empty()
            || !self.told.is_empty()
            || !self.tries.is_empty()
            || daemon_health.store_watch.has_news();
        Round { answered, logged, commit }
    }

    /// Ends a round whose batch is committed.
    fn finish(&mut self, round: &Round) {
        for (reply, answered) in self.answered.drain(..) {
            // The page that asked may have gone.
            let _ = reply.send(answered);
        }
        if round.logged.is_some() {
            // Pages list what was written down, also where it raises nothing.
            self.wake_page.send_modify(|times| *times += 1);
        }
        if let Some(seq) = round.logged
            && let Err(reason) = self.store.log_taken(seq)
        {
            // It is judged again, which changes nothing.
            warn!(reason = %ErrorChain(&reason), "how far the log was read could not be noted");
        }
        if let Some(seq) = round.answered
            && let Err(reason) = self.store.forget_answers(seq)
        {
            // They are taken again, which changes nothing.
            warn!(reason = %ErrorChain(&reason), "answers to alarms could not be put away");
        }
    }

    /// Waits for work. `true` when the daemon is stopping.
    async fn wait(&mut self, inbox: &mut Inbox, taken: &mut Vec<Delivery>, stop: &CancellationToken) -> bool {
        if stop.is_cancelled() {
            return true;
        }
        tokio::select! {
            biased;
            Some(delivery) = inbox.messages.recv() => taken.push(delivery),
            Some(request) = inbox.requests.recv() => self.answer(request),
            Some(seq) = inbox.letters_sent.recv() => self.letters_sent.push(seq),
            Some(position) = inbox.forwarded.recv() => self.forwarded.push(position),
            Some(tried) = inbox.tried.recv() => self.take_try(tried),
            Some(look) = inbox.looks.recv() => self.look = Some(look),
            () = stop.cancelled() => return true,
            () = tokio::time::sleep(self.filler.patience(TICK)) => {}
        }
        false
    }

    fn drain_reports(&mut self, inbox: &mut Inbox) {
        while let Ok(request) = inbox.requests.try_recv() {
            self.answer(request);
        }
        while let Ok(seq) = inbox.letters_sent.try_recv() {
            self.letters_sent.push(seq);
        }
        while let Ok(position) = inbox.forwarded.try_recv() {
            self.forwarded.push(position);
        }
        while let Ok(tried) = inbox.tried.try_recv() {
            self.take_try(tried);
        }
        while let Ok(look) = inbox.looks.try_recv() {
            self.look = Some(look);
        }
    }

    /// Notes the result of a message. One that nobody would take is told another way.
    fn take_try(&mut self, (tried, given_up): (Tried, Option<GivenUp>)) {
        self.tries.push(tried);
        if let Some(given_up) = given_up {
            let core = &self.router.core;
            self.telling.not_sent(&given_up, &|key| core.snapshot(key), &mut self.told);
        }
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

    /// Moves the core's clock on. After a pause (the computer slept, its clock
    /// jumped, the store could not be written) or while the broker is away nobody
    /// is silent for not having been heard.
    fn pass_time(&mut self, clocks: Clocks, daemon_health: &DaemonHealth) {
        let now = clocks.wall;
        let before = self.ticked_at.replace(clocks);
        let jump = before.and_then(|before| clocks.jump_since(&before, self.health_limits.clock_jump_s));
        let paused = before
            .is_some_and(|before| !(0..=PAUSE_S).contains(&(now.as_second() - before.wall.as_second())));
        if let Some(jump) = jump {
            warn!(from = %jump.from, to = %jump.to, "the computer's clock jumped");
            let jumped = SystemHealth {
                limits: self.health_limits,
                clock: Some(ClockHealth::Jumped(jump)),
                ..SystemHealth::default()
            };
            self.router.core.judge_health(&jumped, now, &mut self.batch);
        } else if paused {
            let before = before.map(|before| before.wall);
            warn!(?before, %now, "time went by unseen; sensors are given time to speak");
        }
        if paused || jump.is_some() || daemon_health.broker.is_away() {
            self.router.core.start(now);
        } else {
            self.router.core.tick(now, &mut self.batch);
        }
    }

    /// Judges the last look at the daemon itself. The record can be written, or we
    /// would not be here.
    fn judge_own(&mut self, now: Timestamp, daemon_health: &DaemonHealth) {
        let Some(look) = self.look.take() else { return };
        let look = SystemHealth {
            store: Some(StoreHealth::Written),
            clock: Some(ClockHealth::Steady),
            broker: daemon_health.broker.health(),
            ..look
        };
        self.router.core.judge_health(&look, now, &mut self.batch);
        *daemon_health.look.lock().unwrap_or_else(PoisonError::into_inner) = Some(look);
        daemon_health.store_watch.stand(self.router.core.store_alarms());
    }

    /// Makes steps of the answers that others left, at most once a second. Returns
    /// the last one's number.
    fn take_answers(&mut self, now: Timestamp) -> Option<i64> {
        if self.looked_at == Some(now.as_second()) {
            return None;
        }
        self.looked_at = Some(now.as_second());
        let answers = match self.store.answers() {
            Ok(answers) => answers,
            Err(reason) => {
                warn!(reason = %ErrorChain(&reason), "answers to alarms could not be read");
                return None;
            }
        };
        for AnswerRow { answer, .. } in &answers {
            let answered = self.router.core.answer(answer, &mut self.batch);
            if answered != Answered::Done {
                info!(
                    site = %answer.key.site,
                    kind = answer.key.kind.name(),
                    place = %answer.key.place,
                    ?answered,
                    "an answer came for an alarm that was not waiting for one"
                );
            }
        }
        answers.last().map(|row| row.seq)
    }

    /// Judges what people wrote into the log since the last look, at most once a
    /// second. Returns the last entry's number.
    fn take_log(&mut self, now: Timestamp) -> Option<i64> {
        if self.log_looked_at == Some(now.as_second()) {
            return None;
        }
        self.log_looked_at = Some(now.as_second());
        let rows = match self.store.log_to_take() {
            Ok(rows) => rows,
            Err(reason) => {
                warn!(reason = %ErrorChain(&reason), "the log could not be read");
                return None;
            }
        };
        let core = &mut self.router.core;
        for row in &rows {
            match (&row.strikes, &row.entry) {
                (Some(struck), instead) => {
                    core.strike(struck, instead.as_ref(), now, &mut self.batch);
                    self.snapshots.replay_next(&struck.site);
                }
                (None, Some(entry)) => core.log(entry, now, &mut self.batch),
                (None, None) => {}
            }
        }
        let last = rows.last().map(|row| row.seq);
        self.log_to = last.unwrap_or(self.log_to);
        last
    }
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

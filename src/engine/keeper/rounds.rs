//! The rounds of the engine: what has come is judged, committed and acknowledged, again and
//! again until the daemon stops.

use std::sync::PoisonError;
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tokio::runtime::Handle;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use super::requests::Request;
use crate::alarms::Answered;
use crate::engine::RawMessage;
use crate::engine::daemon_health::DaemonHealth;
use crate::engine::error_chain::ErrorChain;
use crate::engine::health;
use crate::engine::keeper::Engine;
use crate::garden::system::health::{ClockHealth, Clocks, StoreHealth, SystemHealth};
use crate::intake::session::Delivery;
use crate::model::TimeFrom;
use crate::store::{AnswerRow, ForwardProgress, ReceivedPacket, Tried};
use crate::telling::GivenUp;

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
pub(super) struct Round {
    /// The last answer and the last log entry that were taken.
    answered: Option<i64>,
    logged: Option<i64>,
    /// Whether there is anything to commit.
    pub(super) commit: bool,
}

impl Engine {
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
        let mut taken: Vec<Delivery> = Vec::new();
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
                    if let Err(reason) = self.keep_states(daemon_health, now()) {
                        self.state_not_kept(&reason);
                    }
                    return;
                }
                continue;
            }
            self.keep_due_state(now());
            self.filler.step(&mut self.store, now(), !inbox.messages.is_empty());
        }
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
    pub(super) fn judge<'m>(
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
    pub(super) fn finish(&mut self, round: &Round) {
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
    pub(super) fn take_try(&mut self, (tried, given_up): (Tried, Option<GivenUp>)) {
        self.tries.push(tried);
        if let Some(given_up) = given_up {
            let core = &self.router.core;
            self.telling.not_sent(&given_up, &|key| core.snapshot(key), &mut self.told);
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

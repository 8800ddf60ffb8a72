//! Messages to people, from the outbox to the addresses of one kind.
//!
//! Each message is sent until the other side has taken it or its time is over; the
//! result of a try goes to the engine, which commits it. Until that is done the message
//! is not touched again, and a message of which nothing was committed is sent again
//! after a restart, with the same key: at least once, and never silently dropped.
//!
//! To one address messages go one after another, the urgent first. An address that
//! fails is left alone for a while, and what waits for it goes back into the store, so
//! that it costs the others nothing. A few addresses are served at a time, and some
//! places are kept for what is urgent.

mod address_queue;
mod source;

use std::collections::HashMap;
use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use tokio::sync::{mpsc, watch};
use tokio::task::{Id, JoinError, JoinSet};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tracing::{debug, error, info, warn};

pub use source::MessageSource;

use super::channel::{Failure, MessageChannel};
use crate::engine::error_chain::ErrorChain;
use crate::garden::plan;
use crate::intake::Backoff;
use crate::store::{DueMessage, MessageLook, MessageTime, Outcome, StoreError, Tried};
use crate::telling::GivenUp;
use address_queue::{AddressQueue, is_urgent};

/// Messages held in memory at most, of the urgent and of the others each.
const HELD_MOST: usize = 128;
/// Of these for one address; for one that failed the last time it is one.
const HELD_EACH: usize = 32;
/// Addresses at most that failed the last time and have a message in memory.
const TROUBLED_MOST: usize = 64;
/// Messages at most whose outcome the engine has been told but not yet committed; no
/// more are tried meanwhile.
const REPORTED_MOST: usize = 1024;
/// From so many on it is looked up which of them are committed.
const REPORTED_LOOK: usize = 64;

/// How long a delivery worker waits, and how much it does at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WorkerPace {
    /// After a message's first failure; doubled after each further one.
    pub first: Duration,
    /// The longest wait.
    pub most: Duration,
    /// The longest wait where the message is of high priority.
    pub most_urgent: Duration,
    /// A try that takes longer is ended, whatever the channel's own limit is.
    pub longest_try: Duration,
    /// How long to wait without being woken while there is something to do.
    pub look_again: Duration,
    /// Addresses served at a time.
    pub at_a_time: usize,
    /// Further ones where the message is of high priority.
    pub urgent_at_a_time: usize,
}

impl Default for WorkerPace {
    fn default() -> Self {
        Self {
            first: Duration::from_secs(5),
            most: Duration::from_secs(600),
            most_urgent: Duration::from_secs(60),
            longest_try: Duration::from_secs(120),
            look_again: Duration::from_secs(1),
            at_a_time: 4,
            urgent_at_a_time: 4,
        }
    }
}

impl WorkerPace {
    fn most(&self, urgent: bool) -> Duration {
        if urgent { self.most_urgent.min(self.most) } else { self.most }
    }

    /// The wait after a try that `earlier` others in a row came before; where the other
    /// side has `asked` for a longer one, that, as far as the longest.
    fn wait(&self, earlier: u32, urgent: bool, asked: Option<Duration>) -> Duration {
        let most = self.most(urgent);
        let own = Backoff::new(self.first, most).after(earlier);
        asked.map_or(own, |asked| asked.clamp(own, most.max(own)))
    }
}

/// From when a message was made until it is given up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GiveUp {
    pub after: Duration,
    /// Where it is of high priority.
    pub urgent_after: Duration,
}

impl GiveUp {
    fn after(self, urgent: bool) -> SignedDuration {
        let after = if urgent { self.urgent_after } else { self.after };
        SignedDuration::try_from(after).unwrap_or(SignedDuration::MAX)
    }
}

/// What a delivery worker works with.
pub struct DeliveryWorker<C, S> {
    /// The kind of address that `by` serves.
    pub kind: plan::Channel,
    pub by: Arc<C>,
    pub source: S,
    pub give_up: GiveUp,
    pub pace: WorkerPace,
    /// The clock.
    pub now: Box<dyn Fn() -> Timestamp + Send + Sync>,
}

impl<C, S> fmt::Debug for DeliveryWorker<C, S> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("DeliveryWorker")
            .field("kind", &self.kind)
            .field("pace", &self.pace)
            .finish_non_exhaustive()
    }
}

/// Sends until `stop`. `tried` takes the result of each try; `wake` changes when
/// messages are added. What is under way at the end is sent again the next time. Once
/// `closing` it begins with no further message, and ends when the result of each that is
/// under way is told.
pub async fn run<C: MessageChannel + 'static, S: MessageSource>(
    worker: DeliveryWorker<C, S>,
    tried: mpsc::Sender<(Tried, Option<GivenUp>)>,
    wake: watch::Receiver<i64>,
    closing: CancellationToken,
    stop: CancellationToken,
) {
    let mut state = WorkerState {
        started: (worker.now)(),
        worker,
        tried,
        queues: HashMap::new(),
        sending: JoinSet::new(),
        under_way: HashMap::new(),
        reported: HashMap::new(),
        may_be_more: true,
        store_fails: false,
    };
    tokio::select! {
        () = stop.cancelled() => {}
        () = async {
            state.work(wake, &closing).await;
            if closing.is_cancelled() {
                return;
            }
            // The engine is gone; `stop` is on its way.
            std::future::pending::<()>().await;
        } => {}
    }
}

/// Everything that a delivery worker remembers.
struct WorkerState<C, S> {
    worker: DeliveryWorker<C, S>,
    started: Timestamp,
    tried: mpsc::Sender<(Tried, Option<GivenUp>)>,
    /// By address; only those of which there is something to remember.
    queues: HashMap<String, AddressQueue>,
    sending: JoinSet<Result<(), Failure>>,
    under_way: HashMap<Id, Arc<DueMessage>>,
    /// Messages whose outcome is not committed yet.
    reported: HashMap<i64, Reported>,
    /// The store may hold more than was taken from it.
    may_be_more: bool,
    store_fails: bool,
}

impl<C: MessageChannel + 'static, S: MessageSource> WorkerState<C, S> {
    /// Ends when the engine is gone, or, once `closing`, when nothing is under way.
    async fn work(&mut self, mut wake: watch::Receiver<i64>, closing: &CancellationToken) {
        let mut again = Instant::now();
        loop {
            if closing.is_cancelled() {
                while let Some(done) = self.sending.join_next_with_id().await {
                    if self.finish(done).await.is_err() {
                        return;
                    }
                }
                return;
            }
            let look = again <= Instant::now()
                || (self.may_be_more && self.room(false) * 2 >= HELD_MOST)
                || self.queues.values().any(AddressQueue::is_dry);
            if look {
                wake.mark_unchanged();
                self.look_up_reported().await;
                self.look().await;
                if self.give_up_overdue().await.is_err() {
                    return;
                }
            } else if self.reported.len() >= REPORTED_LOOK {
                self.look_up_reported().await;
            }
            self.start();
            let next = Instant::now() + self.pause().await;
            again = if look { next } else { next.min(again) };
            tokio::select! {
                biased;
                changed = wake.changed() => {
                    if changed.is_err() {
                        return;
                    }
                    again = Instant::now();
                }
                Some(done) = self.sending.join_next_with_id() => {
                    if self.finish(done).await.is_err() {
                        return;
                    }
                }
                () = closing.cancelled() => {}
                () = tokio::time::sleep_until(again) => {}
            }
        }
    }

    /// Messages of this urgency that may still be taken into memory.
    fn room(&self, urgent: bool) -> usize {
        let healthy = self.queues.values().filter(|queue| !queue.is_in_trouble());
        HELD_MOST.saturating_sub(healthy.map(|queue| queue.held(urgent)).sum())
    }

    /// How long to wait when nothing happens.
    async fn pause(&mut self) -> Duration {
        /// So that a clock that was put back costs no more than this.
        const LONGEST: Duration = Duration::from_secs(30);
        /// The clock and the runtime's time differ by less.
        const MOMENT: Duration = Duration::from_millis(20);
        if !self.reported.is_empty() || !self.under_way.is_empty() || self.may_be_more || self.store_fails {
            return self.worker.pace.look_again;
        }
        let now = Instant::now();
        let opens = self.queues.values().filter_map(|queue| queue.opens(now)).min().map(|at| at - now);
        let kind = self.worker.kind;
        let Some(due) = self.ask(move |source| source.next_due(kind)).await else {
            return self.worker.pace.look_again;
        };
        let due = due.map(|due| {
            // One whose time is past waits for its address, or came this moment.
            match Duration::try_from(due.duration_since((self.worker.now)())) {
                Ok(wait) if !wait.is_zero() => wait,
                _ => opens.unwrap_or(self.worker.pace.look_again),
            }
        });
        opens.into_iter().chain(due).min().unwrap_or(LONGEST).clamp(MOMENT, LONGEST)
    }

    /// Forgets the messages whose outcome is committed.
    async fn look_up_reported(&mut self) {
        if self.reported.is_empty() {
            return;
        }
        let seqs: Vec<i64> = self.reported.keys().copied().collect();
        if let Some(waiting) = self.ask(move |source| source.waiting(&seqs)).await {
            let waiting: HashMap<i64, u32> = waiting.into_iter().collect();
            let now = Instant::now();
            self.reported.retain(|seq, it| {
                waiting.get(seq) == Some(&it.tries) && it.until.is_none_or(|until| now < until)
            });
        }
    }

    /// Takes what is due into memory, the urgent first.
    async fn look(&mut self) {
        self.queues.retain(|_, queue| !queue.is_idle());
        self.queues.values_mut().for_each(|queue| queue.more = false);
        self.may_be_more = false;
        let now = (self.worker.now)();
        // No wait is longer, so what is due later was put off by another clock.
        const MARGIN: Duration = Duration::from_secs(60);
        let longest = SignedDuration::try_from(self.worker.pace.most + MARGIN).unwrap_or(SignedDuration::MAX);
        let far = now.checked_add(longest).unwrap_or(Timestamp::MAX);
        for (urgent, which) in [
            (true, MessageTime::DueBy(now)),
            (true, MessageTime::DueAfter(far)),
            (false, MessageTime::DueBy(now)),
            (false, MessageTime::DueAfter(far)),
        ] {
            // Each look may bring messages of one address only, which is then left out.
            while self.look_for(urgent, which).await {}
        }
    }

    /// Whether it is worth looking once more.
    async fn look_for(&mut self, urgent: bool, which: MessageTime) -> bool {
        let room = self.room(urgent);
        if room == 0 {
            self.may_be_more = true;
            self.queues.values_mut().for_each(|queue| queue.more |= queue.held(urgent) > 0);
            return false;
        }
        let now = Instant::now();
        let troubled = self.queues.values().filter(|queue| queue.is_in_trouble() && queue.held(urgent) > 0);
        let full_of_trouble = troubled.count() >= TROUBLED_MOST;
        let mut closed = Vec::new();
        for (to, queue) in &mut self.queues {
            let full = queue.held(urgent) >= most_held(queue) || (full_of_trouble && queue.is_in_trouble());
            queue.more |= full;
            if full || queue.is_closed(now, urgent) {
                closed.push(to.clone());
            }
        }
        let Some(found) = self.ask_for(urgent, which, closed, room).await else { return false };
        let all = found.len() < room;
        let mut taken = 0;
        for due in found {
            let queue = self.queues.entry(due.message.address.to.clone()).or_default();
            if queue.held(urgent) < most_held(queue) {
                queue.push(due);
                taken += 1;
            } else {
                queue.more = true;
            }
        }
        taken > 0 && !all
    }

    async fn ask_for(
        &mut self,
        urgent: bool,
        which: MessageTime,
        closed: Vec<String>,
        limit: usize,
    ) -> Option<Vec<DueMessage>> {
        let under_way = self.under_way.values().map(|due| due.seq);
        let held = self.queues.values().flat_map(AddressQueue::seqs);
        let known = held.chain(under_way).chain(self.reported.keys().copied()).collect();
        let look = MessageLook { channel: self.worker.kind, which, urgent, closed, known, limit };
        self.ask(move |source| source.wanted(&look)).await
    }

    /// Gives up what is too old, where the address has just failed another message,
    /// or where its turn has not come in all that time. What else is too old gets one
    /// more try first.
    async fn give_up_overdue(&mut self) -> Result<(), EngineGone> {
        let now = (self.worker.now)();
        for urgent in [true, false] {
            let after = self.worker.give_up.after(urgent);
            let Ok(made_by) = now.checked_sub(after) else { continue };
            let Some(found) = self.ask_for(urgent, MessageTime::MadeBy(made_by), Vec::new(), HELD_MOST).await
            else {
                return Ok(());
            };
            let longest = SignedDuration::try_from(self.worker.pace.most).unwrap_or(SignedDuration::MAX);
            let no_turn = |made_at: Timestamp| {
                let from = made_at.max(self.started);
                now.duration_since(from) > after.saturating_add(longest)
            };
            let (mut over, mut full) = (Vec::new(), found.len() == HELD_MOST);
            for due in found {
                let queue = self.queues.get(&due.message.address.to);
                let reason = match queue.filter(|queue| queue.is_in_trouble()) {
                    Some(queue) => queue.reason.clone(),
                    None if no_turn(due.message.made_at) => {
                        "its turn has not come for as long as it is tried".to_owned()
                    }
                    None => {
                        full = false;
                        continue;
                    }
                };
                over.push((due, reason));
            }
            self.may_be_more |= full;
            for (due, reason) in over {
                if self.reported.len() >= REPORTED_MOST {
                    break;
                }
                self.report(&due, Outcome::GivenUp { reason }, now).await?;
            }
        }
        Ok(())
    }

    /// Starts as many tries as there is room for.
    fn start(&mut self) {
        while self.reported.len() + self.under_way.len() < REPORTED_MOST {
            let now = Instant::now();
            let troubled = self.queues.values().filter(|queue| queue.busy && queue.is_in_trouble()).count();
            let next = self
                .queues
                .values_mut()
                .filter_map(|queue| {
                    let first = queue.first()?;
                    let (urgent, in_trouble) = (is_urgent(first), queue.is_in_trouble());
                    // Half of the places are for those that took the last message.
                    let may = urgent || !in_trouble || troubled * 2 < self.worker.pace.at_a_time;
                    let key = (!urgent, in_trouble, first.seq);
                    (may && !queue.is_closed(now, urgent)).then_some((key, queue))
                })
                .min_by_key(|(key, _)| *key);
            let Some(((not_urgent, ..), queue)) = next else { return };
            let places =
                self.worker.pace.at_a_time + if not_urgent { 0 } else { self.worker.pace.urgent_at_a_time };
            if self.under_way.len() >= places {
                return;
            }
            let Some(due) = queue.take() else { return };
            let (by, sent, limit) =
                (Arc::clone(&self.worker.by), Arc::clone(&due), self.worker.pace.longest_try);
            let task = self.sending.spawn(async move {
                match tokio::time::timeout(limit, by.send(&sent.message)).await {
                    Ok(result) => result,
                    Err(_) => Err(Failure::Later(format!("no answer within {} s", limit.as_secs()))),
                }
            });
            self.under_way.insert(task.id(), due);
        }
    }

    /// Notes the result of a try.
    async fn finish(&mut self, done: Result<(Id, Result<(), Failure>), JoinError>) -> Result<(), EngineGone> {
        let (id, result) = match done {
            Ok(done) => done,
            Err(failed) => (failed.id(), Err(Failure::Later(format!("sending it failed: {failed}")))),
        };
        let Some(due) = self.under_way.remove(&id) else { return Ok(()) };
        let now = (self.worker.now)();
        let to = &due.message.address.to;
        let queue = self.queues.entry(to.clone()).or_default();
        queue.busy = false;
        let outcome = match result {
            Ok(()) => {
                if queue.well() {
                    info!(by = self.worker.kind.name(), to, "messages are taken again");
                }
                Outcome::Sent
            }
            Err(Failure::Never(reason)) => Outcome::GivenUp { reason },
            Err(failure) => {
                let asked = match &failure {
                    Failure::Busy { wait, .. } => Some(*wait),
                    Failure::Later(_) | Failure::Never(_) => None,
                };
                let reason = failure.to_string();
                queue.failed(Instant::now(), &self.worker.pace, asked, &reason);
                if queue.is_news(&reason) {
                    warn!(by = self.worker.kind.name(), to, "a message waits and is tried again: {reason}");
                }
                self.later(&due, reason, asked, now)
            }
        };
        self.report(&due, outcome, now).await
    }

    /// The next try, or the end where the time is over. The last try is at the end.
    fn later(&self, due: &DueMessage, reason: String, asked: Option<Duration>, now: Timestamp) -> Outcome {
        let urgent = is_urgent(due);
        let end =
            due.message.made_at.checked_add(self.worker.give_up.after(urgent)).unwrap_or(Timestamp::MAX);
        // The store keeps milliseconds.
        if end.as_millisecond() <= now.as_millisecond() {
            return Outcome::GivenUp { reason };
        }
        let wait = self.worker.pace.wait(due.tries, urgent, asked);
        let wait = SignedDuration::try_from(wait).unwrap_or(SignedDuration::MAX);
        Outcome::Later { next: now.checked_add(wait).unwrap_or(end).min(end), reason }
    }

    /// Tells the engine.
    async fn report(&mut self, due: &DueMessage, outcome: Outcome, at: Timestamp) -> Result<(), EngineGone> {
        let given_up = match &outcome {
            Outcome::GivenUp { reason } => {
                let (message, to) = (due.message.clone(), &due.message.address.to);
                let queue = self.queues.entry(to.clone()).or_default();
                if queue.is_news(&format!("given up: {reason}")) {
                    warn!(by = self.worker.kind.name(), to, "a message is given up: {reason}");
                } else {
                    debug!(by = self.worker.kind.name(), to, key = message.key, "a message is given up");
                }
                let asked = message.clone();
                // Not knowing it, people are rather told twice.
                let reached = self.ask(move |source| source.reached(&asked)).await.unwrap_or(false);
                Some(GivenUp { message, reached_otherwise: reached, reason: reason.clone(), at })
            }
            Outcome::Sent | Outcome::Later { .. } => None,
        };
        let until = match &outcome {
            Outcome::Later { .. } => Some(Instant::now() + self.worker.pace.most),
            Outcome::Sent | Outcome::GivenUp { .. } => None,
        };
        self.reported.insert(due.seq, Reported { tries: due.tries, until });
        self.tried.send((Tried { seq: due.seq, at, outcome }, given_up)).await.map_err(|_| EngineGone)
    }

    /// Asks the store. `None`, said once, where it cannot be read.
    async fn ask<T: Send + 'static>(
        &mut self,
        question: impl FnOnce(&S) -> Result<T, StoreError> + Send + 'static,
    ) -> Option<T> {
        let source = self.worker.source.clone();
        let why = match tokio::task::spawn_blocking(move || question(&source)).await {
            Ok(Ok(found)) => {
                if std::mem::take(&mut self.store_fails) {
                    info!(by = self.worker.kind.name(), "messages to people can be read again");
                }
                return Some(found);
            }
            Ok(Err(why)) => ErrorChain(&why).to_string(),
            Err(why) => why.to_string(),
        };
        if !std::mem::replace(&mut self.store_fails, true) {
            error!(
                by = self.worker.kind.name(),
                "messages to people cannot be read from the database: {why}"
            );
        }
        None
    }
}

/// How many messages may be held for an address.
fn most_held(queue: &AddressQueue) -> usize {
    if queue.is_in_trouble() { 1 } else { HELD_EACH }
}

/// A message whose outcome the engine was told.
struct Reported {
    /// How often it had been tried before.
    tries: u32,
    /// From when it may be tried again in any case: it was not taken, and the store may
    /// have had no reason to note that.
    until: Option<Instant>,
}

/// The engine is gone: the daemon stops.
struct EngineGone;

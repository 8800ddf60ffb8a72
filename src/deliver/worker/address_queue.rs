//! One address: what waits for it in memory, and how it has answered.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use tokio::time::Instant;

use super::WorkerPace;
use crate::alarms::Priority;
use crate::store::DueMessage;

/// One address.
#[derive(Debug, Default)]
pub(super) struct AddressQueue {
    /// The urgent first, then in the order in which they were made.
    queue: VecDeque<Arc<DueMessage>>,
    /// A message is on its way to it.
    pub(super) busy: bool,
    /// Tries in a row that came to nothing.
    failures: u32,
    /// It is left alone until then.
    until: Option<Instant>,
    /// The same for what is urgent; not later.
    until_urgent: Option<Instant>,
    /// Why the last try came to nothing.
    pub(super) reason: String,
    /// The store holds more for it than was taken.
    pub(super) more: bool,
    /// What was last said of it in the log.
    said: Option<String>,
}

pub(super) fn is_urgent(message: &DueMessage) -> bool {
    message.message.priority == Priority::High
}

impl AddressQueue {
    /// How many messages of this urgency wait here.
    pub(super) fn held(&self, urgent: bool) -> usize {
        self.queue.iter().filter(|due| is_urgent(due) == urgent).count()
    }

    /// Whether more should be fetched for it.
    pub(super) fn is_dry(&self) -> bool {
        self.more && self.queue.is_empty() && !self.is_in_trouble()
    }

    /// The numbers of those that wait here.
    pub(super) fn seqs(&self) -> impl Iterator<Item = i64> {
        self.queue.iter().map(|due| due.seq)
    }

    /// Whether it is left alone for now.
    pub(super) fn is_closed(&self, now: Instant, urgent: bool) -> bool {
        let until = if urgent { self.until_urgent } else { self.until };
        until.is_some_and(|until| now < until)
    }

    /// When it is no more left alone.
    pub(super) fn opens(&self, now: Instant) -> Option<Instant> {
        [self.until_urgent, self.until].into_iter().flatten().find(|until| now < *until)
    }

    /// Whether the last try came to nothing.
    pub(super) fn is_in_trouble(&self) -> bool {
        self.failures > 0
    }

    /// Whether nothing need be remembered of it.
    pub(super) fn is_idle(&self) -> bool {
        !self.busy && self.queue.is_empty() && self.failures == 0 && self.said.is_none()
    }

    pub(super) fn push(&mut self, due: DueMessage) {
        let key = |due: &DueMessage| (!is_urgent(due), due.seq);
        let place = self.queue.partition_point(|waiting| key(waiting) < key(&due));
        self.queue.insert(place, Arc::new(due));
    }

    /// The next to send.
    pub(super) fn first(&self) -> Option<&Arc<DueMessage>> {
        self.queue.front().filter(|_| !self.busy)
    }

    pub(super) fn take(&mut self) -> Option<Arc<DueMessage>> {
        self.first()?;
        self.busy = true;
        self.queue.pop_front()
    }

    /// It took a message. Returns whether the log said before that it takes none.
    pub(super) fn well(&mut self) -> bool {
        (self.failures, self.until, self.until_urgent) = (0, None, None);
        self.said.take().is_some()
    }

    /// It did not answer as it should. What waits for it goes back into the store.
    pub(super) fn failed(&mut self, now: Instant, pace: &WorkerPace, asked: Option<Duration>, reason: &str) {
        self.queue.clear();
        reason.clone_into(&mut self.reason);
        let until = now + pace.wait(self.failures, false, asked);
        let urgent = now + pace.wait(self.failures, true, asked);
        self.until = Some(until);
        self.until_urgent = Some(urgent.min(until));
        self.failures = self.failures.saturating_add(1);
    }

    /// Whether this has not just been said of it. Numbers in it make no difference: an
    /// answer may count.
    pub(super) fn is_news(&mut self, what: &str) -> bool {
        let what: String = what.chars().filter(|c| !c.is_ascii_digit()).collect();
        if self.said.as_ref() == Some(&what) {
            return false;
        }
        self.said = Some(what);
        true
    }
}

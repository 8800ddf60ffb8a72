//! What the parts of the daemon may know of each other.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use jiff::Timestamp;

use crate::engine::forward_troubles::ForwardTroubles;
use crate::engine::health;
use crate::garden::system::health::SystemHealth;
use crate::intake::BrokerContact;
use crate::model::Id;
use crate::store::Salvaged;
use crate::text::spoken;

/// A write that has taken so long is told as one that hangs, seconds. Another program
/// may hold the file for five.
const HANGS_S: i64 = 30;

/// A write that has taken so long keeps the page from being asked of the engine, seconds.
const NOT_KEPT_S: i64 = 3;

/// What others may know of the engine without asking it.
#[derive(Debug, Default)]
pub struct DaemonHealth {
    pub store_failing: AtomicBool,
    pub broker: Arc<BrokerContact>,
    /// Why, in words.
    pub store_reason: Mutex<String>,
    /// Stored alarms that could not be understood and were set aside at the start.
    pub set_aside: Mutex<Vec<String>>,
    /// The record was damaged at the start: what was carried over of it.
    pub salvaged: Mutex<Option<Salvaged>>,
    pub pulse: Heartbeat,
    pub store_watch: health::StoreWatch,
    pub forwarding: Arc<ForwardTroubles>,
    /// How the daemon does when nothing is the matter, where that has changed since its start.
    pub well: Mutex<Option<String>>,
    /// The last look at the daemon itself.
    pub look: Mutex<Option<SystemHealth>>,
    pub counts: IntakeCounts,
}

/// What has come in since the daemon was started.
#[derive(Debug, Default)]
pub struct IntakeCounts {
    pub stored: AtomicU64,
    /// Readings that were stored already.
    pub repeated: AtomicU64,
    /// Readings of a time that has another value.
    pub conflicting: AtomicU64,
    /// Readings of days of which only daily figures are kept.
    pub summarised: AtomicU64,
    /// Readings that came too late to be judged.
    pub late: AtomicU64,
    /// Messages that could not be read.
    pub refused: AtomicU64,
    /// Messages over a sensor's limit.
    pub over_limit: AtomicU64,
}

impl DaemonHealth {
    /// Since when nothing could be kept; `None` where the store is written.
    pub fn not_kept_since(&self) -> Option<Timestamp> {
        let (since, until) = self.store_watch.writing_until()?;
        let long = until.as_second() - since.as_second() >= NOT_KEPT_S;
        (long || self.store_failing.load(Ordering::Relaxed)).then_some(since)
    }

    /// What is the matter.
    pub fn faults(&self) -> Vec<HealthFault> {
        let mut faults = Vec::new();
        if self.store_failing.load(Ordering::Relaxed) {
            let reason = self.store_reason.lock().unwrap_or_else(PoisonError::into_inner).clone();
            let reason = if reason.is_empty() { String::new() } else { format!(" ({reason})") };
            let words = format!("The store cannot be written; readings wait at the broker{reason}.");
            faults.push(HealthFault::of_all(words));
        } else if self
            .store_watch
            .writing_until()
            .is_some_and(|(since, until)| until.as_second() - since.as_second() >= HANGS_S)
        {
            faults.push(HealthFault::of_all("A write to the store does not come back; the disk may hang."));
        }
        for alarm in &*self.set_aside.lock().unwrap_or_else(PoisonError::into_inner) {
            faults.push(HealthFault {
                words: format!(
                    "The stored alarm {alarm} could not be understood and was set aside; look there yourself."
                ),
                // "dry-bed/kitchen-bed at saltbush-gully".
                garden: alarm.rsplit_once(" at ").map(|(_, site)| Id::new(site)),
                more: None,
            });
        }
        if let Some(it) = &*self.salvaged.lock().unwrap_or_else(PoisonError::into_inner) {
            let readings = it.readings;
            let aside = it.aside.display();
            faults.push(HealthFault::of_all(format!(
                "The record was damaged when Trug started. {readings} readings were carried over; the damaged file \
                 is {aside}. Put a backup back with trug restore, or keep what was saved. The disk may be failing: \
                 look at it."
            )));
        }
        let look = self.look.lock().unwrap_or_else(PoisonError::into_inner);
        let (dropped, queues) =
            look.as_ref().map_or((None, None), |look| (look.dropped.as_ref(), look.queues.as_ref()));
        for it in dropped.into_iter().flatten() {
            let (count, what) = (it.count, it.what.words());
            faults.push(HealthFault::of_all(format!(
                "More waited than is kept, so Trug has dropped {what}: {count} until now, the last at {}.",
                it.last
            )));
        }
        if let Some((record, limits)) = look.as_ref().and_then(|look| Some((look.record?, look.limits)))
            && record.is_large(&limits)
        {
            faults.push(HealthFault::of_all(format!(
                "The record takes {} of the disk, and record_mb plans {} for it.",
                spoken::bytes(record.bytes),
                spoken::bytes(limits.record_bytes.unwrap_or_default())
            )));
        }
        for it in queues.into_iter().flatten().filter(|it| it.refused > 0) {
            faults.push(HealthFault {
                words: format!(
                    "The server {} has refused {} readings; see trug forward",
                    it.name, it.refused
                ),
                garden: None,
                // The server's words may name what was sent.
                more: Some(format!(": {}", it.refused_why)),
            });
        }
        drop(look);
        if self.broker.is_away() {
            faults.push(HealthFault::of_all("The broker cannot be reached, so no readings come in."));
        }
        faults
    }
}

/// Something that is the matter with the daemon.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HealthFault {
    /// A plain sentence.
    pub words: String,
    /// The garden that it names; `None`: it names none.
    pub garden: Option<Id>,
    /// What follows the sentence for who sees every garden: it may name any.
    pub more: Option<String>,
}

impl HealthFault {
    /// One that names no garden.
    pub fn of_all(words: impl Into<String>) -> Self {
        Self { words: words.into(), ..Self::default() }
    }

    /// The whole of it.
    pub fn whole(&self) -> String {
        format!("{}{}", self.words, self.more.as_deref().unwrap_or_default())
    }
}

/// Counts the engine's rounds.
#[derive(Debug, Default)]
pub struct Heartbeat(AtomicU64);

impl Heartbeat {
    /// The engine has gone round.
    pub fn beat(&self) {
        self.0.fetch_add(1, Ordering::Relaxed);
    }

    /// Rounds until now.
    pub fn rounds(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
}

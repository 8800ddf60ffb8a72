//! Measures what the daemon's alarms about itself are judged by.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use tracing::warn;

use crate::alarms::Priority;
use crate::engine::error_chain::ErrorChain;
use crate::engine::forward_troubles::ForwardTroubles;
use crate::garden::StoreAlarms;
use crate::garden::plan::{Address, Garden};
use crate::garden::system::health::{
    Clocks, DiskHealth, Growth, MessageHealth, NotSent, QueueHealth, RecordHealth, SystemHealth,
};
use crate::model::Id;
use crate::settings::Watching;
use crate::store::{Reader, StoreError, record_bytes};
use crate::telling::Message;

/// How long a message that was given up keeps its group from counting as reached.
const UNREACHED: SignedDuration = SignedDuration::from_hours(24);

/// The computer's clocks, the wall clock as `wall` gave it.
pub fn clocks(wall: Timestamp) -> Clocks {
    #[cfg(any(target_os = "linux", target_os = "android"))]
    const SINCE_BOOT: rustix::time::ClockId = rustix::time::ClockId::Boottime;
    // Elsewhere a sleep looks like a jump of the wall clock.
    #[cfg(not(any(target_os = "linux", target_os = "android")))]
    const SINCE_BOOT: rustix::time::ClockId = rustix::time::ClockId::Monotonic;
    let boot = rustix::time::clock_gettime(SINCE_BOOT);
    Clocks { wall, since_boot: Duration::try_from(boot).unwrap_or_default() }
}

/// What engine and [`direct`](crate::commands::daemon::direct) know of each other's doing.
#[derive(Debug, Default)]
pub struct StoreWatch(Mutex<StoreWatchState>);

#[derive(Debug, Default)]
struct StoreWatchState {
    /// Since when a write goes on that has kept nothing yet. Its length is told by a
    /// clock that nobody sets, so that a jump of the other one is no failing disk.
    writing: Option<(Timestamp, Instant)>,
    /// The alarms about the record as they stood before it.
    alarms: StoreAlarms,
    /// Occurrences that are told past the store. Bounded by [`CLAIMS_MAX`].
    claims: Vec<DirectClaim>,
    /// Messages that could not be sent past the store.
    back: Vec<Message>,
    /// Those that could, and when.
    sent: Vec<(Message, Timestamp)>,
}

/// One telling of one occurrence to one address.
#[derive(Clone, Debug, PartialEq, Eq)]
struct DirectClaim {
    site: Id,
    who: String,
    address: Address,
    since: Timestamp,
}

/// Claims that are remembered; the oldest go first. Each is needed until its alarm
/// is committed, which is the first thing that is.
const CLAIMS_MAX: usize = 20_000;

impl StoreWatch {
    fn known(&self) -> std::sync::MutexGuard<'_, StoreWatchState> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A write begins.
    pub fn writing(&self, since: Timestamp) {
        self.known().writing = Some((since, Instant::now()));
    }

    /// The write has been kept.
    pub fn written(&self) {
        self.known().writing = None;
    }

    /// Since when a write goes on that has kept nothing yet.
    pub fn writing_since(&self) -> Option<Timestamp> {
        self.known().writing.map(|(since, _)| since)
    }

    /// The same, with the time that it is now if no clock was set meanwhile.
    pub fn writing_until(&self) -> Option<(Timestamp, Timestamp)> {
        self.known().writing.map(|(since, began)| (since, after(since, began.elapsed())))
    }

    /// The alarms about the record, to tell of them while the core waits for the disk.
    pub fn stand(&self, alarms: StoreAlarms) {
        self.known().alarms = alarms;
    }

    /// The alarms about the record as they stood at the last look.
    pub fn alarms(&self) -> StoreAlarms {
        self.known().alarms.clone()
    }

    /// Takes a message for telling past the store, if the record still fails since
    /// `since` and the message was not taken before.
    pub fn claim(&self, message: &Message, since: Timestamp) -> bool {
        let mut known = self.known();
        let claim = claim(message, since);
        if known.writing.is_none_or(|(writing, _)| writing != since) || known.claims.contains(&claim) {
            return false;
        }
        if known.claims.len() == CLAIMS_MAX {
            known.claims.remove(0);
        }
        known.claims.push(claim);
        true
    }

    /// Returns a message to the engine that could not be sent past the store: it goes the usual way.
    pub fn give_back(&self, message: Message, since: Timestamp) {
        let mut known = self.known();
        let claim = claim(&message, since);
        known.claims.retain(|it| *it != claim);
        known.back.push(message);
    }

    /// Notes that a message was sent past the store.
    pub fn sent(&self, message: Message, at: Timestamp) {
        self.known().sent.push((message, at));
    }

    /// Whether there is something to keep of what was told past the store.
    pub fn has_news(&self) -> bool {
        let known = self.known();
        !known.back.is_empty() || !known.sent.is_empty()
    }

    /// Takes out of `messages` what was or is being told past the store, and adds
    /// what was given back; `sent` gets what was sent.
    pub fn sort(&self, messages: &mut Vec<Message>, sent: &mut Vec<(Message, Timestamp)>) {
        let mut known = self.known();
        if !known.claims.is_empty() {
            messages.retain_mut(|message| {
                let Message { site, who, address, items, .. } = message;
                let before = items.len();
                items.retain(|item| {
                    item.key.kind != crate::alarms::Kind::StoreFailing
                        || item.state != crate::alarms::State::Unacknowledged
                        || !known.claims.iter().any(|claim| {
                            claim.since == item.since
                                && claim.site == *site
                                && claim.who == *who
                                && claim.address == *address
                        })
                });
                items.len() == before || !items.is_empty()
            });
        }
        messages.append(&mut known.back);
        sent.append(&mut known.sent);
    }
}

/// `at` moved on.
fn after(at: Timestamp, by: Duration) -> Timestamp {
    let by = SignedDuration::try_from(by).unwrap_or(SignedDuration::MAX);
    at.saturating_add(by).unwrap_or(at)
}

fn claim(message: &Message, since: Timestamp) -> DirectClaim {
    DirectClaim {
        site: message.site.clone(),
        who: message.who.clone(),
        address: message.address.clone(),
        since,
    }
}

/// Looks every now and then, until `stop`, and hands each look to the engine. A
/// keeper that has not taken the last look yet misses one.
pub async fn run(
    watching: Watching,
    gardens: Vec<(Id, String)>,
    reader: Reader,
    forwarding: Arc<ForwardTroubles>,
    looks: mpsc::Sender<SystemHealth>,
    now: fn() -> Timestamp,
    stop: CancellationToken,
) {
    let mut measuring =
        HealthProbe { watching, gardens: Arc::new(gardens), reader, forwarding, growth: Growth::default() };
    loop {
        // A disk that hangs holds up this task and nothing else.
        let looked = tokio::task::spawn_blocking(move || {
            let health = measuring.look(now());
            (measuring, health)
        });
        let (back, health) = tokio::select! {
            looked = looked => match looked {
                Ok(looked) => looked,
                Err(error) => {
                    warn!(%error, "the daemon cannot look at itself any more");
                    stop.cancelled().await;
                    return;
                }
            },
            () = stop.cancelled() => return,
        };
        measuring = back;
        let _ = looks.try_send(health);
        tokio::select! {
            () = tokio::time::sleep(watching.every) => {}
            () = stop.cancelled() => return,
        }
    }
}

struct HealthProbe {
    watching: Watching,
    gardens: Arc<Vec<(Id, String)>>,
    reader: Reader,
    forwarding: Arc<ForwardTroubles>,
    growth: Growth,
}

impl HealthProbe {
    /// What cannot be measured is left out: it changes no alarm.
    fn look(&mut self, now: Timestamp) -> SystemHealth {
        let queues = self
            .queues()
            .inspect_err(
                |reason| warn!(reason = %ErrorChain(reason), "the forward queue could not be measured"),
            )
            .ok();
        let messages = self
            .reader
            .unreached(now.saturating_sub(UNREACHED).unwrap_or(now))
            .inspect_err(
                |reason| warn!(reason = %ErrorChain(reason), "messages given up could not be counted"),
            )
            .ok()
            .map(|mut unreached| {
                if unreached.is_empty() {
                    return MessageHealth::Reached;
                }
                let others = unreached.len() - 1;
                let priority = unreached.iter().map(|it| it.priority).max().unwrap_or(Priority::Medium);
                let newest = unreached.swap_remove(0);
                let garden = self.gardens.iter().find(|(id, _)| id.as_str() == newest.site);
                MessageHealth::NotSent(NotSent {
                    garden: garden.map_or(newest.site, |(_, name)| name.clone()),
                    who: newest.who,
                    channel: newest.channel,
                    reason: newest.reason,
                    at: newest.at,
                    priority,
                    others,
                })
            });
        let dropped = self
            .reader
            .dropped_since(now.saturating_sub(UNREACHED).unwrap_or(now))
            .inspect_err(
                |reason| warn!(reason = %ErrorChain(reason), "what was dropped could not be counted"),
            )
            .ok();
        let path = self.reader.path().to_owned();
        let disk = self
            .disk(&path, clocks(now).since_boot)
            .inspect_err(|error| {
                warn!(%error, path = %path.display(), "the disk of the store could not be measured");
            })
            .ok();
        let record = self
            .reader
            .unused_bytes()
            .inspect_err(|reason| warn!(reason = %ErrorChain(reason), "the record could not be measured"))
            .ok()
            .map(|unused_bytes| RecordHealth {
                bytes: record_bytes(&path),
                unused_bytes,
                grown_bytes_a_day: disk.and_then(|disk| disk.grown_bytes_a_day),
            });
        let limits = self.watching.limits;
        SystemHealth { limits, queues, disk, record, messages, dropped, ..SystemHealth::default() }
    }

    /// What waits for each forwarder, what it waits for and what was refused.
    fn queues(&self) -> Result<Vec<QueueHealth>, StoreError> {
        let mut queues = self.reader.forwarding()?;
        for queue in &mut queues {
            queue.waits_for = self.forwarding.of(&queue.name);
        }
        Ok(queues)
    }

    fn disk(&mut self, store: &Path, at: Duration) -> std::io::Result<DiskHealth> {
        let folder = store
            .parent()
            .filter(|it| !it.as_os_str().is_empty())
            .map_or_else(|| PathBuf::from("."), Path::to_path_buf);
        let found = rustix::fs::statvfs(&folder)?;
        let bytes = std::fs::metadata(store)?.len();
        Ok(DiskHealth {
            free_bytes: found.f_bavail.saturating_mul(found.f_frsize),
            total_bytes: found.f_blocks.saturating_mul(found.f_frsize),
            grown_bytes_a_day: self.growth.take(at, bytes),
        })
    }
}

/// The gardens' ids and names.
pub fn names(gardens: &[Garden]) -> Vec<(Id, String)> {
    gardens.iter().map(|it| (it.site.id.clone(), it.site.name.clone())).collect()
}

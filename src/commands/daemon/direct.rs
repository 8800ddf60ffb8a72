//! Tells that the record cannot be written, past the record.
//!
//! Everything else that people are told goes through the outbox, which is a part of
//! the record. While it cannot be written, the engine waits for the disk with what it
//! has, and this task, which needs neither, tells the groups that `store-failing`
//! concerns and publishes the alarm's state. What it says is what the engine will
//! commit when it can (`StoreAlarms`), message keys included; what it has told or is
//! about to tell it claims, and the engine then leaves those messages out
//! (`StoreWatch`). What it could not send it gives back, and it goes the usual way.
//!
//! A write that hangs and one that is refused are the same here: the engine notes
//! when a write begins, and this task sees that it does not end.
//!
//! What it has told is in its memory alone: a daemon that is started again while the
//! record still fails tells of it once more.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::Semaphore;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use crate::alarms::Kind;
use crate::deliver::channel::{Failure, MessageChannel};
use crate::deliver::mqtt_now::publish_now;
use crate::engine::daemon_health::DaemonHealth;
use crate::engine::publication;
use crate::garden::plan::Garden;
use crate::garden::record::AlarmChange;
use crate::model::Id;
use crate::settings::Broker;
use crate::telling::{Message, Notifier, NotifierOutput};

/// Between two looks at whether a write goes on for too long.
const LOOK: Duration = Duration::from_secs(1);
/// Between two tries of one message, and of the publishing.
const AGAIN: Duration = Duration::from_secs(30);
/// How long one try may take.
const LONGEST_TRY: Duration = Duration::from_secs(60);
/// Messages that are sent at a time.
const AT_A_TIME: usize = 8;

/// What the task works with.
pub struct Direct<C> {
    pub channels: Arc<C>,
    pub broker: Broker,
    pub daemon_health: Arc<DaemonHealth>,
    pub now: fn() -> Timestamp,
}

/// Looks until `stop`.
pub async fn run<C: MessageChannel + 'static>(direct: Direct<C>, stop: CancellationToken) {
    let places = Arc::new(Semaphore::new(AT_A_TIME));
    let mut tasks = JoinSet::new();
    // The occurrence that is being told, and the gardens that have been seen to.
    let mut seen: (Option<Timestamp>, BTreeSet<Id>) = (None, BTreeSet::new());
    loop {
        tokio::select! {
            () = tokio::time::sleep(LOOK) => {}
            // What is under way ends with us: nothing of it was committed.
            () = stop.cancelled() => return,
        }
        while tasks.try_join_next().is_some() {}
        let Some((since, now)) = direct.daemon_health.store_watch.writing_until() else { continue };
        if now.as_second() <= since.as_second() {
            continue;
        }
        if seen.0 != Some(since) {
            seen = (Some(since), BTreeSet::new());
        }
        let alarms = direct.daemon_health.store_watch.alarms();
        let mut changes = alarms.failing(since, now);
        changes.retain(|change| seen.1.insert(change.record.key.site.clone()));
        if changes.is_empty() {
            continue;
        }
        warn!(%since, gardens = changes.len(), "the store cannot be written; people are told past it");
        for message in messages(&alarms.gardens(), &changes, now) {
            if !direct.daemon_health.store_watch.claim(&message, since) {
                continue;
            }
            let now = direct.now;
            let (channels, daemon_health, places) =
                (Arc::clone(&direct.channels), Arc::clone(&direct.daemon_health), Arc::clone(&places));
            tasks.spawn(async move {
                if send(&*channels, &daemon_health, &places, &message, since).await {
                    daemon_health.store_watch.sent(message, now());
                } else {
                    daemon_health.store_watch.give_back(message, since);
                }
            });
        }
        let (broker, daemon_health) = (direct.broker.clone(), Arc::clone(&direct.daemon_health));
        let letters: Vec<_> = changes.iter().map(publication::letter).collect();
        tasks.spawn(async move {
            while daemon_health.store_watch.writing_since() == Some(since) {
                match publish_now(&broker, &letters, LONGEST_TRY).await {
                    Ok(()) => return,
                    Err(reason) => warn!(reason, "the failing store could not be published"),
                }
                tokio::time::sleep(AGAIN).await;
            }
        });
    }
}

/// The messages of these steps, as they will be made when the steps are committed.
fn messages(gardens: &[Arc<Garden>], changes: &[AlarmChange], now: Timestamp) -> Vec<Message> {
    let (mut telling, mut told) = (Notifier::new(gardens), NotifierOutput::default());
    telling.take(changes, now, &mut told);
    let stands = |key: &crate::alarms::AlarmKey| {
        changes.iter().find(|change| change.record.key == *key).map(|change| change.record.clone())
    };
    telling.tick(now, &stands, &mut told);
    told.messages.retain(|it| it.items.iter().all(|item| item.key.kind == Kind::StoreFailing));
    told.messages
}

/// Sends a message, trying again as long as the store fails. `false` where it was not
/// taken.
async fn send(
    channels: &impl MessageChannel,
    daemon_health: &DaemonHealth,
    places: &Semaphore,
    message: &Message,
    since: Timestamp,
) -> bool {
    let by = message.address.channel;
    loop {
        let outcome = {
            let Ok(_place) = places.acquire().await else { return false };
            tokio::time::timeout(LONGEST_TRY, channels.send(message)).await
        };
        let reason = match outcome {
            Ok(Ok(())) => {
                info!(who = message.who, by = by.name(), "told past the store that it fails");
                return true;
            }
            Ok(Err(Failure::Never(reason))) => {
                warn!(who = message.who, by = by.name(), "this address takes nothing: {reason}");
                return false;
            }
            Ok(Err(failure)) => failure.to_string(),
            Err(_) => format!("no answer within {} s", LONGEST_TRY.as_secs()),
        };
        warn!(who = message.who, by = by.name(), "a message is tried again: {reason}");
        tokio::time::sleep(AGAIN).await;
        if daemon_health.store_watch.writing_since() != Some(since) {
            return false;
        }
    }
}

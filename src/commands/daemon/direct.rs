//! Tells that the record cannot be written, past the record.
//!
//! Everything else that people are told goes through the outbox, which is a part of
//! the record. While it cannot be written, the keeper waits for the disk with what it
//! has, and this task, which needs neither, tells the groups that `store-failing`
//! concerns and publishes the alarm's state. What it says is what the keeper will
//! commit when it can (`StoreAlarms`), message keys included; what it has told or is
//! about to tell it claims, and the keeper then leaves those messages out
//! (`own::Shared`). What it could not send it gives back, and it goes the usual way.
//!
//! A write that hangs and one that is refused are the same here: the keeper notes
//! when a write begins, and this task sees that it does not end.
//!
//! What it has told is in its memory alone: a daemon that is started again while the
//! record still fails tells of it once more.

use std::collections::{BTreeMap, BTreeSet};
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::Semaphore;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use crate::alarms::Kind;
use crate::deliver::channel::{Channel, Failure};
use crate::deliver::mqtt_now::publish_now;
use crate::engine::publication;
use crate::engine::signs::Signs;
use crate::garden::plan;
use crate::garden::plan::Garden;
use crate::garden::record::AlarmChange;
use crate::model::Id;
use crate::settings::Broker;
use crate::telling::{Message, Telling, Told};

/// Between two looks at whether a write goes on for too long.
const LOOK: Duration = Duration::from_secs(1);
/// Between two tries of one message, and of the publishing.
const AGAIN: Duration = Duration::from_secs(30);
/// How long one try may take.
const LONGEST_TRY: Duration = Duration::from_secs(60);
/// Messages that are sent at a time.
const AT_A_TIME: usize = 8;

type Sending = Pin<Box<dyn Future<Output = Result<(), Failure>> + Send>>;

/// The ways by which people are told, by channel.
#[derive(Clone, Default)]
pub struct Ways(BTreeMap<plan::Channel, Arc<dyn Fn(Message) -> Sending + Send + Sync>>);

impl Ways {
    /// Adds the way of a channel.
    pub fn add<C: Channel + 'static>(&mut self, kind: plan::Channel, by: Arc<C>) {
        let send = move |message: Message| -> Sending {
            let by = Arc::clone(&by);
            Box::pin(async move { by.send(&message).await })
        };
        self.0.insert(kind, Arc::new(send));
    }
}

/// What the task works with.
pub struct Direct {
    pub ways: Ways,
    pub broker: Broker,
    pub signs: Arc<Signs>,
    pub now: fn() -> Timestamp,
}

/// Looks until `stop`.
pub async fn run(direct: Direct, stop: CancellationToken) {
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
        let Some((since, now)) = direct.signs.own.writing_until() else { continue };
        if now.as_second() <= since.as_second() {
            continue;
        }
        if seen.0 != Some(since) {
            seen = (Some(since), BTreeSet::new());
        }
        let alarms = direct.signs.own.alarms();
        let mut changes = alarms.failing(since, now);
        changes.retain(|change| seen.1.insert(change.key.site.clone()));
        if changes.is_empty() {
            continue;
        }
        warn!(%since, gardens = changes.len(), "the store cannot be written; people are told past it");
        for message in messages(&alarms.gardens(), &changes, now) {
            if !direct.signs.own.claim(&message, since) {
                continue;
            }
            let now = direct.now;
            let (ways, signs, places) = (direct.ways.clone(), Arc::clone(&direct.signs), Arc::clone(&places));
            tasks.spawn(async move {
                if send(&ways, &signs, &places, &message, since).await {
                    signs.own.sent(message, now());
                } else {
                    signs.own.give_back(message, since);
                }
            });
        }
        let (broker, signs) = (direct.broker.clone(), Arc::clone(&direct.signs));
        let letters: Vec<_> = changes.iter().map(publication::letter).collect();
        tasks.spawn(async move {
            while signs.own.writing_since() == Some(since) {
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
    let (mut telling, mut told) = (Telling::new(gardens), Told::default());
    telling.take(changes, now, &mut told);
    let stands = |key: &crate::alarms::AlarmKey| {
        changes.iter().find(|change| change.key == *key).map(|change| crate::alarms::AlarmSnapshot {
            state: change.to,
            since: change.since,
            text: change.text.clone(),
            source: change.source.to_string(),
        })
    };
    telling.tick(now, &stands, &mut told);
    told.messages.retain(|it| it.items.iter().all(|item| item.key.kind == Kind::StoreFailing));
    told.messages
}

/// Sends a message, trying again as long as the store fails. `false` where it was not
/// taken.
async fn send(ways: &Ways, signs: &Signs, places: &Semaphore, message: &Message, since: Timestamp) -> bool {
    let by = message.address.channel;
    let Some(way) = ways.0.get(&by) else { return false };
    loop {
        let outcome = {
            let Ok(_place) = places.acquire().await else { return false };
            tokio::time::timeout(LONGEST_TRY, way(message.clone())).await
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
        if signs.own.writing_since() != Some(since) {
            return false;
        }
    }
}

//! Alarms out over MQTT: retained, QoS 1, from the outbox, at least once.
//!
//! Letters are published in the order in which they were committed and leave
//! the outbox when the broker has acknowledged them. After any error client and
//! event loop are built again and the letters that were not acknowledged are sent
//! again; a retained state told twice is still one state.
//!
//! Once no letter waits after a connection, every alarm that stands is published again,
//! and what others left on the alarms' topics is overwritten (`alarm_topics`). Both are
//! read from the store when no letter waits, and go out before the next letters are
//! read: so the last message on a topic is always the newest.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};

use rumqttc::Outgoing;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PubAckReason, Publish, SubscribeReasonCode};
use rumqttc::v5::{AsyncClient, Event, EventLoop};
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;
use tracing::{debug, error, warn};

use super::alarm_topics::{AlarmTopics, FILTERS_AT_ONCE, Retained, all_standing, not_ours};
use crate::garden::plan::Garden;
use crate::intake::{Backoff, IN_FLIGHT, connection_options};
use crate::settings::Broker;
use crate::store::{QueuedPublication, Reader, StoreError};

/// A letter longer than this is not sent: a broker may end the session for it.
const LETTER_MAX: usize = 64 * 1024;
/// How long to look at an empty outbox without being woken.
const LOOK_AGAIN: Duration = Duration::from_secs(5);

/// Publishes until `stop`. `sent` takes the number of each letter that the
/// broker has; `wake` changes when there are new ones. `acknowledged`: the last letter that the
/// broker has of an earlier run, and then of this one.
pub async fn run(
    broker: Broker,
    gardens: Arc<[Garden]>,
    reader: Reader,
    sent: mpsc::Sender<i64>,
    mut wake: watch::Receiver<i64>,
    acknowledged: Arc<AtomicI64>,
    stop: CancellationToken,
) {
    let mut backoff = Backoff::of_broker();
    let client_id = format!("{}-letters", broker.client_id);
    let mut topics = AlarmTopics::new(gardens);
    loop {
        let outcome = match connection_options(&broker, &client_id, true) {
            Ok(options) => {
                let subscribes = topics.filters().len().div_ceil(FILTERS_AT_ONCE);
                let (client, events) = AsyncClient::new(options, usize::from(IN_FLIGHT) * 2 + subscribes);
                topics.begin();
                let session = PublisherSession {
                    client,
                    reader: &reader,
                    sent: &sent,
                    acknowledged: &acknowledged,
                    topics: &mut topics,
                    again: VecDeque::new(),
                    stated: false,
                };
                // Polling has a task to itself, so that it is never left half-way.
                let (happened, happenings) = mpsc::channel(usize::from(IN_FLIGHT) * 4);
                let polling = tokio::spawn(poll(events, happened));
                let outcome = tokio::select! {
                    outcome = session.run(happenings, &mut wake, &mut backoff) => Some(outcome),
                    () = stop.cancelled() => None,
                };
                polling.abort();
                match outcome {
                    Some(outcome) => outcome,
                    None => return,
                }
            }
            Err(reason) => Err(reason),
        };
        let Err(reason) = outcome else { return };
        debug!(%reason, "letters wait in the outbox until the broker is there");
        tokio::select! {
            () = tokio::time::sleep(backoff.next()) => {}
            () = stop.cancelled() => return,
        }
    }
}

/// What the event loop says that matters here.
enum SessionEvent {
    Connected,
    /// A letter got this packet id and is on its way.
    Out(u16),
    /// The broker has the letter of this packet id, or why not.
    Taken(u16, PubAckReason),
    /// Something stands on an alarm's topic.
    Seen(Box<Publish>),
    /// The broker lets nobody read the alarms' topics.
    NotSeen,
    Over(String),
}

async fn poll(mut events: EventLoop, happened: mpsc::Sender<SessionEvent>) {
    loop {
        let happening = match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => SessionEvent::Connected,
            Ok(Event::Outgoing(Outgoing::Publish(packet))) => SessionEvent::Out(packet),
            Ok(Event::Incoming(Packet::PubAck(ack))) => SessionEvent::Taken(ack.pkid, ack.reason),
            Ok(Event::Incoming(Packet::Publish(publish))) => SessionEvent::Seen(Box::new(publish)),
            Ok(Event::Incoming(Packet::SubAck(ack)))
                if ack.return_codes.iter().any(|code| !matches!(code, SubscribeReasonCode::Success(_))) =>
            {
                SessionEvent::NotSeen
            }
            Ok(Event::Incoming(Packet::Disconnect(told))) => {
                SessionEvent::Over(format!("the broker ended the session: {:?}", told.reason_code))
            }
            Ok(Event::Incoming(_) | Event::Outgoing(_)) => continue,
            Err(error) => SessionEvent::Over(error.to_string()),
        };
        let over = matches!(happening, SessionEvent::Over(_));
        if happened.send(happening).await.is_err() || over {
            return;
        }
    }
}

/// What is between the outbox and the broker: letters by their number, and, without one, what
/// is published again.
struct LettersUnderway {
    /// The last letter that was read from the outbox.
    read_to: i64,
    /// What was handed to the client.
    handed: VecDeque<Option<i64>>,
    /// What is on its way, with its packet id.
    on_the_way: VecDeque<(u16, Option<i64>)>,
}

impl LettersUnderway {
    fn after(acknowledged: i64) -> Self {
        Self { read_to: acknowledged, handed: VecDeque::new(), on_the_way: VecDeque::new() }
    }

    /// How much more may be handed to the client.
    fn room(&self) -> usize {
        usize::from(IN_FLIGHT).saturating_sub(self.handed.len() + self.on_the_way.len())
    }

    /// The client has sent the next as a packet.
    fn sent(&mut self, packet: u16) {
        if let Some(seq) = self.handed.pop_front() {
            self.on_the_way.push_back((packet, seq));
        }
    }

    /// The broker has taken a packet; `None` where it is none of these.
    fn taken(&mut self, packet: u16) -> Option<Option<i64>> {
        let place = self.on_the_way.iter().position(|(id, _)| *id == packet)?;
        self.on_the_way.remove(place).map(|(_, letter)| letter)
    }

    /// The last letter that may be passed over when the session is built again: nothing
    /// older is on its way.
    fn acknowledged(&self) -> i64 {
        let on_its_way = self.on_the_way.iter().find_map(|(_, letter)| *letter);
        let first = on_its_way.or_else(|| self.handed.iter().find_map(|letter| *letter));
        first.map_or(self.read_to, |first| first - 1)
    }
}

struct PublisherSession<'a> {
    client: AsyncClient,
    reader: &'a Reader,
    sent: &'a mpsc::Sender<i64>,
    /// The last letter that the broker has acknowledged.
    acknowledged: &'a AtomicI64,
    topics: &'a mut AlarmTopics,
    /// To be published before the next letters are read.
    again: VecDeque<Retained>,
    /// Whether what stands was published again in this session.
    stated: bool,
}

impl PublisherSession<'_> {
    async fn run(
        mut self,
        mut happenings: mpsc::Receiver<SessionEvent>,
        wake: &mut watch::Receiver<i64>,
        backoff: &mut Backoff,
    ) -> Result<(), String> {
        let mut under_way = LettersUnderway::after(self.acknowledged.load(Ordering::Relaxed));
        let mut connected = false;
        loop {
            let room = under_way.room();
            if connected && room > 0 && self.again.is_empty() {
                self.publish_letters(&mut under_way, room).await?;
            }
            if connected {
                self.publish_again(&mut under_way)?;
            }
            let happening = tokio::select! {
                happening = happenings.recv() => happening.ok_or("the session's task ended")?,
                changed = wake.changed(), if connected && room > 0 => {
                    if changed.is_err() { return Ok(()) }
                    continue;
                }
                () = tokio::time::sleep(LOOK_AGAIN), if connected && room > 0 => continue,
            };
            match happening {
                SessionEvent::Connected => {
                    self.subscribe()?;
                    connected = true;
                }
                SessionEvent::Seen(publish) => self.topics.see(&publish.topic, &publish.payload),
                SessionEvent::NotSeen => warn!(
                    "the broker lets trug not read trug/SITE/alarm/#, so what others write there is not overwritten"
                ),
                SessionEvent::Out(packet) => under_way.sent(packet),
                SessionEvent::Taken(_, reason)
                    if !matches!(reason, PubAckReason::Success | PubAckReason::NoMatchingSubscribers) =>
                {
                    warn!(?reason, "the broker refused an alarm; look at its access rules for trug/#");
                    return Err(format!("the broker refused an alarm: {reason:?}"));
                }
                SessionEvent::Taken(packet, _) => {
                    let Some(letter) = under_way.taken(packet) else { continue };
                    backoff.reset();
                    let Some(seq) = letter else { continue };
                    self.done(seq).await?;
                    self.acknowledged.store(under_way.acknowledged(), Ordering::Relaxed);
                }
                SessionEvent::Over(reason) => return Err(reason),
            }
        }
    }

    /// Hands the next letters to the client. Where none waits, it is looked what is to be
    /// published again.
    async fn publish_letters(&mut self, under_way: &mut LettersUnderway, room: usize) -> Result<(), String> {
        let letters = self.letters(under_way.read_to, room).await?;
        if letters.is_empty() {
            self.look_at_topics().await?;
        }
        for QueuedPublication { seq, letter } in letters {
            under_way.read_to = seq;
            if letter.payload.len() > LETTER_MAX {
                error!(
                    topic = letter.topic,
                    bytes = letter.payload.len(),
                    "a letter is too long to send; dropped"
                );
                self.done(seq).await?;
                continue;
            }
            self.client
                .try_publish(letter.topic, QoS::AtLeastOnce, true, letter.payload)
                .map_err(|e| format!("publishing: {e}"))?;
            under_way.handed.push_back(Some(seq));
        }
        Ok(())
    }

    /// Hands to the client what is to be published again, as far as there is room.
    fn publish_again(&mut self, under_way: &mut LettersUnderway) -> Result<(), String> {
        while under_way.room() > 0
            && let Some((topic, payload)) = self.again.pop_front()
        {
            self.client
                .try_publish(topic, QoS::AtLeastOnce, true, payload)
                .map_err(|e| format!("publishing again: {e}"))?;
            under_way.handed.push_back(None);
        }
        Ok(())
    }

    /// Asks for what others write on the alarms' topics.
    fn subscribe(&self) -> Result<(), String> {
        for filters in self.topics.filters().chunks(FILTERS_AT_ONCE) {
            self.client
                .try_subscribe_many(filters.iter().cloned())
                .map_err(|e| format!("subscribing to the alarms' topics: {e}"))?;
        }
        Ok(())
    }

    /// Finds what is to be published again: once in a session all that stands, and what
    /// others wrote meanwhile.
    async fn look_at_topics(&mut self) -> Result<(), String> {
        let gardens = self.topics.gardens();
        if !self.stated {
            let standing = self.read(move |reader| all_standing(reader, &gardens)).await?;
            self.again.extend(standing);
            self.stated = true;
            return Ok(());
        }
        let seen = self.topics.take(Instant::now());
        if seen.is_empty() {
            return Ok(());
        }
        let instead = self.read(move |reader| not_ours(reader, &gardens, seen)).await?;
        self.topics.overwrite(&instead, Instant::now());
        self.again.extend(instead);
        Ok(())
    }

    async fn letters(&self, after: i64, limit: usize) -> Result<Vec<QueuedPublication>, String> {
        self.read(move |reader| reader.letters(after, u32::try_from(limit).unwrap_or(u32::MAX))).await
    }

    async fn read<T: Send + 'static>(
        &self,
        read: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, String> {
        let reader = self.reader.clone();
        tokio::task::spawn_blocking(move || read(&reader))
            .await
            .map_err(|e| format!("reading the outbox: {e}"))?
            .map_err(|e| format!("reading the outbox: {e}"))
    }

    async fn done(&self, seq: i64) -> Result<(), String> {
        self.sent.send(seq).await.map_err(|_| "the store has stopped".to_owned())
    }
}

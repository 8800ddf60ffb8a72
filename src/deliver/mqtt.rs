//! Alarms out over MQTT: retained, QoS 1, from the outbox, at least once.
//!
//! Letters are published in the order in which they were committed and leave
//! the outbox when the broker has acknowledged them. After any error client and
//! event loop are built again and the letters that were not acknowledged are sent
//! again; a retained state told twice is still one state.

use std::collections::VecDeque;
use std::time::Duration;

use rumqttc::Outgoing;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PubAckReason};
use rumqttc::v5::{AsyncClient, Event, EventLoop};
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;
use tracing::{debug, error, warn};

use crate::intake::{Backoff, IN_FLIGHT, connection_options};
use crate::settings::Broker;
use crate::store::{QueuedPublication, Reader};

const BACKOFF_FIRST: Duration = Duration::from_millis(500);
const BACKOFF_LONGEST: Duration = Duration::from_secs(30);
/// A letter longer than this is not sent: a broker may end the session for it.
const LETTER_MAX: usize = 64 * 1024;
/// How long to look at an empty outbox without being woken.
const LOOK_AGAIN: Duration = Duration::from_secs(5);

/// Publishes until `stop`. `sent` takes the number of each letter that the
/// broker has; `wake` changes when there are new ones.
pub async fn run(
    broker: Broker,
    reader: Reader,
    sent: mpsc::Sender<i64>,
    mut wake: watch::Receiver<i64>,
    stop: CancellationToken,
) {
    let mut backoff = Backoff::new(BACKOFF_FIRST, BACKOFF_LONGEST);
    let mut acknowledged = 0;
    let client_id = format!("{}-letters", broker.client_id);
    loop {
        let outcome = match connection_options(&broker, &client_id, true) {
            Ok(options) => {
                let (client, events) = AsyncClient::new(options, usize::from(IN_FLIGHT) * 2);
                let session = PublisherSession {
                    client,
                    reader: &reader,
                    sent: &sent,
                    acknowledged: &mut acknowledged,
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
    Over(String),
}

async fn poll(mut events: EventLoop, happened: mpsc::Sender<SessionEvent>) {
    loop {
        let happening = match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => SessionEvent::Connected,
            Ok(Event::Outgoing(Outgoing::Publish(packet))) => SessionEvent::Out(packet),
            Ok(Event::Incoming(Packet::PubAck(ack))) => SessionEvent::Taken(ack.pkid, ack.reason),
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

struct PublisherSession<'a> {
    client: AsyncClient,
    reader: &'a Reader,
    sent: &'a mpsc::Sender<i64>,
    /// The last letter that the broker has acknowledged.
    acknowledged: &'a mut i64,
}

impl PublisherSession<'_> {
    async fn run(
        self,
        mut happenings: mpsc::Receiver<SessionEvent>,
        wake: &mut watch::Receiver<i64>,
        backoff: &mut Backoff,
    ) -> Result<(), String> {
        // Letters handed to the client, then those on their way with their packet id.
        let mut handed: VecDeque<i64> = VecDeque::new();
        let mut on_the_way: VecDeque<(u16, i64)> = VecDeque::new();
        let mut read_to = *self.acknowledged;
        let mut connected = false;
        loop {
            let room = usize::from(IN_FLIGHT).saturating_sub(handed.len() + on_the_way.len());
            if connected && room > 0 {
                let letters = self.letters(read_to, room).await?;
                for QueuedPublication { seq, letter } in letters {
                    read_to = seq;
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
                    handed.push_back(seq);
                }
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
                    connected = true;
                }
                SessionEvent::Out(packet) => {
                    if let Some(seq) = handed.pop_front() {
                        on_the_way.push_back((packet, seq));
                    }
                }
                SessionEvent::Taken(_, reason)
                    if !matches!(reason, PubAckReason::Success | PubAckReason::NoMatchingSubscribers) =>
                {
                    warn!(?reason, "the broker refused an alarm; look at its access rules for trug/#");
                    return Err(format!("the broker refused an alarm: {reason:?}"));
                }
                SessionEvent::Taken(taken, _) => {
                    if let Some(place) = on_the_way.iter().position(|(packet, _)| *packet == taken)
                        && let Some((_, seq)) = on_the_way.remove(place)
                    {
                        self.done(seq).await?;
                        backoff.reset();
                        // Only what has nothing older on its way may be passed over
                        // when the session is built again.
                        *self.acknowledged = on_the_way
                            .front()
                            .map(|(_, first)| first - 1)
                            .or(handed.front().map(|first| first - 1))
                            .unwrap_or(read_to);
                    }
                }
                SessionEvent::Over(reason) => return Err(reason),
            }
        }
    }

    async fn letters(&self, after: i64, limit: usize) -> Result<Vec<QueuedPublication>, String> {
        let reader = self.reader.clone();
        tokio::task::spawn_blocking(move || reader.letters(after, u32::try_from(limit).unwrap_or(u32::MAX)))
            .await
            .map_err(|e| format!("reading the outbox: {e}"))?
            .map_err(|e| format!("reading the outbox: {e}"))
    }

    async fn done(&self, seq: i64) -> Result<(), String> {
        self.sent.send(seq).await.map_err(|_| "the store has stopped".to_owned())
    }
}

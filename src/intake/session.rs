//! The MQTT session through which readings come in.
//!
//! Messages are taken at QoS 1 in a kept session and acknowledged only when
//! their batch is committed. A broker that keeps to `receive_maximum` sends no
//! more than that ahead of our acknowledgements. One that does not (Mosquitto
//! 2.0.11, to a resumed session) fills the bounded channel; then we read no
//! further, and TCP holds it back.
//!
//! `rumqttc` needs guarding, and this is where it is done:
//!
//! - it reconnects at once and for ever: we wait, with jitter, after each error;
//! - after a reconnect its event loop can mix the old session's deliveries with
//!   the new one's: on any error client and loop are dropped and built again, and
//!   acknowledgements of the old session go nowhere;
//! - awaiting `ack` in the task that polls can deadlock: only `try_ack` is used,
//!   on a request queue that holds as many as a session can have on the way;
//! - a packet above its limit would come again for ever: the limit is told to
//!   the broker, which then drops such packets;
//! - a refused subscription is an event, not an error: it is looked at;
//! - a session that another program took over may end without a word (Mosquitto before
//!   2.0.15 sends no reason code 0x8E): it is known by its repetition;
//! - it does not keep what of a resumed session was received before: `window` does;
//! - `poll` has a task to itself and is never cancelled half-way except when
//!   everything is dropped.

use std::fmt;
use std::io;
use std::sync::Arc;
use std::time::{Duration, Instant};

use bytes::Bytes;
use jiff::Timestamp;
use rumqttc::v5::mqttbytes::v5::{
    ConnectProperties, ConnectReturnCode, DisconnectReasonCode, LastWill, Packet, Publish, SubAck,
    SubscribeReasonCode,
};
use rumqttc::v5::mqttbytes::{Error as PacketError, QoS};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions, StateError};
use rumqttc::{NetworkOptions, Outgoing, TlsConfiguration, Transport};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, watch};
use tokio_util::sync::CancellationToken;
use tracing::{debug, error, info, warn};

use super::backoff::Backoff;
use super::contact::BrokerContact;
pub use super::following::{Listening, Presence};
use super::following::{SessionOver, follow, give_up, say, subscribe};
use super::session_filters::SessionFilters;
use super::takeover::{SessionEnd, Takeover, TakeoverWatch};
use super::tls::client_config;
use super::window::SessionWindow;
use crate::garden::system::health::BrokerFault;
use crate::settings::Broker;
use crate::store::ReceivedPacket;

/// Acknowledgements that can wait to go out: a session has no more packet
/// identifiers (MQTT 5.0, section 2.2.1), so the queue is never full of them.
/// `receive_maximum` would be the bound if brokers kept to it: Mosquitto 2.0.11
/// was seen with 30,000 messages on the way to a resumed session that had asked
/// for 100. One that is dropped leaves its message unacknowledged until the next
/// connect, when it comes long after its time. The queue takes memory only for
/// what is in it.
const ACKS_MAX: usize = 65_535;
/// Time between two questions to the broker how far it has come, at least.
const ASK_EVERY: Duration = Duration::from_secs(1);
/// A filter that nobody subscribes to: a broker answers when it is given back, after all that
/// it was sent before.
const NO_TOPIC: &str = "trug/none";
/// A session that has brought so many new messages goes well, also where the line is cut before
/// its subscriptions are granted.
const GOES_WELL: u32 = 100;
/// Bytes of messages that may wait for their batch: as much as two thousand packets of the
/// usual length, and twice the longest packet that can be set.
pub const WAITING_BYTES_MAX: usize = 32 * 1024 * 1024;
/// Messages that wait for their batch, from which on the next ones are read together, and how
/// long they gather: less than a batch waits for its messages (the engine's `LINGER`).
const GATHER_FROM: usize = 32;
const GATHER: Duration = Duration::from_millis(1);
/// The event loop reads so many messages at once, at most; after fewer there was no more to read.
const READ_TOGETHER: usize = 9;
/// What a message takes beside its topic and payload, bytes.
const MESSAGE_BYTES: usize = 256;

/// A message that waits for its batch to be committed.
#[derive(Debug)]
pub struct Delivery {
    topic: Bytes,
    payload: Bytes,
    retained: bool,
    /// Given back when the message is dropped.
    _room: OwnedSemaphorePermit,
    session: Arc<AsyncClient>,
    /// By what it is known where it comes again; `None` at QoS 0.
    packet: Option<ReceivedPacket>,
    repeat: bool,
    pub arrival: Timestamp,
}

impl Delivery {
    /// The topic's bytes.
    pub fn topic(&self) -> &[u8] {
        &self.topic
    }

    /// The payload's bytes.
    pub fn payload(&self) -> &[u8] {
        &self.payload
    }

    /// Whether the broker had kept it from before.
    pub fn retained(&self) -> bool {
        self.retained
    }

    /// By what it is known where it comes again; `None` at QoS 0, which never does.
    pub fn packet(&self) -> Option<ReceivedPacket> {
        self.packet
    }

    /// Whether it is one that was handed on before: there is nothing new in it, and it only
    /// waits to be acknowledged.
    pub fn is_repeat(&self) -> bool {
        self.repeat
    }

    /// Bytes that it takes.
    pub fn bytes(&self) -> usize {
        bytes(&self.topic, &self.payload)
    }

    /// Tells the broker that the message is stored. After a reconnect this goes
    /// nowhere, and the broker sends the message again.
    pub fn acknowledge(self) {
        let Some(packet) = self.packet else { return };
        // What its acknowledgement is made of.
        let publish = Publish {
            dup: false,
            qos: QoS::AtLeastOnce,
            retain: self.retained,
            topic: Bytes::new(),
            pkid: packet.packet,
            payload: Bytes::new(),
            properties: None,
        };
        if self.session.try_ack(&publish).is_err() {
            debug!("an acknowledgement had no session to go to; the message will come again");
        }
    }
}

/// Runs until `stop`: connects, subscribes, hands messages on. Never gives up. `kept`:
/// messages that were stored before the daemon was started and that the broker may send again.
///
/// It follows what `listening` says. Where only topics change the session goes on: it
/// subscribes to those that are new before it gives up those of before. Else it connects
/// again, to the session that the broker keeps, which has what was not acknowledged. Of what
/// that session has from before, `filters` knows what to give up.
pub async fn run(
    mut listening: watch::Receiver<Listening>,
    filters: SessionFilters,
    kept: Vec<ReceivedPacket>,
    messages: mpsc::Sender<Delivery>,
    now: fn() -> Timestamp,
    contact: Arc<BrokerContact>,
    stop: CancellationToken,
) {
    let mut intake = LastingIntake {
        filters,
        messages,
        now,
        contact,
        backoff: Backoff::of_broker(),
        takeovers: TakeoverWatch::new(),
        room: Arc::new(Semaphore::new(WAITING_BYTES_MAX)),
        window: SessionWindow::new(kept),
    };
    loop {
        let current = listening.borrow_and_update().clone();
        let fault = match intake.listen(&current, &mut listening, &stop).await {
            Ok(SessionOver::Stopped) => return,
            Ok(SessionOver::Changed) => {
                info!("the way to the broker has changed; connecting again");
                continue;
            }
            Err(fault) => fault,
        };
        let wait = intake.note_lost(&current.broker, fault);
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            // Another way is tried at once.
            Ok(()) = listening.changed() => {}
            () = stop.cancelled() => return,
        }
    }
}

/// What lasts from one connection to the next.
struct LastingIntake {
    filters: SessionFilters,
    messages: mpsc::Sender<Delivery>,
    now: fn() -> Timestamp,
    contact: Arc<BrokerContact>,
    backoff: Backoff,
    takeovers: TakeoverWatch,
    /// For messages that wait for their batch.
    room: Arc<Semaphore>,
    window: SessionWindow,
}

impl LastingIntake {
    /// Connects and listens until the session ends, another is asked for, or `stop`.
    async fn listen(
        &mut self,
        current: &Listening,
        listening: &mut watch::Receiver<Listening>,
        stop: &CancellationToken,
    ) -> Result<SessionOver, SessionFault> {
        let Listening { broker, presence } = current;
        let mut options = connection_options(broker, &broker.client_id, false)?;
        let mut will = LastWill::new(presence.will_topic.clone(), "offline", QoS::AtLeastOnce, true, None);
        will.properties = None;
        options.set_last_will(will);
        let unwanted = self.filters.unwanted(&broker.topics);
        self.filters.note(&broker.topics);
        let topics = broker.topics.len() + unwanted.len();
        let cap = ACKS_MAX + presence.status_topics.len() + topics + 1024;
        let (client, events) = AsyncClient::new(options, cap);
        let session = Arc::new(client);
        let mut session_at_work = ListeningSession {
            listening: listening.clone(),
            unwanted,
            messages: &self.messages,
            now: self.now,
            contact: &self.contact,
            room: &self.room,
            backoff: &mut self.backoff,
            session: Arc::clone(&session),
            events,
            window: &mut self.window,
            agreed: false,
            granted: None,
            asked: None,
            brought: 0,
            bunch: 0,
            drained: false,
            dropped_qos0: 0,
        };
        // The event loop is polled to the end: only when everything is dropped is a poll
        // left half-way.
        tokio::select! {
            outcome = session_at_work.run() => outcome.map(|()| SessionOver::Stopped),
            over = follow(&session, &self.filters, current.clone(), listening, stop) => Ok(over),
        }
    }

    /// Notes that the broker is lost and says so. Returns how long to wait for the next try.
    fn note_lost(&mut self, broker: &Broker, fault: SessionFault) -> Duration {
        let SessionFault { fault, reason, end } = fault;
        let (now, address) = ((self.now)(), BrokerAddress(broker));
        let takeover = self.takeovers.judge(end, Instant::now());
        let wait = takeover.map_or_else(|| self.backoff.next(), |it| it.wait());
        // Never less than a warning: readings come to the one or the other.
        if let Some(takeover) = takeover {
            let reason = takeover.words(&broker.client_id, &reason);
            self.contact.lost(now, fault, reason.clone());
            match takeover {
                Takeover::Said { .. } => {
                    error!(broker = %address, %reason, ?wait, "two programs use one client id");
                }
                Takeover::Likely { .. } => {
                    error!(broker = %address, %reason, ?wait, "it seems that two programs use one client id");
                }
            }
        } else if self.contact.lost(now, fault, reason.clone()) {
            warn!(broker = %address, %reason, "cannot listen to the broker; trying again until it is there");
        } else {
            debug!(broker = %address, %reason, ?wait, "the broker is still not there");
        }
        wait
    }
}

/// Said where a broker answered the first packet with what MQTT 5 does not have, or by closing
/// the connection: one that knows older MQTT alone does either.
const OLDER_BROKER: &str =
    "; it did so before it agreed to MQTT 5, as a broker does that speaks only older MQTT";

/// Why a session ended or never stood.
struct SessionFault {
    fault: BrokerFault,
    reason: String,
    end: SessionEnd,
}

impl SessionFault {
    fn refused(reason: String) -> Self {
        Self { fault: BrokerFault::Refused, reason, end: SessionEnd::Other }
    }

    /// The end of a session whose subscriptions were granted at `granted`. `agreed`: the broker
    /// had accepted the connection.
    fn ended(error: ConnectionError, agreed: bool, granted: Option<Instant>) -> Self {
        if let ConnectionError::MqttState(StateError::ServerDisconnect {
            reason_code: DisconnectReasonCode::SessionTakenOver,
            ..
        }) = error
        {
            return Self { end: SessionEnd::TakenOver, ..Self::refused(error.to_string()) };
        }
        let closed = is_closed_by_broker(&error);
        let unread = matches!(
            error,
            ConnectionError::MqttState(StateError::Deserialization(ref fault)) if !matches!(fault, PacketError::Io(_))
        );
        let mut fault = Self::from(error);
        if !agreed && (closed || unread) {
            fault.reason += OLDER_BROKER;
        }
        if let Some(granted) = granted.filter(|_| closed) {
            fault.end = SessionEnd::Closed { stood: granted.elapsed() };
        }
        fault
    }
}

/// Whether the broker closed the connection, and said nothing.
fn is_closed_by_broker(error: &ConnectionError) -> bool {
    let error = match error {
        ConnectionError::MqttState(StateError::ConnectionAborted) => return true,
        ConnectionError::Io(error)
        | ConnectionError::MqttState(
            StateError::Io(error) | StateError::Deserialization(PacketError::Io(error)),
        ) => error,
        _ => return false,
    };
    // With TLS a close without its notice is an unexpected end.
    matches!(
        error.kind(),
        io::ErrorKind::ConnectionReset
            | io::ErrorKind::ConnectionAborted
            | io::ErrorKind::BrokenPipe
            | io::ErrorKind::UnexpectedEof
    )
}

impl From<String> for SessionFault {
    fn from(reason: String) -> Self {
        Self { fault: BrokerFault::Unreachable, reason, end: SessionEnd::Other }
    }
}

impl From<ConnectionError> for SessionFault {
    fn from(error: ConnectionError) -> Self {
        match error {
            ConnectionError::ConnectionRefused(
                ConnectReturnCode::RefusedProtocolVersion | ConnectReturnCode::UnsupportedProtocolVersion,
            ) => Self::refused(
                "the broker does not speak MQTT 5, and Trug speaks no older MQTT; use one that does"
                    .to_owned(),
            ),
            ConnectionError::ConnectionRefused(code) => {
                Self::refused(format!("the broker refused the connection: {code:?}"))
            }
            other => other.to_string().into(),
        }
    }
}

/// One connection, from connect to its first error.
struct ListeningSession<'a> {
    listening: watch::Receiver<Listening>,
    /// Topics that a kept session may have from before and that nobody wants any more.
    unwanted: Vec<String>,
    messages: &'a mpsc::Sender<Delivery>,
    now: fn() -> Timestamp,
    contact: &'a BrokerContact,
    /// Bytes that may still wait.
    room: &'a Arc<Semaphore>,
    backoff: &'a mut Backoff,
    session: Arc<AsyncClient>,
    events: EventLoop,
    /// What may come again.
    window: &'a mut SessionWindow,
    /// Whether the broker has accepted the connection.
    agreed: bool,
    /// When the subscriptions were granted.
    granted: Option<Instant>,
    /// When the broker was last asked how far it has come.
    asked: Option<Instant>,
    /// New messages.
    brought: u32,
    /// Messages of what was read last that have been handed on.
    bunch: usize,
    /// All that the broker has sent so far has been handed on.
    drained: bool,
    dropped_qos0: u64,
}

impl ListeningSession<'_> {
    /// Ends with `Ok` when nobody takes the messages any more.
    async fn run(&mut self) -> Result<(), SessionFault> {
        loop {
            self.let_gather().await;
            let event = self
                .events
                .poll()
                .await
                .map_err(|error| SessionFault::ended(error, self.agreed, self.granted))?;
            match event {
                Event::Incoming(Packet::Publish(publish)) => {
                    self.bunch += 1;
                    if self.events.state.events.is_empty() {
                        self.drained = std::mem::take(&mut self.bunch) < READ_TOGETHER;
                    }
                    if !self.hand_on(publish).await {
                        return Ok(());
                    }
                }
                Event::Incoming(Packet::ConnAck(ack)) => {
                    let listening = self.listening.borrow().clone();
                    info!(
                        broker = %BrokerAddress(&listening.broker),
                        kept_session = ack.session_present,
                        "listening to the broker"
                    );
                    self.agreed = true;
                    self.window.connected(ack.session_present);
                    self.contact.confirmed(self.window.confirmed());
                    subscribe(&listening.broker.topics.iter().collect::<Vec<_>>(), &self.session)?;
                    if ack.session_present {
                        give_up(&self.unwanted, &self.session)?;
                    }
                    say(&self.session, &listening.presence, "online")?;
                }
                Event::Incoming(Packet::SubAck(ack)) => {
                    look_at(&ack, &self.listening.borrow().broker).map_err(SessionFault::refused)?;
                    // Only now do readings come: a refusal is tried again ever more slowly.
                    self.contact.found((self.now)());
                    self.granted.get_or_insert_with(Instant::now);
                    self.backoff.reset();
                }
                Event::Incoming(Packet::Disconnect(told)) => {
                    return Err(format!("the broker ended the session: {:?}", told.reason_code).into());
                }
                Event::Outgoing(Outgoing::PubAck(packet)) => {
                    self.window.acknowledged(packet);
                    self.ask();
                }
                Event::Outgoing(Outgoing::PingReq) => self.window.asked(true),
                Event::Outgoing(Outgoing::Unsubscribe(_)) => self.window.asked(false),
                Event::Incoming(Packet::PingResp(_) | Packet::UnsubAck(_)) => {
                    self.window.answered();
                    self.contact.confirmed(self.window.confirmed());
                }
                Event::Incoming(_) | Event::Outgoing(_) => {}
            }
        }
    }

    /// Where messages wait for their batch anyway and the broker has sent no more for now,
    /// those that come next are read together: each look at the connection costs as much as
    /// a message or two.
    async fn let_gather(&mut self) {
        let waiting = self.messages.max_capacity() - self.messages.capacity();
        if std::mem::take(&mut self.drained) && waiting >= GATHER_FROM {
            tokio::time::sleep(GATHER).await;
        }
    }

    /// Asks the broker for an answer, which says that it has processed what was sent before.
    /// Where it is not asked now it is with the next acknowledgement or ping.
    fn ask(&mut self) {
        let now = Instant::now();
        let due = self.asked.is_none_or(|asked| now.duration_since(asked) >= ASK_EVERY);
        if due && self.window.wants_answer() {
            self.asked = Some(now);
            if self.session.try_unsubscribe(NO_TOPIC).is_err() {
                debug!("the broker could not be asked how far it has come");
            }
        }
    }

    /// `false` when nobody takes it. What waits is bounded in number and in bytes; a broker
    /// that sends more waits here.
    async fn hand_on(&mut self, publish: Publish) -> bool {
        let qos0 = publish.qos == QoS::AtMostOnce;
        // One longer than all the room could never have it.
        let bytes =
            u32::try_from(bytes(&publish.topic, &publish.payload).min(WAITING_BYTES_MAX)).unwrap_or(u32::MAX);
        let arrival = (self.now)();
        self.contact.heard(arrival);
        let room = match Arc::clone(self.room).try_acquire_many_owned(bytes) {
            Ok(room) => room,
            Err(_) if qos0 => {
                self.drop_qos0();
                return true;
            }
            Err(_) => match Arc::clone(self.room).acquire_many_owned(bytes).await {
                Ok(room) => room,
                Err(_) => return false,
            },
        };
        let placed =
            (!qos0).then(|| self.window.take(publish.pkid, publish.dup, &publish.topic, &publish.payload));
        self.contact.confirmed(self.window.confirmed());
        let repeat = placed.is_some_and(|placed| placed.repeat);
        if repeat {
            self.contact.repeated();
        } else {
            self.brought = self.brought.saturating_add(1);
            if self.brought == GOES_WELL {
                self.backoff.reset();
            }
        }
        let packet = placed.map(|placed| placed.packet);
        let session = Arc::clone(&self.session);
        let Publish { topic, payload, retain: retained, .. } = publish;
        let delivery = Delivery { topic, payload, retained, _room: room, session, packet, repeat, arrival };
        match self.messages.try_send(delivery) {
            Ok(()) => true,
            Err(mpsc::error::TrySendError::Full(_)) if qos0 => {
                self.drop_qos0();
                true
            }
            Err(mpsc::error::TrySendError::Full(delivery)) => self.messages.send(delivery).await.is_ok(),
            Err(mpsc::error::TrySendError::Closed(_)) => false,
        }
    }

    /// QoS 0 has no back-pressure; what does not fit is lost, as its sender has chosen.
    fn drop_qos0(&mut self) {
        self.dropped_qos0 += 1;
        if self.dropped_qos0.is_power_of_two() {
            warn!(
                dropped = self.dropped_qos0,
                "messages sent at QoS 0 came faster than they could be stored and were lost; send readings at QoS 1"
            );
        }
    }
}

fn bytes(topic: &[u8], payload: &[u8]) -> usize {
    topic.len() + payload.len() + MESSAGE_BYTES
}

fn look_at(ack: &SubAck, broker: &Broker) -> Result<(), String> {
    let refused: Vec<&SubscribeReasonCode> =
        ack.return_codes.iter().filter(|code| !matches!(code, SubscribeReasonCode::Success(_))).collect();
    if refused.is_empty() {
        return Ok(());
    }
    error!(
        ?refused,
        topics = ?broker.topics,
        "the broker refused a subscription; look at its access rules for this user"
    );
    Err("the broker refused a subscription".to_owned())
}

/// Host and port, for the log.
struct BrokerAddress<'a>(&'a Broker);

impl fmt::Display for BrokerAddress<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.0.host, self.0.port)
    }
}

/// Connection options. `clean`: nothing of an earlier session is kept.
pub(crate) fn connection_options(
    broker: &Broker,
    client_id: &str,
    clean: bool,
) -> Result<MqttOptions, String> {
    let mut options = MqttOptions::new(client_id, broker.host.clone(), broker.port);
    options.set_keep_alive(broker.keep_alive);
    options.set_clean_start(clean);
    options.set_manual_acks(true);
    // Without this the event loop takes 14 MB for packets in flight.
    options.set_outgoing_inflight_upper_limit(IN_FLIGHT);
    // What is sent goes at once. Acknowledgements of readings may wait for each other.
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(clean);
    options.set_network_options(network);
    let mut properties = ConnectProperties::new();
    properties.session_expiry_interval = Some(if clean { 0 } else { broker.session_expiry_s });
    properties.receive_maximum = Some(broker.receive_maximum);
    properties.max_packet_size = Some(broker.max_packet_bytes);
    options.set_connect_properties(properties);
    if let Some(username) = &broker.username {
        options.set_credentials(
            username.clone(),
            broker.password.as_ref().map_or("", |p| p.reveal()).to_owned(),
        );
    }
    if broker.tls {
        options.set_transport(Transport::Tls(TlsConfiguration::Rustls(Arc::new(client_config(
            broker.ca_file.as_deref(),
            broker.identity.as_ref(),
        )?))));
    }
    Ok(options)
}

/// Outgoing messages that may wait for their acknowledgement.
pub(crate) const IN_FLIGHT: u16 = 50;

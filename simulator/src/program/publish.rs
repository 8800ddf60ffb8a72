//! Publishing in order, each message until the broker has acknowledged it.
//!
//! The client is rebuilt after every error: a reconnecting one forgets what was
//! in flight when the broker has no session of it. What was not acknowledged is
//! sent again, in its old order, before anything new. A message may so arrive
//! twice, never too late for one that follows it on the same topic.

use std::collections::VecDeque;
use std::time::Duration;

use anyhow::bail;
use rumqttc::Outgoing;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PubAckReason};
use rumqttc::v5::{AsyncClient, Event};
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep_until};

use super::broker::{Backoff, Broker, PACKET_MAX};

/// A message and when it is due, counted from the beginning.
pub(crate) struct Timed {
    pub(crate) due: Duration,
    pub(crate) topic: String,
    pub(crate) payload: Vec<u8>,
}

/// What became of them.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Sent {
    /// Handed to the broker, each counted once.
    pub(crate) messages: u64,
    pub(crate) acknowledged: u64,
    /// Acknowledged with a refusal.
    pub(crate) refused: u64,
    /// Sent once more after a connection was lost.
    pub(crate) again: u64,
    pub(crate) connections: u64,
    /// From the first message to the last acknowledgement.
    pub(crate) took: Duration,
}

struct InFlight {
    topic: String,
    payload: Vec<u8>,
    /// Set once the client has sent it on the present connection.
    packet: Option<u16>,
    acknowledged: bool,
}

/// What is on the way, oldest first. The first `given` messages are with the
/// present connection's client, and the first `out` of those have gone out.
#[derive(Default)]
struct Flight {
    messages: VecDeque<InFlight>,
    given: usize,
    out: usize,
    sent: Sent,
}

impl Flight {
    /// A new connection: everything that is not acknowledged is to go again.
    fn begin(&mut self) {
        self.messages.retain(|m| !m.acknowledged);
        for message in &mut self.messages {
            self.sent.again += u64::from(message.packet.take().is_some());
        }
        self.given = 0;
        self.out = 0;
        self.sent.connections += 1;
    }

    fn add(&mut self, message: Timed) {
        self.sent.messages += 1;
        self.messages.push_back(InFlight {
            topic: message.topic,
            payload: message.payload,
            packet: None,
            acknowledged: false,
        });
    }

    /// Hands over what the client does not have; its queue has room for all of it.
    fn give(&mut self, client: &AsyncClient) {
        while let Some(next) = self.messages.get(self.given) {
            let (topic, payload) = (next.topic.clone(), next.payload.clone());
            if client.try_publish(topic, QoS::AtLeastOnce, false, payload).is_err() {
                return;
            }
            self.given += 1;
        }
    }

    fn gone_out(&mut self, packet: u16) {
        if let Some(message) = self.messages.get_mut(self.out) {
            message.packet = Some(packet);
            self.out += 1;
        }
    }

    fn acknowledged(&mut self, packet: u16, reason: PubAckReason) {
        // Brokers acknowledge in order, so it is nearly always the first.
        let found = self.messages.iter_mut().find(|m| m.packet == Some(packet) && !m.acknowledged);
        let Some(message) = found else { return };
        message.acknowledged = true;
        self.sent.acknowledged += 1;
        if !matches!(reason, PubAckReason::Success | PubAckReason::NoMatchingSubscribers) {
            self.sent.refused += 1;
        }
        while self.messages.front().is_some_and(|m| m.acknowledged) {
            self.messages.pop_front();
            self.given -= 1;
            self.out -= 1;
        }
    }
}

/// What the task that polls the connection reports.
enum Report {
    Connected,
    /// A publish has gone out under a packet id.
    Out(u16),
    Acknowledged(u16, PubAckReason),
    Lost(String),
}

/// The longest wait between two looks at what is due.
const HOUR: Duration = Duration::from_secs(3600);

/// How a publisher behaves.
pub(crate) struct Publisher<'a> {
    pub(crate) broker: &'a Broker,
    pub(crate) client_id: String,
    /// Largest number of messages sent and not yet acknowledged.
    pub(crate) in_flight: u16,
    /// Nothing new is sent after this time; what is under way is still waited for.
    pub(crate) stop_after: Option<Duration>,
    /// Connections that may fail in a row before giving up.
    pub(crate) attempts: u32,
}

impl Publisher<'_> {
    /// Sends all messages and waits until each is acknowledged. Messages come in
    /// the order of their due times.
    pub(crate) async fn send(&self, messages: impl Iterator<Item = Timed>) -> anyhow::Result<Sent> {
        let start = Instant::now();
        let mut messages = messages.peekable();
        let mut flight = Flight::default();
        let mut backoff = Backoff::default();
        let mut failures = 0;
        loop {
            let (client, mut reports) = self.connect();
            flight.begin();
            let mut connected = false;
            let mut lost = "the connection ended".to_owned();
            loop {
                let over = self.stop_after.is_some_and(|stop| start.elapsed() >= stop);
                let room = |flight: &Flight| flight.messages.len() < usize::from(self.in_flight);
                while connected && !over && room(&flight) {
                    let elapsed = start.elapsed();
                    let Some(next) = messages.next_if(|m| m.due <= elapsed) else { break };
                    let bytes = next.payload.len() + next.topic.len() + 64;
                    if bytes > PACKET_MAX as usize {
                        bail!("a message of {bytes} bytes on {:?} is more than {PACKET_MAX}", next.topic);
                    }
                    flight.add(next);
                }
                if connected {
                    flight.give(&client);
                }
                if flight.messages.is_empty() && (over || messages.peek().is_none()) {
                    flight.sent.took = start.elapsed();
                    // Everything is acknowledged: whether the broker hears this is no matter.
                    let _ = client.try_disconnect();
                    return Ok(flight.sent);
                }
                let due = messages.peek().map_or(Duration::MAX, |m| m.due);
                let wake = due.min(self.stop_after.unwrap_or(Duration::MAX)).min(start.elapsed() + HOUR);
                let report = tokio::select! {
                    report = reports.recv() => report,
                    () = sleep_until(start + wake), if connected && !over && room(&flight) => continue,
                };
                match report {
                    Some(Report::Connected) => connected = true,
                    Some(Report::Out(packet)) => flight.gone_out(packet),
                    Some(Report::Acknowledged(packet, reason)) => {
                        flight.acknowledged(packet, reason);
                        // Only this shows that the broker takes what is sent.
                        failures = 0;
                        backoff.reset();
                    }
                    Some(Report::Lost(why)) => lost = why,
                    None => break,
                }
            }
            failures += 1;
            if failures >= self.attempts {
                bail!("the broker took nothing {failures} times in a row: {lost}");
            }
            let wait = backoff.next_wait();
            eprintln!("the broker is not there ({lost}); trying again in {:.1} s", wait.as_secs_f64());
            tokio::time::sleep(wait).await;
        }
    }

    /// A new client whose connection is polled in a task of its own.
    fn connect(&self) -> (AsyncClient, mpsc::Receiver<Report>) {
        let options = self.broker.options(&self.client_id, self.in_flight);
        let (client, mut event_loop) = AsyncClient::new(options, usize::from(self.in_flight) + 16);
        let (reports, receiver) = mpsc::channel(4 * usize::from(self.in_flight) + 16);
        tokio::spawn(async move {
            loop {
                let report = match event_loop.poll().await {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => Report::Connected,
                    Ok(Event::Incoming(Packet::PubAck(ack))) => Report::Acknowledged(ack.pkid, ack.reason),
                    Ok(Event::Outgoing(Outgoing::Publish(packet))) => Report::Out(packet),
                    Ok(Event::Outgoing(Outgoing::Disconnect)) => return,
                    Ok(_) => continue,
                    Err(error) => {
                        // The other side may have gone; then nobody waits for this.
                        let _ = reports.send(Report::Lost(error.to_string())).await;
                        return;
                    }
                };
                if reports.send(report).await.is_err() {
                    return;
                }
            }
        });
        (client, receiver)
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Read, Write};
    use std::net::{TcpListener, TcpStream};

    use bytes::BytesMut;
    use rumqttc::v5::mqttbytes::v5::{ConnAck, ConnectReturnCode, PubAck};

    use super::*;

    /// Serves one connection of a broker that acknowledges `acknowledges`
    /// publishes, takes `deaf` more and then drops the line. Returns the payloads
    /// that it took.
    fn serve(mut line: TcpStream, acknowledges: usize, deaf: usize) -> Vec<String> {
        let mut took = Vec::new();
        let mut bytes = BytesMut::new();
        let mut chunk = [0; 4096];
        loop {
            let packet = match Packet::read(&mut bytes, None) {
                Ok(packet) => packet,
                Err(_) => match line.read(&mut chunk) {
                    Ok(0) | Err(_) => return took,
                    Ok(n) => {
                        bytes.extend_from_slice(&chunk[..n]);
                        continue;
                    }
                },
            };
            let mut answer = BytesMut::new();
            match packet {
                Packet::Connect(..) => {
                    let accepted = ConnAck {
                        session_present: false,
                        code: ConnectReturnCode::Success,
                        properties: None,
                    };
                    Packet::ConnAck(accepted).write(&mut answer, None).unwrap();
                }
                Packet::Publish(publish) => {
                    took.push(String::from_utf8(publish.payload.to_vec()).unwrap());
                    if took.len() <= acknowledges {
                        Packet::PubAck(PubAck::new(publish.pkid, None)).write(&mut answer, None).unwrap();
                    } else if took.len() >= acknowledges.saturating_add(deaf) {
                        return took;
                    }
                }
                Packet::Disconnect(_) => return took,
                _ => {}
            }
            line.write_all(&answer).unwrap();
        }
    }

    /// Sends `count` numbered messages to a broker whose connections behave as
    /// `lines` say. Returns what each connection took.
    fn send(count: u32, lines: &[(usize, usize)]) -> (Sent, Vec<Vec<String>>) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let lines = lines.to_vec();
        let served = std::thread::spawn(move || {
            lines
                .into_iter()
                .map(|(acknowledges, deaf)| serve(listener.accept().unwrap().0, acknowledges, deaf))
                .collect::<Vec<_>>()
        });
        let broker = Broker::parse(&format!("mqtt://127.0.0.1:{port}")).unwrap();
        let publisher = Publisher {
            broker: &broker,
            client_id: "test".to_owned(),
            in_flight: 10,
            stop_after: None,
            attempts: 5,
        };
        let messages = (0..count).map(|n| Timed {
            due: Duration::ZERO,
            topic: "garden/bed".to_owned(),
            payload: n.to_string().into_bytes(),
        });
        let sent = super::super::runtime().unwrap().block_on(publisher.send(messages)).unwrap();
        (sent, served.join().unwrap())
    }

    fn numbers(range: std::ops::Range<u32>) -> Vec<String> {
        range.map(|n| n.to_string()).collect()
    }

    #[test]
    fn every_message_arrives_once_and_in_order_when_nothing_goes_wrong() {
        let (sent, took) = send(500, &[(usize::MAX, 0)]);
        assert_eq!(took, [numbers(0..500)]);
        assert_eq!((sent.messages, sent.acknowledged, sent.again, sent.connections), (500, 500, 0, 1));
    }

    #[test]
    fn after_a_lost_connection_what_was_not_acknowledged_comes_again_first() {
        let (sent, took) = send(200, &[(37, 6), (0, 4), (usize::MAX, 0)]);
        assert_eq!(took[0], numbers(0..43));
        // From the first message whose acknowledgement was seen to be missing; the
        // last few may have been lost with the line. Then nothing is left out.
        let first: u32 = took[1][0].parse().unwrap();
        assert!((27..=37).contains(&first), "{first}");
        assert_eq!(took[1], numbers(first..first + 4));
        assert_eq!(took[2], numbers(first..200));
        assert_eq!((sent.messages, sent.acknowledged, sent.refused, sent.connections), (200, 200, 0, 3));
        assert!(sent.again >= 4, "{sent:?}");
    }

    #[test]
    fn a_broker_that_never_answers_is_given_up_after_the_attempts_allowed() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let broker =
            Broker::parse(&format!("mqtt://127.0.0.1:{}", listener.local_addr().unwrap().port())).unwrap();
        drop(listener);
        let publisher = Publisher {
            broker: &broker,
            client_id: "test".to_owned(),
            in_flight: 10,
            stop_after: None,
            attempts: 2,
        };
        let one = Timed { due: Duration::ZERO, topic: "t".to_owned(), payload: b"1".to_vec() };
        let runtime = super::super::runtime().unwrap();
        let error = runtime.block_on(publisher.send(std::iter::once(one))).unwrap_err().to_string();
        assert!(error.contains("took nothing 2 times in a row"), "{error}");
    }
}

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

/// What the task that polls the connection reports.
enum Report {
    Connected,
    /// A publish has gone out under a packet id.
    Out(u16),
    Acknowledged(u16, PubAckReason),
    Lost(String),
}

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
        let mut flying: VecDeque<InFlight> = VecDeque::new();
        let mut sent = Sent::default();
        let mut backoff = Backoff::default();
        let mut failures = 0;
        loop {
            let (client, mut reports) = self.connect();
            sent.connections += 1;
            let mut connected = false;
            // How many of `flying`, from the front, the client has been given.
            let mut given = 0;
            // And how many of those have gone out, which they do in order.
            let mut out = 0;
            let mut last_fault = None;
            flying.retain(|m| !m.acknowledged);
            for message in &mut flying {
                sent.again += u64::from(message.packet.take().is_some());
            }
            let lost = loop {
                if connected {
                    while given < flying.len() {
                        let message = &flying[given];
                        let tried = client.try_publish(
                            message.topic.clone(),
                            QoS::AtLeastOnce,
                            false,
                            message.payload.clone(),
                        );
                        if tried.is_err() {
                            break;
                        }
                        given += 1;
                    }
                    while given == flying.len() && flying.len() < usize::from(self.in_flight) {
                        let elapsed = start.elapsed();
                        let stopped = self.stop_after.is_some_and(|stop| elapsed >= stop);
                        let Some(next) = messages.next_if(|m| m.due <= elapsed && !stopped) else { break };
                        if next.payload.len() + next.topic.len() + 64 > PACKET_MAX as usize {
                            bail!(
                                "a message of {} bytes on {:?} is too large",
                                next.payload.len(),
                                next.topic
                            );
                        }
                        sent.messages += 1;
                        let message = InFlight {
                            topic: next.topic,
                            payload: next.payload,
                            packet: None,
                            acknowledged: false,
                        };
                        let tried = client.try_publish(
                            message.topic.clone(),
                            QoS::AtLeastOnce,
                            false,
                            message.payload.clone(),
                        );
                        flying.push_back(message);
                        if tried.is_ok() {
                            given += 1;
                        }
                    }
                }
                let over = self.stop_after.is_some_and(|stop| start.elapsed() >= stop);
                if flying.is_empty() && (over || messages.peek().is_none()) {
                    sent.took = start.elapsed();
                    // The broker closes; whether it says so is no matter.
                    let _ = client.try_disconnect();
                    return Ok(sent);
                }
                let wake = messages
                    .peek()
                    .map_or(Duration::from_secs(3600), |m| m.due)
                    .min(self.stop_after.unwrap_or(Duration::MAX));
                let may_send =
                    connected && given == flying.len() && flying.len() < usize::from(self.in_flight);
                let report = tokio::select! {
                    report = reports.recv() => report,
                    () = sleep_until(start + wake), if may_send && !over => continue,
                };
                match report {
                    Some(Report::Connected) => {
                        connected = true;
                        failures = 0;
                        backoff.reset();
                    }
                    Some(Report::Out(packet)) => {
                        if let Some(message) = flying.get_mut(out) {
                            message.packet = Some(packet);
                            out += 1;
                        }
                    }
                    Some(Report::Acknowledged(packet, reason)) => {
                        if let Some(message) =
                            flying.iter_mut().find(|m| m.packet == Some(packet) && !m.acknowledged)
                        {
                            message.acknowledged = true;
                            sent.acknowledged += 1;
                            if !matches!(reason, PubAckReason::Success | PubAckReason::NoMatchingSubscribers)
                            {
                                sent.refused += 1;
                            }
                        }
                        while flying.front().is_some_and(|m| m.acknowledged) {
                            flying.pop_front();
                            given -= 1;
                            out -= 1;
                        }
                    }
                    Some(Report::Lost(why)) => last_fault = Some(why),
                    None => break last_fault.unwrap_or_else(|| "the connection ended".to_owned()),
                }
            };
            failures += 1;
            if failures >= self.attempts {
                bail!("the broker did not answer {failures} times in a row: {lost}");
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
    /// publishes, takes `deaf` more and then drops the line. Gives the payloads
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
    /// `lines` say. Gives what each connection took.
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
        // Exactly from the first message without an acknowledgement on.
        assert_eq!(took[1], numbers(37..41));
        assert_eq!(took[2], numbers(37..200));
        assert_eq!((sent.messages, sent.acknowledged, sent.refused, sent.connections), (200, 200, 0, 3));
        assert!(sent.again >= 10, "{sent:?}");
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
        assert!(error.contains("2 times in a row"), "{error}");
    }
}

//! Which messages a broker may bring once more: the session's window.
//!
//! After a connection is lost, a kept session sends what it has no acknowledgement for once
//! more, with its old packet identifier and the redelivered flag (DUP). The flag alone says
//! little: the first copy may have been lost on its way. A message is a *repeat* where it is
//! so marked, and this daemon has received a message with the same identifier, topic and
//! payload that the broker may still hold. From MQTT 5.0
//! (<https://docs.oasis-open.org/mqtt/mqtt/v5.0/mqtt-v5.0.html>):
//!
//! - a message that is sent for the first time has DUP 0, one that is sent again has DUP 1
//!   (3.3.1.1); it keeps its packet identifier (4.4);
//! - an identifier is in use until its acknowledgement has been processed (2.2.1), so that a
//!   new message with it says that the earlier one is over;
//! - messages are sent again in their first order, and acknowledged in the order in which
//!   they came (4.6): when one is over, all before it are;
//! - a session that the broker does not have any more sends nothing again (3.2.2.1.1).
//!
//! What the broker has answered after an acknowledgement says that this has been processed;
//! the session asks for such an answer from time to time. Two readings that are alike stay
//! two: they have different identifiers, or the second comes with DUP 0.
//!
//! # Where it stops holding
//!
//! A broker that uses an identifier again within a second or so (the lowest that is free),
//! and loses a message on its way that is alike, letter for letter, to the one before it with
//! that identifier, is not understood. A broker that was killed and starts with an older
//! state of its session sends what is in no window: that is doubled.

use std::collections::{BTreeMap, VecDeque};

use ring::digest::{Context, SHA256};

use crate::store::ReceivedPacket;

/// How a message with an acknowledgement of its own was received.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Placed {
    pub(super) packet: ReceivedPacket,
    /// It was handed on before.
    pub(super) repeat: bool,
}

/// Messages that were handed on and that the broker may send again.
#[derive(Debug)]
pub(super) struct SessionWindow {
    /// By identifier. Brokers count these up, so that neighbours are asked for together.
    entries: BTreeMap<u16, ReceivedPacket>,
    /// Serial numbers and identifiers in their order; those that are over may still be there.
    order: VecDeque<(u64, u16)>,
    next: u64,
    /// All up to this serial number are over.
    confirmed: u64,
    /// The highest serial number that was acknowledged on this connection.
    acked_to: u64,
    /// Received and acknowledged on this connection.
    received: u64,
    acked: u64,
    asked: VecDeque<Asked>,
}

/// What was asked of the broker, and what its answer says.
#[derive(Clone, Copy, Debug)]
struct Asked {
    acked_to: u64,
    /// All that came on this connection, so many messages, was acknowledged then.
    idle_at: Option<u64>,
}

impl SessionWindow {
    /// A window with what was received before the daemon was started.
    pub(super) fn new(mut kept: Vec<ReceivedPacket>) -> Self {
        kept.sort_unstable_by_key(|packet| packet.serial);
        let next = kept.last().map_or(1, |last| last.serial + 1);
        let order = kept.iter().map(|packet| (packet.serial, packet.packet)).collect();
        let entries = kept.into_iter().map(|packet| (packet.packet, packet)).collect();
        Self {
            entries,
            order,
            next,
            confirmed: 0,
            acked_to: 0,
            received: 0,
            acked: 0,
            asked: VecDeque::new(),
        }
    }

    /// A connection stands; `kept`: the broker has the session of before.
    pub(super) fn connected(&mut self, kept: bool) {
        (self.acked_to, self.received, self.acked) = (0, 0, 0);
        self.asked.clear();
        if !kept {
            self.confirm(self.next - 1);
        }
    }

    /// Takes a message with this identifier (QoS 1).
    pub(super) fn take(&mut self, packet: u16, redelivered: bool, topic: &[u8], payload: &[u8]) -> Placed {
        self.received += 1;
        let fingerprint = fingerprint(topic, payload);
        if let Some(&known) = self.entries.get(&packet) {
            if redelivered && known.fingerprint == fingerprint {
                return Placed { packet: known, repeat: true };
            }
            self.confirm(known.serial);
        }
        let received = ReceivedPacket { serial: self.next, packet, fingerprint };
        self.next += 1;
        self.entries.insert(packet, received);
        self.order.push_back((received.serial, packet));
        Placed { packet: received, repeat: false }
    }

    /// An acknowledgement is on its way.
    pub(super) fn acknowledged(&mut self, packet: u16) {
        self.acked += 1;
        if let Some(known) = self.entries.get(&packet) {
            self.acked_to = self.acked_to.max(known.serial);
        }
    }

    /// Whether an answer of the broker would say more than is known.
    pub(super) fn wants_answer(&self) -> bool {
        self.acked_to > self.confirmed && self.asked.is_empty()
    }

    /// Something was asked that the broker answers; `ping`: long after the connection was
    /// made, so that what it had to send again has come.
    pub(super) fn asked(&mut self, ping: bool) {
        let idle = ping && self.received == self.acked;
        self.asked.push_back(Asked { acked_to: self.acked_to, idle_at: idle.then_some(self.received) });
    }

    /// The broker has answered. Answers need not come in the order of the questions: then the
    /// first to come counts for the first question, which says less.
    pub(super) fn answered(&mut self) {
        let Some(asked) = self.asked.pop_front() else { return };
        let idle = asked.idle_at == Some(self.received);
        self.confirm(if idle { self.next - 1 } else { asked.acked_to });
    }

    /// All up to this serial number are over.
    pub(super) fn confirmed(&self) -> u64 {
        self.confirmed
    }

    fn confirm(&mut self, to: u64) {
        self.confirmed = self.confirmed.max(to);
        while let Some(&(serial, packet)) = self.order.front().filter(|(serial, _)| *serial <= self.confirmed)
        {
            self.order.pop_front();
            if self.entries.get(&packet).is_some_and(|known| known.serial == serial) {
                self.entries.remove(&packet);
            }
        }
    }
}

/// What a topic and a payload are known by; two that differ share one with a chance of 2⁻¹²⁸.
fn fingerprint(topic: &[u8], payload: &[u8]) -> [u8; 16] {
    let mut both = Context::new(&SHA256);
    both.update(topic);
    // No topic holds it (MQTT 5.0, 4.7.3).
    both.update(&[0]);
    both.update(payload);
    let mut short = [0; 16];
    short.copy_from_slice(&both.finish().as_ref()[..16]);
    short
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn take(window: &mut SessionWindow, packet: u16, dup: bool, payload: &str) -> bool {
        window.take(packet, dup, b"gully/air", payload.as_bytes()).repeat
    }

    #[test]
    fn what_is_sent_again_is_a_repeat_and_what_is_alike_is_not() {
        let mut window = SessionWindow::new(Vec::new());
        window.connected(false);
        assert!(!take(&mut window, 1, false, "21.5"));
        assert!(!take(&mut window, 2, false, "21.5"), "a second reading that is alike");
        window.acknowledged(1);
        // The line is cut; the broker has neither acknowledgement, nor did its third message come.
        window.connected(true);
        assert!(take(&mut window, 1, true, "21.5"));
        assert!(take(&mut window, 2, true, "21.5"));
        assert!(!take(&mut window, 3, true, "21.5"), "its first copy was lost on the way");
        assert!(!take(&mut window, 4, false, "21.5"));
        // Another cut before any acknowledgement.
        window.connected(true);
        for packet in 1..=4 {
            assert!(take(&mut window, packet, true, "21.5"), "{packet}");
        }
        // The same identifier for something else.
        window.connected(true);
        assert!(!take(&mut window, 4, true, "21.6"));
        assert!(!take(&mut window, 1, true, "21.5"), "those before it are over");
    }

    #[test]
    fn an_identifier_that_is_used_again_is_a_new_message() {
        let mut window = SessionWindow::new(Vec::new());
        window.connected(false);
        for _ in 0..3 {
            assert!(!take(&mut window, 1, false, "21.5"));
            window.acknowledged(1);
        }
        window.asked(false);
        window.answered();
        // The fourth was lost on its way; nothing else with this identifier can come again.
        window.connected(true);
        assert!(!take(&mut window, 1, true, "21.5"));
    }

    #[test]
    fn an_answer_confirms_what_was_acknowledged_before_it_was_asked_for() {
        let mut window = SessionWindow::new(Vec::new());
        window.connected(false);
        for packet in 1..=3 {
            take(&mut window, packet, false, "21.5");
        }
        window.acknowledged(1);
        assert!(window.wants_answer());
        window.asked(true);
        assert!(!window.wants_answer());
        window.acknowledged(2);
        window.answered();
        assert_eq!(window.confirmed(), 1);
        window.connected(true);
        assert!(take(&mut window, 2, true, "21.5") && take(&mut window, 3, true, "21.5"));
        window.acknowledged(2);
        window.acknowledged(3);
        // A resumed session that brings nothing again has nothing to bring.
        window.connected(true);
        window.asked(false);
        window.answered();
        assert_eq!(window.confirmed(), 1, "it may have been about to");
        window.asked(true);
        window.answered();
        assert_eq!(window.confirmed(), 3);
    }

    #[test]
    fn a_session_that_the_broker_has_lost_sends_nothing_again() {
        let mut window = SessionWindow::new(Vec::new());
        window.connected(false);
        let first = window.take(7, false, b"gully/air", b"21.5").packet;
        let mut started_again = SessionWindow::new(vec![first]);
        started_again.connected(true);
        let placed = started_again.take(7, true, b"gully/air", b"21.5");
        assert_eq!(placed, Placed { packet: first, repeat: true });
        started_again.connected(false);
        assert!(!take(&mut started_again, 7, true, "21.5"));
        assert_eq!(started_again.confirmed(), first.serial);
    }

    /// A broker as the standard describes it, and the line to it.
    #[derive(Debug, Default)]
    struct Broker {
        /// Identifier, payload, serial number of the message, whether it was ever written.
        in_flight: VecDeque<(u16, u8, usize, bool)>,
        last: u16,
        sent: usize,
    }

    proptest! {
        /// Messages of few different payloads, few identifiers, cuts in both directions at any
        /// place: each message is taken once.
        #[test]
        fn each_message_is_taken_once(
            steps in proptest::collection::vec((0u8..8, 0u8..2), 1..300),
            identifiers in 8u16..20,
        ) {
            const WINDOW: usize = 6;
            let mut broker = Broker::default();
            let mut window = SessionWindow::new(Vec::new());
            window.connected(false);
            let mut taken: Vec<usize> = Vec::new();
            // On this connection: what of the broker's list has come, what was acknowledged.
            let (mut come, mut acks) = (0usize, VecDeque::new());
            let mut kept: Vec<ReceivedPacket> = Vec::new();
            for (step, payload) in steps {
                match step {
                    0..=2 if broker.in_flight.len() < WINDOW => {
                        broker.last = broker.last % identifiers + 1;
                        broker.in_flight.push_back((broker.last, payload, broker.sent, false));
                        broker.sent += 1;
                    }
                    // The next message comes.
                    3 | 4 if come < broker.in_flight.len() => {
                        let (packet, payload, number, written) = &mut broker.in_flight[come];
                        let placed = window.take(*packet, *written, b"t", &[*payload]);
                        *written = true;
                        come += 1;
                        if !placed.repeat {
                            taken.push(*number);
                            kept.push(placed.packet);
                        }
                        acks.push_back(*packet);
                    }
                    // The first acknowledgement is written and processed, and answered.
                    5 if !acks.is_empty() => {
                        let packet = acks.pop_front().unwrap();
                        window.acknowledged(packet);
                        prop_assert_eq!(broker.in_flight.pop_front().unwrap().0, packet);
                        come -= 1;
                        window.asked(false);
                        window.answered();
                    }
                    // The line is cut: all is written by the broker, some of it lost; an
                    // acknowledgement may be lost as well.
                    6 | 7 => {
                        if payload == 1 && let Some(&packet) = acks.front() {
                            window.acknowledged(packet);
                        }
                        broker.in_flight.iter_mut().for_each(|it| it.3 = true);
                        (come, acks) = (0, VecDeque::new());
                        if step == 7 {
                            kept.retain(|packet| packet.serial > window.confirmed());
                            window = SessionWindow::new(kept.clone());
                        }
                        window.connected(true);
                    }
                    _ => {}
                }
            }
            while come < broker.in_flight.len() {
                let (packet, payload, number, written) = broker.in_flight[come];
                come += 1;
                if !window.take(packet, written, b"t", &[payload]).repeat {
                    taken.push(number);
                }
            }
            let all: Vec<usize> = (0..broker.sent).collect();
            prop_assert_eq!(taken, all);
        }
    }
}

//! What the session knows of the broker: whether it can be reached, and when it last
//! sent something.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

use jiff::Timestamp;

use crate::garden::system::health::{BrokerAway, BrokerFault, BrokerHealth};

/// The broker as its session finds it; shared by those who judge and show it.
#[derive(Debug, Default)]
pub struct BrokerContact {
    state: Mutex<ContactState>,
    confirmed: AtomicU64,
    repeats: AtomicU64,
}

#[derive(Debug, Default)]
struct ContactState {
    /// `None`: the session stands and its subscriptions were granted, or it was not
    /// tried yet.
    away: Option<BrokerAway>,
    /// The last message, or when the session last came to stand.
    heard: Option<Timestamp>,
}

impl BrokerContact {
    fn state(&self) -> std::sync::MutexGuard<'_, ContactState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Notes that no session stands. Returns whether one stood until now. The moment
    /// stays that of the first failure; fault and reason are those of the last.
    pub fn lost(&self, at: Timestamp, fault: BrokerFault, reason: String) -> bool {
        let mut state = self.state();
        let since = state.away.as_ref().map(|away| away.since);
        state.away = Some(BrokerAway { since: since.unwrap_or(at), fault, reason });
        since.is_none()
    }

    /// Notes that a session stands and its subscriptions were granted.
    pub fn found(&self, at: Timestamp) {
        let mut state = self.state();
        state.away = None;
        state.heard = Some(at);
    }

    /// Notes a message.
    pub fn heard(&self, at: Timestamp) {
        self.state().heard = Some(at);
    }

    /// Notes that the broker sends no message again up to this serial number.
    pub fn confirmed(&self, serial: u64) {
        self.confirmed.fetch_max(serial, Ordering::Relaxed);
    }

    /// The serial number up to which the broker sends no message again.
    pub fn confirmed_to(&self) -> u64 {
        self.confirmed.load(Ordering::Relaxed)
    }

    /// Counts a message that came again.
    pub fn repeated(&self) {
        self.repeats.fetch_add(1, Ordering::Relaxed);
    }

    /// Messages that came again and were known, since the start.
    pub fn repeats(&self) -> u64 {
        self.repeats.load(Ordering::Relaxed)
    }

    /// Whether no session stands.
    pub fn is_away(&self) -> bool {
        self.state().away.is_some()
    }

    /// How the broker stands; `None` before the first connection was tried to its end.
    pub fn health(&self) -> Option<BrokerHealth> {
        let state = self.state();
        match (&state.away, state.heard) {
            (Some(away), _) => Some(BrokerHealth::Away(away.clone())),
            (None, Some(heard)) => Some(BrokerHealth::Listening { heard }),
            (None, None) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_776_403_800 + second).expect("a time of this century")
    }

    #[test]
    fn the_first_failure_says_since_when_and_the_last_one_why() {
        let contact = BrokerContact::default();
        assert_eq!(contact.health(), None);
        assert!(contact.lost(at(0), BrokerFault::Unreachable, "refused".to_owned()));
        assert!(!contact.lost(at(30), BrokerFault::Refused, "bad password".to_owned()));
        let away =
            BrokerAway { since: at(0), fault: BrokerFault::Refused, reason: "bad password".to_owned() };
        assert_eq!(contact.health(), Some(BrokerHealth::Away(away)));
        contact.found(at(60));
        assert!(!contact.is_away());
        contact.heard(at(90));
        assert_eq!(contact.health(), Some(BrokerHealth::Listening { heard: at(90) }));
        // A new failure has a moment of its own, and the last message stays known.
        assert!(contact.lost(at(120), BrokerFault::Unreachable, String::new()));
        contact.found(at(150));
        assert_eq!(contact.health(), Some(BrokerHealth::Listening { heard: at(150) }));
    }
}

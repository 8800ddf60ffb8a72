//! What the session knows of the broker: whether it can be reached, and when it last
//! sent something.

use std::sync::{Mutex, PoisonError};

use jiff::Timestamp;

use crate::garden::system::health::{BrokerAway, BrokerFault, BrokerHealth};

/// The broker as its session finds it; shared by those who judge and show it.
#[derive(Debug, Default)]
pub struct BrokerContact(Mutex<ContactState>);

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
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
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

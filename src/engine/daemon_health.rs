//! What the parts of the daemon may know of each other.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use crate::engine::health;
use crate::intake::BrokerContact;

/// A write that has taken so long is told as one that hangs, seconds. Another program
/// may hold the file for five.
const HANGS_S: i64 = 30;

/// What others may know of the engine without asking it.
#[derive(Debug, Default)]
pub struct DaemonHealth {
    pub store_failing: AtomicBool,
    pub broker: Arc<BrokerContact>,
    pub pulse: Heartbeat,
    pub store_watch: health::StoreWatch,
}

impl DaemonHealth {
    /// What is the matter, in words.
    pub fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        if self.store_failing.load(Ordering::Relaxed) {
            faults.push("The store cannot be written; readings wait at the broker.".to_owned());
        } else if self
            .store_watch
            .writing_until()
            .is_some_and(|(since, until)| until.as_second() - since.as_second() >= HANGS_S)
        {
            faults.push("A write to the store does not come back; the disk may hang.".to_owned());
        }
        if self.broker.is_away() {
            faults.push("The broker cannot be reached, so no readings come in.".to_owned());
        }
        faults
    }
}

/// Counts the engine's rounds.
#[derive(Debug, Default)]
pub struct Heartbeat(AtomicU64);

impl Heartbeat {
    /// The engine has gone round.
    pub fn beat(&self) {
        self.0.fetch_add(1, Ordering::Relaxed);
    }

    /// Rounds until now.
    pub fn rounds(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
}

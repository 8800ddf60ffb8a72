//! What forwarders wait for.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

/// What forwarders wait for, by their names, in the words of their servers.
#[derive(Debug, Default)]
pub struct ForwardTroubles(Mutex<BTreeMap<String, String>>);

impl ForwardTroubles {
    /// A forwarder waits.
    pub fn waits(&self, forwarder: &str, why: &str) {
        self.known().insert(forwarder.to_owned(), why.to_owned());
    }

    /// It goes on.
    pub fn over(&self, forwarder: &str) {
        self.known().remove(forwarder);
    }

    /// What a forwarder waits for; `None` where it goes on.
    pub fn of(&self, forwarder: &str) -> Option<String> {
        self.known().get(forwarder).cloned()
    }

    /// All that wait, by name, with what they wait for.
    pub fn all(&self) -> Vec<(String, String)> {
        self.known().iter().map(|(name, why)| (name.clone(), why.clone())).collect()
    }

    fn known(&self) -> std::sync::MutexGuard<'_, BTreeMap<String, String>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

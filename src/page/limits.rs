//! How often something may be tried within a minute: guessing must be slow, and must
//! neither fill the log nor keep the computer busy.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::time::Instant;

const WINDOW: Duration = Duration::from_secs(60);

/// Counts attempts of each caller and of all callers together.
#[derive(Debug)]
pub(super) struct AttemptLimit<K> {
    each_max: u32,
    all_max: u32,
    attempts: Mutex<Attempts<K>>,
}

#[derive(Debug)]
struct Attempts<K> {
    began: Option<Instant>,
    all: u32,
    /// Never more than `all_max` callers.
    each: HashMap<K, u32>,
}

impl<K: Eq + Hash> AttemptLimit<K> {
    /// `each_max` attempts of one caller within a minute, `all_max` of all together.
    pub(super) fn new(each_max: u32, all_max: u32) -> Self {
        let attempts = Attempts { began: None, all: 0, each: HashMap::new() };
        Self { each_max, all_max, attempts: Mutex::new(attempts) }
    }

    /// Counts one more; `false` when there were too many within the last minute.
    pub(super) fn allows(&self, caller: K, now: Instant) -> bool {
        let mut attempts = self.attempts();
        if attempts.began.is_none_or(|began| now.saturating_duration_since(began) >= WINDOW) {
            *attempts = Attempts { began: Some(now), all: 0, each: HashMap::new() };
        }
        if attempts.all >= self.all_max {
            return false;
        }
        let each = attempts.each.entry(caller).or_insert(0);
        if *each >= self.each_max {
            return false;
        }
        *each += 1;
        attempts.all += 1;
        true
    }

    /// Forgets the attempts of a caller.
    pub(super) fn forgive(&self, caller: &K) {
        let mut attempts = self.attempts();
        let forgiven = attempts.each.remove(caller).unwrap_or(0);
        attempts.all = attempts.all.saturating_sub(forgiven);
    }

    fn attempts(&self) -> MutexGuard<'_, Attempts<K>> {
        self.attempts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_caller_and_all_together_are_held_back() {
        let limit = AttemptLimit::new(10, 60);
        let began = Instant::now();
        let taken = |caller: u8, at| (0..100).filter(|_| limit.allows(caller, at)).count();
        assert_eq!(taken(1, began), 10);
        assert_eq!(taken(2, began), 10, "another caller has its own");
        assert_eq!((3..100).map(|n| taken(n, began)).sum::<usize>(), 40, "and all together 60");
        assert_eq!(taken(1, began + WINDOW - Duration::from_millis(1)), 0);
        assert_eq!(taken(1, began + WINDOW), 10);
        limit.forgive(&1);
        assert_eq!(taken(1, began + WINDOW), 10, "a forgiven caller starts again");
    }
}

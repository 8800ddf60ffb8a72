//! Values that were worked out from the record, kept while they are fresh: working one
//! out takes up to seconds, and a class asks for the same one thirty times.

use std::sync::{Arc, Mutex, PoisonError};

use jiff::{SignedDuration, Timestamp};

/// The present, as a request knows it.
#[derive(Clone, Copy, Debug)]
pub(super) struct CacheMoment {
    pub(super) at: Timestamp,
    /// Grows with each change of the record.
    pub(super) changed: u64,
}

/// A bounded cache; the value that was used longest ago goes first.
#[derive(Debug)]
pub(super) struct FreshCache<K, T> {
    values_max: usize,
    /// The greatest sum of the values' bytes; one value is always kept.
    bytes_max: usize,
    /// How long a value is kept after the record has changed.
    fresh: SignedDuration,
    entries: Mutex<Vec<CacheEntry<K, T>>>,
}

#[derive(Debug)]
struct CacheEntry<K, T> {
    key: K,
    made: CacheMoment,
    bytes: usize,
    value: Arc<T>,
}

impl<K: PartialEq, T> FreshCache<K, T> {
    pub(super) const fn new(values_max: usize, bytes_max: usize, fresh: SignedDuration) -> Self {
        Self { values_max, bytes_max, fresh, entries: Mutex::new(Vec::new()) }
    }

    /// A value that is fresh.
    pub(super) fn get(&self, key: &K, now: CacheMoment) -> Option<Arc<T>> {
        let mut entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        let entry = entries.iter().position(|entry| entry.key == *key).map(|at| entries.remove(at))?;
        let age = now.at.duration_since(entry.made.at);
        let fresh = entry.made.changed == now.changed || (!age.is_negative() && age < self.fresh);
        fresh.then(|| {
            let value = Arc::clone(&entry.value);
            entries.push(entry);
            value
        })
    }

    /// Keeps a value of so many bytes.
    pub(super) fn keep(&self, key: K, made: CacheMoment, bytes: usize, value: T) -> Arc<T> {
        let value = Arc::new(value);
        let mut entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        entries.retain(|entry| entry.key != key);
        entries.push(CacheEntry { key, made, bytes, value: Arc::clone(&value) });
        while entries.len() > 1
            && (entries.len() > self.values_max
                || entries.iter().map(|entry| entry.bytes).sum::<usize>() > self.bytes_max)
        {
            entries.remove(0);
        }
        value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moment(second: i64, changed: u64) -> CacheMoment {
        CacheMoment { at: Timestamp::from_second(1_776_000_600 + second).expect("in range"), changed }
    }

    fn cache() -> FreshCache<u32, u32> {
        FreshCache::new(3, 100, SignedDuration::from_mins(5))
    }

    #[test]
    fn a_value_is_kept_while_nothing_changes_and_some_minutes_longer() {
        let found = |second, changed| {
            let cache = cache();
            cache.keep(1, moment(0, 1), 1, 7);
            cache.get(&1, moment(second, changed)).is_some()
        };
        assert!(found(86_400, 1), "the same record");
        assert!(found(299, 2) && !found(300, 2), "five minutes of another");
        assert!(!found(-1, 2), "a clock that was put back");
        assert!(cache().get(&2, moment(0, 1)).is_none(), "another key");
    }

    #[test]
    fn no_more_is_kept_than_there_is_room_for() {
        let cache = cache();
        let now = moment(0, 1);
        for key in 0..3 {
            cache.keep(key, now, 1, key);
        }
        assert!(cache.get(&0, now).is_some());
        cache.keep(3, now, 1, 3);
        assert!(cache.get(&1, now).is_none(), "the one that was used longest ago went");
        assert!(cache.get(&0, now).is_some());
        cache.keep(4, now, 1000, 4);
        assert_eq!(cache.entries.lock().expect("no test panics while it holds this").len(), 1);
        assert!(cache.get(&4, now).is_some(), "one value is always kept");
    }
}

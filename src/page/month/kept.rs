//! Months that have been made, kept for a while: working one out takes seconds, and a
//! class asks for the same one thirty times.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use ring::digest::{SHA256, digest};
use tokio::sync::Semaphore;
use tokio::time::timeout;
use tracing::{error, warn};

use super::source::{CannotMake, MonthFiles, Wanted, make};
use crate::garden::plan::Garden;
use crate::model::Id;
use crate::page::errors::Problem;
use crate::store::Reader;

/// Months that are kept, and the bytes of their files.
const KEPT_MAX: usize = 12;
const BYTES_MAX: usize = 96 << 20;

/// Readings that one month may hold here: about 300 MB while it is worked out.
const READINGS_MAX: usize = 6_000_000;

/// Requests that wait for a month; the next is told to come again.
const WAITING_MAX: usize = 8;

/// How long a request waits for its month. The work goes on, and is kept.
const WAIT: Duration = Duration::from_secs(8);

/// How long a month that is over is kept while readings come in: one that came late may
/// belong to it.
const FRESH: SignedDuration = SignedDuration::from_mins(10);

/// What tells months apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Key {
    pub(super) site: Id,
    pub(super) wanted: Wanted,
    /// Up to when it is known, where it is not over.
    pub(super) until: Option<Timestamp>,
}

/// A month, and a strong tag for each of its files.
#[derive(Debug)]
pub(super) struct Ready {
    pub(super) month: MonthFiles,
    pub(super) tags: Vec<String>,
}

#[derive(Debug)]
struct Entry {
    key: Key,
    /// How often the record had changed when it was made, and when that was.
    changed: u64,
    made_at: Timestamp,
    bytes: usize,
    ready: Arc<Ready>,
}

/// The months, and the one place where they are made.
#[derive(Clone, Debug)]
pub(in crate::page) struct Kept {
    entries: Arc<Mutex<Vec<Entry>>>,
    /// One month is made at a time.
    making: Arc<Semaphore>,
    waiting: Arc<Semaphore>,
}

impl Default for Kept {
    fn default() -> Self {
        Self {
            entries: Arc::default(),
            making: Arc::new(Semaphore::new(1)),
            waiting: Arc::new(Semaphore::new(WAITING_MAX)),
        }
    }
}

/// The present, as a request knows it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Present {
    pub(super) at: Timestamp,
    /// Grows with each change of the record.
    pub(super) changed: u64,
}

impl Kept {
    /// The month of a key: a kept one, or one that is made now off the threads that
    /// serve.
    pub(super) async fn get(
        &self,
        reader: &Reader,
        garden: &Arc<Garden>,
        key: Key,
        present: Present,
    ) -> Result<Arc<Ready>, Problem> {
        if let Some(ready) = self.find(&key, present) {
            return Ok(ready);
        }
        let Ok(_waiting) = self.waiting.try_acquire() else { return Err(Problem::BeingMade) };
        let place = Arc::clone(&self.making).acquire_owned();
        let place = timeout(WAIT, place).await.map_err(|_| Problem::BeingMade)?;
        let place = place.expect("the semaphore is never closed");
        // Somebody else may have asked for the same one.
        if let Some(ready) = self.find(&key, present) {
            return Ok(ready);
        }
        let (kept, reader, garden) = (self.clone(), reader.clone(), Arc::clone(garden));
        let work = tokio::task::spawn_blocking(move || {
            let made = make(&reader, &garden, &key.wanted, key.until, READINGS_MAX);
            let ready = made.map(|month| kept.keep(key, month, present));
            drop(place);
            ready
        });
        match timeout(WAIT, work).await {
            Err(_) => Err(Problem::BeingMade),
            Ok(Ok(Ok(ready))) => Ok(ready),
            Ok(Ok(Err(CannotMake::Future))) => Err(Problem::NoSuchMonth),
            Ok(Ok(Err(fault @ CannotMake::TooMany { .. }))) => {
                warn!("a month for the page: {fault}");
                Err(Problem::MonthTooLarge)
            }
            Ok(Ok(Err(CannotMake::Store(fault)))) => {
                warn!("a month for the page: {fault}");
                Err(Problem::Unavailable)
            }
            Ok(Ok(Err(CannotMake::Report(fault)))) => {
                error!("a month for the page: {fault}");
                Err(Problem::Fault)
            }
            Ok(Err(fault)) => {
                error!("a month for the page: {fault}");
                Err(Problem::Fault)
            }
        }
    }

    fn find(&self, key: &Key, present: Present) -> Option<Arc<Ready>> {
        let mut entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        let at = entries.iter().position(|entry| entry.key == *key)?;
        let entry = entries.remove(at);
        let age = present.at.duration_since(entry.made_at);
        let fresh = entry.changed == present.changed || (!age.is_negative() && age < FRESH);
        let ready = fresh.then(|| Arc::clone(&entry.ready));
        if fresh {
            // The last one asked for goes last.
            entries.push(entry);
        }
        ready
    }

    fn keep(&self, key: Key, month: MonthFiles, present: Present) -> Arc<Ready> {
        let tags = month.files.iter().map(|file| tag(&file.bytes)).collect();
        let bytes = month.files.iter().map(|file| file.bytes.len()).sum();
        let ready = Arc::new(Ready { month, tags });
        let entry =
            Entry { key, changed: present.changed, made_at: present.at, bytes, ready: Arc::clone(&ready) };
        let mut entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        entries.retain(|other| other.key != entry.key);
        entries.push(entry);
        while entries.len() > 1
            && (entries.len() > KEPT_MAX
                || entries.iter().map(|entry| entry.bytes).sum::<usize>() > BYTES_MAX)
        {
            entries.remove(0);
        }
        ready
    }
}

/// A strong tag of bytes (RFC 9110, 8.8.3): the same bytes, the same tag.
pub(in crate::page) fn tag(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    let hash = digest(&SHA256, bytes);
    let mut tag = String::from("\"");
    for byte in hash.as_ref().iter().take(16) {
        let _ = write!(tag, "{byte:02x}");
    }
    tag.push('"');
    tag
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::month::Which;
    use crate::store::Store;

    const GARDEN: &str = include_str!("../../../config/gardens/saltbush-gully.toml");
    const TRUG: &str = include_str!("../../../config/trug.toml");

    fn school() -> (tempfile::TempDir, Reader, Arc<Garden>) {
        let gardens = [("saltbush-gully.toml", GARDEN)];
        let settings = crate::settings::from_text(("trug.toml", TRUG), &gardens, std::iter::empty())
            .unwrap_or_else(|faults| panic!("{faults}"));
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("trug.db");
        drop(Store::open(&path, &settings.gardens).expect("a new store"));
        let reader = Reader::open(&path).expect("the store can be read");
        let garden = settings.gardens.into_iter().next().expect("one garden");
        (folder, reader, Arc::new(garden))
    }

    fn key(month: i8) -> Key {
        let wanted = Wanted { which: Which { year: 2026, month }, compare: None, notes: true };
        Key { site: Id::new("saltbush-gully"), wanted, until: None }
    }

    const PRESENT: Present = Present { at: Timestamp::UNIX_EPOCH, changed: 1 };

    #[tokio::test]
    async fn a_month_is_made_once_and_again_when_it_may_have_changed() {
        let (_folder, reader, garden) = school();
        let kept = Kept::default();
        let get = async |present| kept.get(&reader, &garden, key(4), present).await.expect("a month");
        let first = get(PRESENT).await;
        assert!(Arc::ptr_eq(&first, &get(PRESENT).await), "the same record: the same month");
        let soon = Present { at: PRESENT.at + SignedDuration::from_mins(9), changed: 2 };
        assert!(Arc::ptr_eq(&first, &get(soon).await), "a late reading may wait some minutes");
        let later = Present { at: PRESENT.at + SignedDuration::from_mins(11), changed: 2 };
        let again = get(later).await;
        assert!(!Arc::ptr_eq(&first, &again), "then it is made again");
        assert_eq!(first.tags, again.tags, "and its files are the same");
    }

    #[tokio::test]
    async fn no_more_months_are_kept_than_there_is_room_for() {
        let (_folder, reader, garden) = school();
        let kept = Kept::default();
        for year in 2000..2000 + KEPT_MAX as i16 + 3 {
            let mut key = key(1);
            key.wanted.which.year = year;
            kept.get(&reader, &garden, key, PRESENT).await.expect("a month");
        }
        let entries = kept.entries.lock().expect("no test panics while it holds this");
        assert_eq!(entries.len(), KEPT_MAX);
        assert!(entries.iter().all(|entry| entry.key.wanted.which.year >= 2003), "the oldest went first");
    }

    #[tokio::test(start_paused = true)]
    async fn who_asks_while_another_is_made_is_told_to_come_again() {
        let (_folder, reader, garden) = school();
        let kept = Kept::default();
        let busy = kept.making.acquire().await.expect("the semaphore is open");
        let waited = kept.get(&reader, &garden, key(4), PRESENT).await;
        assert_eq!(waited.err(), Some(Problem::BeingMade), "after a while");
        let all = kept.waiting.acquire_many(WAITING_MAX as u32).await.expect("the semaphore is open");
        let refused = kept.get(&reader, &garden, key(4), PRESENT).await;
        assert_eq!(refused.err(), Some(Problem::BeingMade), "at once where too many wait");
        drop((busy, all));
        tokio::time::resume();
        assert!(kept.get(&reader, &garden, key(4), PRESENT).await.is_ok());
    }
}

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
use crate::garden::plan::{Garden, Id};
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

//! Months that have been made, kept for a while: working one out takes seconds, and a
//! class asks for the same one thirty times.

use std::sync::Arc;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use tokio::sync::Semaphore;
use tokio::time::timeout;
use tracing::{error, warn};

use super::source::{CannotMake, MonthFiles, MonthRequest, make};
use crate::garden::plan::Garden;
use crate::model::Id;
use crate::page::cache::{CacheMoment, FreshCache};
use crate::page::problem::Problem;
use crate::page::tags::tag;
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
pub(in crate::page) struct MonthKey {
    pub(super) site: Id,
    pub(super) wanted: MonthRequest,
    /// Up to when it is known, where it is not over.
    pub(super) until: Option<Timestamp>,
}

/// A month, and a strong tag for each of its files.
#[derive(Debug)]
pub(in crate::page) struct ReadyMonth {
    pub(super) month: MonthFiles,
    pub(super) tags: Vec<String>,
}

/// What takes long to make, kept, and the one place where it is made.
#[derive(Debug)]
pub(in crate::page) struct WorkCache<K, T> {
    kept: Arc<FreshCache<K, T>>,
    /// One is made at a time.
    making: Arc<Semaphore>,
    waiting: Semaphore,
}

/// The months.
pub(in crate::page) type MonthCache = WorkCache<MonthKey, ReadyMonth>;

impl<K: PartialEq, T> Default for WorkCache<K, T> {
    fn default() -> Self {
        Self {
            kept: Arc::new(FreshCache::new(KEPT_MAX, BYTES_MAX, FRESH)),
            making: Arc::new(Semaphore::new(1)),
            waiting: Semaphore::new(WAITING_MAX),
        }
    }
}

impl WorkCache<MonthKey, ReadyMonth> {
    /// The month of a key: a kept one, or one that is made now off the threads that
    /// serve.
    pub(super) async fn get(
        &self,
        reader: &Reader,
        garden: &Arc<Garden>,
        key: MonthKey,
        now: CacheMoment,
    ) -> Result<Arc<ReadyMonth>, Problem> {
        let (reader, garden, wanted, until) =
            (reader.clone(), Arc::clone(garden), key.wanted.clone(), key.until);
        let work = move || {
            let month = make(&reader, &garden, &wanted, until, READINGS_MAX)?;
            let bytes = month.files.iter().map(|file| file.bytes.len()).sum();
            let tags = month.files.iter().map(|file| tag(&file.bytes)).collect();
            Ok((bytes, ReadyMonth { month, tags }))
        };
        self.get_or_make(key, now, work).await
    }
}

impl<K, T> WorkCache<K, T>
where
    K: PartialEq + Send + 'static,
    T: Send + Sync + 'static,
{
    /// What a key stands for: a kept one, or one that `make` makes now with its bytes.
    pub(super) async fn get_or_make(
        &self,
        key: K,
        now: CacheMoment,
        make: impl FnOnce() -> Result<(usize, T), CannotMake> + Send + 'static,
    ) -> Result<Arc<T>, Problem> {
        if let Some(ready) = self.kept.get(&key, now) {
            return Ok(ready);
        }
        let Ok(_waiting) = self.waiting.try_acquire() else { return Err(Problem::BeingMade) };
        let place = Arc::clone(&self.making).acquire_owned();
        let place = timeout(WAIT, place).await.map_err(|_| Problem::BeingMade)?;
        let place = place.expect("the semaphore is never closed");
        // Another request may have asked for the same one.
        if let Some(ready) = self.kept.get(&key, now) {
            return Ok(ready);
        }
        let kept = Arc::clone(&self.kept);
        let work = tokio::task::spawn_blocking(move || {
            let ready = make().map(|(bytes, made)| kept.keep(key, now, bytes, made));
            drop(place);
            ready
        });
        let made = timeout(WAIT, work).await.map_err(|_| Problem::BeingMade)?.map_err(|fault| {
            error!("a month for the page: {fault}");
            Problem::Fault
        })?;
        made.map_err(|fault| {
            let problem = match fault {
                CannotMake::Future => return Problem::NoSuchMonth,
                CannotMake::TooMany { .. } => Problem::MonthTooLarge,
                CannotMake::Summarised { .. } => return Problem::MonthSummarised,
                CannotMake::Store(_) => Problem::Unavailable,
                CannotMake::Report(_) => Problem::Fault,
            };
            match problem {
                Problem::Fault => error!("a month for the page: {fault}"),
                _ => warn!("a month for the page: {fault}"),
            }
            problem
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::CalendarMonth;
    use crate::report::Level;
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

    fn key(month: i8) -> MonthKey {
        let wanted = MonthRequest {
            which: CalendarMonth { year: 2026, month },
            compare: None,
            notes: true,
            level: Level::default(),
        };
        MonthKey { site: Id::new("saltbush-gully"), wanted, until: None }
    }

    const PRESENT: CacheMoment = CacheMoment { at: Timestamp::UNIX_EPOCH, changed: 1 };

    #[tokio::test]
    async fn a_month_is_made_once_and_again_when_it_may_have_changed() {
        let (_folder, reader, garden) = school();
        let kept = MonthCache::default();
        let get = async |present| kept.get(&reader, &garden, key(4), present).await.expect("a month");
        let first = get(PRESENT).await;
        assert!(Arc::ptr_eq(&first, &get(PRESENT).await), "the same record: the same month");
        let soon = CacheMoment { at: PRESENT.at + SignedDuration::from_mins(9), changed: 2 };
        assert!(Arc::ptr_eq(&first, &get(soon).await), "a late reading may wait some minutes");
        let later = CacheMoment { at: PRESENT.at + SignedDuration::from_mins(11), changed: 2 };
        let again = get(later).await;
        assert!(!Arc::ptr_eq(&first, &again), "then it is made again");
        assert_eq!(first.tags, again.tags, "and its files are the same");
    }

    #[tokio::test]
    async fn no_more_months_are_kept_than_there_is_room_for() {
        let (_folder, reader, garden) = school();
        let kept = MonthCache::default();
        for year in 2000..2000 + KEPT_MAX as i16 + 3 {
            let mut key = key(1);
            key.wanted.which.year = year;
            kept.get(&reader, &garden, key, PRESENT).await.expect("a month");
        }
        let kept_still = |year| {
            let mut key = key(1);
            key.wanted.which.year = year;
            kept.kept.get(&key, PRESENT).is_some()
        };
        assert_eq!((2000..2020).filter(|year| kept_still(*year)).count(), KEPT_MAX);
        assert!(!(2000..2003).any(kept_still), "the oldest went first");
    }

    #[tokio::test(start_paused = true)]
    async fn who_asks_while_another_is_made_is_told_to_come_again() {
        let (_folder, reader, garden) = school();
        let kept = MonthCache::default();
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

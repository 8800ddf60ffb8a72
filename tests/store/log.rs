//! The log only grows: what was wrong is struck, stays in the record, and holds no more.

use jiff::Timestamp;
use trug::garden::log::{LogEntry, LogEvent};
use trug::model::Id;
use trug::store::{Reader, Store, StoreError, correct_log, strike_log, write_log};

use crate::support::garden::{at, school};

struct Log {
    folder: tempfile::TempDir,
    store: Store,
}

fn entry(ms: i64, litres: f64) -> LogEntry {
    LogEntry {
        site: Id::new("saltbush-gully"),
        place: Some(Id::new("kitchen-bed")),
        at: at(ms),
        what: LogEvent::Watered { litres: Some(litres) },
        note: String::new(),
    }
}

impl Log {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("trug.db"), &[school()]).expect("a new store");
        Self { folder, store }
    }

    fn path(&self) -> std::path::PathBuf {
        self.folder.path().join("trug.db")
    }

    fn reader(&self) -> Reader {
        Reader::open(&self.path()).expect("the store can be read")
    }

    fn write(&self, entry: &LogEntry) -> i64 {
        write_log(&self.path(), entry, at(1_000_000)).expect("written")
    }

    fn strike(&self, number: i64) -> Result<(), StoreError> {
        strike_log(&self.path(), &Id::new("saltbush-gully"), number, "a slip", at(2_000_000))
    }

    fn holds(&self) -> Vec<i64> {
        self.reader().log(0).expect("read").iter().map(|row| row.seq).collect()
    }
}

#[test]
fn what_is_struck_stays_in_the_record_and_holds_no_more() {
    let log = Log::new();
    let (first, second) = (log.write(&entry(0, 30.0)), log.write(&entry(60_000, 40.0)));
    log.strike(first).expect("struck");
    assert_eq!(log.holds(), [second]);
    let whole = log.reader().log_with_struck("saltbush-gully", Timestamp::MIN, Timestamp::MAX).expect("read");
    assert_eq!(whole.iter().map(|row| row.seq).collect::<Vec<_>>(), [first, second]);
    let struck = whole[0].struck.as_ref().expect("it is struck");
    assert_eq!(
        (struck.why.as_str(), struck.corrected_by, struck.written_at),
        ("a slip", None, at(2_000_000))
    );
    assert_eq!(log.reader().log_of("saltbush-gully", Timestamp::MIN, Timestamp::MAX).expect("read").len(), 1);

    let right = correct_log(&log.path(), &entry(60_000, 45.0), second, at(3_000_000)).expect("put right");
    assert_eq!(log.holds(), [right]);
    let row = log.reader().log_entry("saltbush-gully", second).expect("read").expect("it is there");
    assert_eq!(row.struck.and_then(|strike| strike.corrected_by), Some(right));
    let row = log.reader().log_entry("saltbush-gully", right).expect("read").expect("it is there");
    assert_eq!((row.corrects, row.struck), (Some(second), None));
    // What puts right can itself be struck; what it had struck does not come back.
    log.strike(right).expect("struck");
    assert_eq!(log.holds(), Vec::<i64>::new());
}

#[test]
fn nothing_is_struck_twice_or_where_there_is_nothing() {
    let log = Log::new();
    let first = log.write(&entry(0, 30.0));
    log.strike(first).expect("struck");
    assert!(matches!(log.strike(first), Err(StoreError::StruckAlready { number }) if number == first));
    let refused = correct_log(&log.path(), &entry(0, 31.0), first, at(0));
    assert!(matches!(refused, Err(StoreError::StruckAlready { .. })), "{refused:?}");
    assert!(matches!(log.strike(99), Err(StoreError::NoSuchEntry { number: 99 })));
    // The row that strikes is no entry, and that of another garden is not ours.
    assert!(matches!(log.strike(first + 1), Err(StoreError::NoSuchEntry { .. })));
    let other = strike_log(&log.path(), &Id::new("elsewhere"), first, "why", at(0));
    assert!(matches!(other, Err(StoreError::NoSuchEntry { .. })), "{other:?}");
    let whole = log.reader().whole_log(Timestamp::MIN, Timestamp::MAX).expect("read");
    assert_eq!(whole.len(), 1);
}

#[test]
fn the_daemon_takes_what_is_struck_once_and_keeps_its_twin() {
    let mut log = Log::new();
    let (first, twin) = (log.write(&entry(0, 30.0)), log.write(&entry(0, 30.0)));
    let third = log.write(&entry(60_000, 40.0));
    let news = log.store.log_to_take().expect("read");
    assert_eq!(news.iter().filter_map(|it| it.entry.as_ref()).count(), 3);
    log.store.log_taken(third).expect("noted");
    log.strike(first).expect("struck");
    let news = log.store.log_to_take().expect("read");
    assert_eq!((news.len(), &news[0].entry, &news[0].strikes), (1, &None, &None), "its twin holds");
    log.store.log_taken(news[0].seq).expect("noted");
    log.strike(twin).expect("struck");
    let right = correct_log(&log.path(), &entry(60_000, 45.0), third, at(0)).expect("put right");
    let news = log.store.log_to_take().expect("read");
    assert_eq!(news.len(), 2);
    assert_eq!(news[0].strikes, Some(entry(0, 30.0)));
    assert_eq!((&news[1].strikes, &news[1].entry), (&Some(entry(60_000, 40.0)), &Some(entry(60_000, 45.0))));
    // Struck before anybody looked: never taken.
    log.strike(right).expect("struck");
    let news = log.store.log_to_take().expect("read");
    assert_eq!((&news[1].entry, &news[1].strikes), (&None, &Some(entry(60_000, 40.0))));
}

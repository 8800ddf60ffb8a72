//! The store when its files are moved, removed or hold what this program does not know.

use crate::support::garden::{at, dry_bed, only, probes, reading, school};
use crate::support::rows::rejects;
use trug::alarms::{AlarmNote, Kind, State};
use trug::garden::record::Batch;
use trug::store::{Reader, Store, StoreError};

fn batch(number: i64) -> Batch {
    Batch { readings: vec![reading(0, number * 1000, number as f64)], ..Batch::default() }
}

#[test]
fn what_goes_into_a_file_that_was_moved_does_not_count_as_kept() {
    let folder = tempfile::tempdir().unwrap();
    let (path, away) = (folder.path().join("trug.db"), folder.path().join("away.db"));
    let mut store = Store::open(&path, &[probes(1)]).unwrap();
    store.commit(&only(&batch(1))).unwrap();
    std::fs::rename(&path, &away).unwrap();
    assert!(matches!(store.commit(&only(&batch(2))), Err(StoreError::Moved { .. })));
    // Another file in its place is not the one that is open.
    std::fs::write(&path, b"").unwrap();
    assert!(matches!(store.commit(&only(&batch(2))), Err(StoreError::Moved { .. })));
    std::fs::rename(&away, &path).unwrap();
    store.commit(&only(&batch(2))).unwrap();
    store.commit(&only(&batch(3))).unwrap();
    drop(store);
    assert_eq!(Reader::open(&path).unwrap().count().unwrap(), 3);
}

#[test]
fn a_log_that_was_removed_takes_nothing_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[probes(1)]).unwrap();
    for number in 1..=20 {
        store.commit(&only(&batch(number))).unwrap();
        if number % 7 == 0 {
            std::fs::remove_file(folder.path().join("trug.db-wal")).unwrap();
        }
    }
    // As after a power cut: nothing is tidied up.
    let copy = folder.path().join("copy");
    std::fs::create_dir(&copy).unwrap();
    for name in ["trug.db", "trug.db-wal"] {
        std::fs::copy(folder.path().join(name), copy.join(name)).unwrap();
    }
    drop(store);
    assert_eq!(Reader::open(&path).unwrap().count().unwrap(), 20);
    let copied = Store::open(&copy.join("trug.db"), &[probes(1)]).unwrap();
    assert_eq!(Reader::open(copied.path()).unwrap().count().unwrap(), 20);
}

#[test]
fn an_alarm_that_cannot_be_understood_is_set_aside_and_nothing_stops() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[school()]).unwrap();
    let changes = vec![dry_bed(1000, State::Normal, State::Unacknowledged)];
    store.commit(&only(&Batch { changes, ..Batch::default() })).unwrap();
    drop(store);
    let connection = rusqlite::Connection::open(&path).unwrap();
    connection
        .execute_batch("UPDATE alarm SET state = 'wobbling'; UPDATE alarm_change SET to_state = 'x'")
        .unwrap();
    drop(connection);
    let store = Store::open(&path, &[school()]).unwrap();
    assert_eq!(store.set_aside(), ["dry-bed/kitchen-bed at saltbush-gully"]);
    let reader = Reader::open(&path).unwrap();
    assert_eq!(reader.alarms_present().unwrap(), []);
    assert_eq!(reader.alarm_changes(at(0), at(10_000), None).unwrap(), []);
    let rejects = rejects(&reader, 10);
    assert_eq!(rejects.len(), 1);
    assert_eq!(rejects[0].topic, "alarm dry-bed/kitchen-bed at saltbush-gully");
    let row: serde_json::Value = serde_json::from_slice(&rejects[0].payload).unwrap();
    assert_eq!((&row["state"], &row["since"]), (&"wobbling".into(), &at(0).as_millisecond().into()));
    assert!(rejects[0].reason.contains("the state \"wobbling\""), "{}", rejects[0].reason);
    drop(store);
    assert_eq!(Store::open(&path, &[school()]).unwrap().set_aside(), [] as [&str; 0], "it is told once");
}

/// Each note was looked for among all that were written since its alarm began.
#[test]
fn many_notes_make_one_more_no_slower() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[school()]).unwrap();
    let note = |since: i64, ms: i64| AlarmNote {
        key: dry_bed(0, State::Normal, State::Unacknowledged).record.key,
        since: at(since),
        at: at(ms),
        note: format!("The tap of {since} is being mended at {ms}."),
        how: "mqtt".to_owned(),
    };
    // One hundred each, which is what one alarm can have.
    let old =
        (1..=400).flat_map(|since| (0..100).map(move |n| note(since * 1000, since * 1000 + n))).collect();
    store.commit(&only(&Batch { notes: old, ..Batch::default() })).unwrap();
    let new: Vec<_> = (1..=3000).map(|n| note(n % 50, 1_000_000 + n)).collect();
    let began = std::time::Instant::now();
    store.commit(&only(&Batch { notes: new, ..Batch::default() })).unwrap();
    let took = began.elapsed();
    assert!(took < std::time::Duration::from_secs(4), "{took:?}");
    let last = Reader::open(&path).unwrap();
    let last = last.last_notes(at(0), &trug::model::Id::new("saltbush-gully"), 2).unwrap();
    assert_eq!(last.len(), 2 * 450, "the last two of each");
    assert!(last.iter().all(|it| it.key.kind == Kind::DryBed));
    assert_eq!(
        last.iter().filter(|it| it.since == at(5000)).map(|it| it.at).collect::<Vec<_>>(),
        [at(5098), at(5099)]
    );
}

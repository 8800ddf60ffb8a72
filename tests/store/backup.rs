//! A backup is whole while the daemon writes, is put back without a loss, and a damaged
//! record is moved aside and carried over.

use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use trug::garden::record::Batch;
use trug::store::{
    BackupFault, Reader, Store, StoreError, Transaction, back_up, look_through, mend_damaged, put_back,
};

use crate::support::garden::{at, only, probes, reading};

fn add(store: &mut Store, from: i64, to: i64) {
    for ms in from..to {
        let readings = (0..10).map(|sensor| reading(sensor, ms * 60_000, 1000.0 + ms as f64)).collect();
        store
            .commit(&Transaction { ..only(&Batch { readings, ..Batch::default() }) })
            .expect("they are kept");
    }
}

fn store(path: &Path) -> Store {
    Store::open(path, &[probes(10)]).expect("it opens")
}

/// Every reading, as a line.
fn readings(path: &Path) -> Vec<String> {
    let connection = rusqlite::Connection::open(path).unwrap();
    let mut select = connection
        .prepare(
            "SELECT at, series, raw, value, flag, tests, time_from, late FROM reading ORDER BY at, series",
        )
        .unwrap();
    let rows = select.query_map([], |row| {
        let column = |n| row.get::<_, rusqlite::types::Value>(n).unwrap();
        Ok(format!("{:?}", (0..8).map(column).collect::<Vec<_>>()))
    });
    rows.unwrap().map(Result::unwrap).collect()
}

fn beside(path: &Path, after: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(after);
    name.into()
}

#[test]
fn a_backup_is_whole_while_the_record_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let (path, copy) = (folder.path().join("trug.db"), folder.path().join("backup.db"));
    let mut writer = store(&path);
    add(&mut writer, 0, 200);
    let stop = AtomicBool::new(false);
    let (content, written) = std::thread::scope(|scope| {
        let writing = scope.spawn(|| {
            let mut ms = 200;
            while !stop.load(Ordering::Relaxed) {
                add(&mut writer, ms, ms + 5);
                ms += 5;
            }
            ms
        });
        let content = back_up(&path, &copy).expect("a copy");
        stop.store(true, Ordering::Relaxed);
        (content, writing.join().unwrap())
    });
    assert!(content.readings >= 2000, "{content:?}");
    assert_eq!(content, look_through(&copy).unwrap());
    // What it holds is what the record held at one moment: a beginning of what it holds now.
    let (kept, all) = (readings(&copy), readings(&path));
    assert_eq!(all.len() as i64, written * 10);
    assert_eq!(kept.len() as u64, content.readings);
    assert_eq!(kept[..], all[..kept.len()]);
    assert!(!beside(&copy, ".part").exists());

    // A plain copy of the file alone has less: the newest stand in the log beside it.
    let plain = folder.path().join("plain.db");
    fs::copy(&path, &plain).unwrap();
    let in_plain = rusqlite::Connection::open(&plain)
        .and_then(|it| it.query_row("SELECT count(*) FROM reading", [], |row| row.get::<_, i64>(0)))
        .unwrap_or(0);
    assert!(in_plain < written * 10);

    // It is a record like any other.
    let again = Reader::open(&copy).unwrap();
    assert_eq!(again.count().unwrap(), content.readings);
}

#[test]
fn a_backup_overwrites_nothing_and_takes_nothing_else_for_a_record() {
    let folder = tempfile::tempdir().unwrap();
    let (path, copy) = (folder.path().join("trug.db"), folder.path().join("backup.db"));
    add(&mut store(&path), 0, 10);
    fs::write(&copy, "somebody's").unwrap();
    assert!(matches!(back_up(&path, &copy), Err(BackupFault::Exists { .. })));
    assert_eq!(fs::read(&copy).unwrap(), b"somebody's");
    let nowhere = folder.path().join("nowhere").join("backup.db");
    assert!(matches!(back_up(&path, &nowhere), Err(BackupFault::Copy { .. })));
    let missing = back_up(&folder.path().join("no.db"), &folder.path().join("new.db"));
    assert!(matches!(missing, Err(BackupFault::Store(StoreError::Missing { .. }))));

    let before = readings(&path);
    let refused = |backup: &Path| put_back(backup, &path, at(0)).unwrap_err();
    assert!(matches!(refused(&folder.path().join("none.db")), BackupFault::NoFile { .. }));
    assert!(matches!(refused(&path), BackupFault::Itself { .. }));
    assert!(matches!(refused(&copy), BackupFault::Store(StoreError::NotADatabase { .. })));
    let foreign = folder.path().join("foreign.db");
    rusqlite::Connection::open(&foreign).unwrap().execute_batch("CREATE TABLE other (a)").unwrap();
    assert!(matches!(refused(&foreign), BackupFault::Store(StoreError::Foreign { .. })));
    let newer = folder.path().join("newer.db");
    back_up(&path, &newer).unwrap();
    rusqlite::Connection::open(&newer).unwrap().pragma_update(None, "user_version", 999).unwrap();
    assert!(matches!(refused(&newer), BackupFault::Store(StoreError::Newer { .. })));
    let torn = folder.path().join("torn.db");
    back_up(&path, &torn).unwrap();
    damage(&torn, 1);
    assert!(matches!(refused(&torn), BackupFault::Damaged { .. }));
    assert_eq!(readings(&path), before, "nothing was touched");
}

#[test]
fn a_backup_is_put_back_and_what_stood_there_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let (path, copy) = (folder.path().join("trug.db"), folder.path().join("backup.db"));
    let mut writer = store(&path);
    add(&mut writer, 0, 50);
    back_up(&path, &copy).unwrap();
    let (early, bytes) = (readings(&copy), fs::read(&copy).unwrap());
    add(&mut writer, 50, 80);
    let late = readings(&path);
    // Not under a running daemon.
    let refused = put_back(&copy, &path, at(0));
    assert!(matches!(refused, Err(BackupFault::Store(StoreError::Locked { .. }))), "{refused:?}");
    drop(writer);

    let back = put_back(&copy, &path, at(0)).unwrap();
    assert_eq!(readings(&path), early);
    assert_eq!(fs::read(&copy).unwrap(), bytes, "the backup stays");
    let aside = back.aside.expect("there was a record");
    assert_eq!(readings(&aside), late);
    // Twice within a second: nothing is overwritten.
    let again = put_back(&copy, &path, at(0)).unwrap().aside.expect("there was a record");
    assert_ne!(again, aside);
    assert_eq!(readings(&aside), late);
    add(&mut store(&path), 50, 51);
    assert_eq!(readings(&path).len(), early.len() + 10);
}

/// Overwrites pages within a file's table of readings.
fn damage(path: &Path, pages: usize) {
    let connection = rusqlite::Connection::open(path).unwrap();
    connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
    drop(connection);
    let mut bytes = fs::read(path).unwrap();
    let page = usize::from(u16::from_be_bytes([bytes[16], bytes[17]]));
    // Leaves of a table without rowids begin with 10; the largest table is that of readings.
    let leaves: Vec<usize> =
        (1..bytes.len() / page).map(|n| n * page).filter(|&at| bytes[at] == 10).collect();
    let middle = leaves.len() / 2;
    for &at in &leaves[middle..middle + pages] {
        bytes[at..at + page].fill(0xA5);
    }
    fs::write(path, bytes).unwrap();
}

#[test]
fn a_damaged_record_is_moved_aside_and_carried_over() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    add(&mut store(&path), 0, 2000);
    let all = readings(&path);
    assert_eq!(mend_damaged(&path, at(0)).unwrap(), None, "it is whole");
    damage(&path, 1);
    let damaged = fs::read(&path).unwrap();
    // A start that broke off while it carried over left a part of it.
    fs::write(beside(&path, ".coming"), "half a record").unwrap();

    let salvaged = mend_damaged(&path, at(0)).unwrap().expect("it is damaged");
    assert_eq!(fs::read(&salvaged.aside).unwrap(), damaged, "nothing of it is deleted or changed");
    assert!(salvaged.broken.iter().any(|it| it == "reading"), "{salvaged:?}");
    let kept = readings(&path);
    assert_eq!(kept.len() as u64, salvaged.readings);
    // A page holds some hundred readings.
    assert!(all.len() - kept.len() < 300, "{} of {}", kept.len(), all.len());
    let all: HashSet<_> = all.into_iter().collect();
    assert!(kept.iter().all(|it| all.contains(it)), "none is made up");
    assert!(!beside(&path, ".coming").exists());
    // It goes on.
    add(&mut store(&path), 2000, 2001);
    assert_eq!(readings(&path).len(), kept.len() + 10);
    assert_eq!(mend_damaged(&path, at(0)).unwrap(), None, "it is whole again");
    let held = store(&path);
    assert!(matches!(mend_damaged(&path, at(0)), Err(StoreError::Locked { .. })));
    drop(held);
}

#[test]
fn what_is_no_record_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    assert_eq!(mend_damaged(&path, at(0)).unwrap(), None, "there is none");
    fs::write(&path, "a letter to the school").unwrap();
    assert_eq!(mend_damaged(&path, at(0)).unwrap(), None);
    assert_eq!(fs::read(&path).unwrap(), b"a letter to the school");
}

//! A step that breaks anywhere leaves every reading in one place, and is done again.

use std::path::Path;

use crate::store::test_garden::{at, only, probes, reading};

use rusqlite::Connection;

use super::*;
use crate::garden::record::{Batch, Reading, Reflag};
use crate::quality::{Flag, Tests};
use crate::store::{QuarterProgress, Reader, ReadingFilter, Store, StoreError, WriteFault};

const DAYS: i64 = 4;
const SENSORS: u32 = 3;

fn end() -> Timestamp {
    at(DAYS * DAY_MS)
}

fn readings(minutes: impl Iterator<Item = i64>) -> Vec<Reading> {
    let each =
        |minute: i64| (0..SENSORS).map(move |sensor| reading(sensor, minute * 60_000, (minute % 97) as f64));
    minutes.flat_map(each).collect()
}

fn put(store: &mut Store, readings: Vec<Reading>) {
    store.commit(&only(&Batch { readings, ..Batch::default() })).unwrap();
}

fn fill(path: &Path) {
    let mut store = Store::open(path, &[probes(SENSORS)]).unwrap();
    put(&mut store, readings((0..DAYS * 1440).step_by(4)));
    while store.fill_quarters(end()).unwrap() == QuarterProgress::More {}
}

fn open(path: &Path) -> Store {
    Store::open(path, &[probes(SENSORS)]).unwrap()
}

fn pack_all(store: &mut Store) {
    while store.pack(end()).unwrap() != PackProgress::Done {}
}

/// Every reading as it is read, each once, and the rows that are not packed.
fn all(path: &Path) -> Vec<String> {
    let connection = Connection::open(path).unwrap();
    let check: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(check, "ok");
    let reader = Reader::open(path).unwrap();
    let mut all = Vec::new();
    let each = |row: crate::store::StoredReading<'_>| {
        let numbers = (row.raw.to_bits(), row.value.map(f64::to_bits), row.flag, row.tests.0, row.late);
        all.push(format!("{} {} {numbers:?}", row.series.number, row.at));
        std::ops::ControlFlow::Continue(())
    };
    reader.readings(&ReadingFilter::default(), each).unwrap();
    assert_eq!(reader.count().unwrap(), all.len() as u64);
    // The quarter hours are of what is not packed.
    let sum = |sql: &str| connection.query_row::<i64, _, _>(sql, [], |row| row.get(0)).unwrap();
    let until = sum("SELECT coalesce(max(value), 0) FROM counter WHERE name = 'quarters_until'");
    let stale = "EXISTS (SELECT 1 FROM quarter_stale s WHERE s.series = it.series AND s.start = it";
    let made = sum(&format!("SELECT coalesce(sum(readings), 0) FROM quarter AS it WHERE NOT {stale}.start)"));
    let rows = sum(&format!(
        "SELECT count(*) FROM reading AS it WHERE at < {until} AND NOT {stale}.at - it.at % 900000)"
    ));
    assert_eq!(made, rows);
    all
}

fn faults() -> impl Iterator<Item = WriteFault> {
    // From the first instruction on; further apart as it goes.
    let steps =
        std::iter::successors(Some(1), |step| Some(step + 1 + step / 7)).take_while(|step| *step < 900_000);
    steps.map(WriteFault::Step).chain([WriteFault::End]).chain([0, 1, 3, 8].map(WriteFault::Full))
}

/// Does `work` while writes fail, and again; in the end the record is what it is without a fault.
fn broken_anywhere(prepare: impl Fn(&mut Store), work: impl Fn(&mut Store) -> Result<(), StoreError>) -> u32 {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    fill(&path);
    let mut store = open(&path);
    prepare(&mut store);
    drop(store);
    let copy = |name: &str| {
        let to = folder.path().join(name);
        Connection::open(&path).unwrap().execute("VACUUM INTO ?1", [to.to_string_lossy()]).unwrap();
        to
    };
    let whole = copy("whole.db");
    let before = all(&whole);
    let mut store = open(&whole);
    work(&mut store).unwrap();
    let after = all(&whole);
    drop(store);
    let mut broken = 0;
    for (number, fault) in faults().enumerate() {
        let path = copy(&format!("{number}.db"));
        let mut store = open(&path);
        store.fail_writes(Some(fault));
        let failed = work(&mut store).is_err();
        store.fail_writes(None);
        broken += u32::from(failed);
        let found = all(&path);
        assert!(found == after || (failed && found == before), "{fault:?}");
        // The same process goes on; and one that is started again.
        work(&mut store).unwrap();
        assert_eq!(all(&path), after, "{fault:?}, again");
        drop(store);
        let mut store = open(&path);
        pack_all(&mut store);
        assert_eq!(all(&path), after, "{fault:?}, and after a start");
    }
    broken
}

#[test]
fn packing_that_breaks_anywhere_loses_nothing() {
    let broken = broken_anywhere(
        |_| {},
        |store| {
            for _ in 0..30 {
                if store.pack(end())? == PackProgress::Done {
                    break;
                }
            }
            Ok(())
        },
    );
    assert!(broken > 40, "{broken} broke");
}

#[test]
fn what_comes_late_and_breaks_anywhere_is_put_into_its_block_once() {
    let late = |store: &mut Store| {
        pack_all(store);
        put(store, readings((1..1500).step_by(40)));
    };
    let broken = broken_anywhere(late, |store| {
        // As on the next day.
        store.packing.work = PackWork::Pack((i64::MIN, -1));
        for _ in 0..30 {
            if store.pack(end())? == PackProgress::Done {
                break;
            }
        }
        Ok(())
    });
    assert!(broken > 40, "{broken} broke");
}

#[test]
fn a_flag_that_breaks_on_the_way_to_a_packed_reading_leaves_it_whole() {
    let broken = broken_anywhere(pack_all, |store| {
        let reflags = (0..40).map(|n| Reflag {
            sensor: crate::model::SensorIx(n % SENSORS),
            at: at(i64::from(n) * 4 * 60_000),
            flag: Flag::Suspect,
            tests: Tests(0x2_2223),
        });
        let batch = Batch { reflags: reflags.collect(), ..Batch::default() };
        store.commit(&only(&batch)).map(drop)
    });
    assert!(broken > 20, "{broken} broke");
}

/// How many small blocks come of a day, and how many are left.
#[test]
fn small_blocks_are_joined() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[probes(SENSORS)]).unwrap();
    for day in 0..DAYS * 5 {
        put(&mut store, readings((day * 288..(day + 1) * 288).map(|n| n * 5)));
        let now = at((day + 1) * DAY_MS);
        while store.pack(now).unwrap() != PackProgress::Done {}
        let small = "SELECT count(*) FROM block WHERE series = 1 AND readings < 2048";
        let small: i64 = store.connection.query_row(small, [], |row| row.get(0)).unwrap();
        assert!(small <= 1, "{small} on day {day}");
    }
    let (blocks, most): (i64, i64) = store
        .connection
        .query_row("SELECT count(*), max(readings) FROM block", [], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap();
    assert!(blocks <= 6 && most <= i64::try_from(BLOCK_MAX).unwrap(), "{blocks}, {most}");
}

/// So many sensors that a list of their readings holds parts of blocks.
#[test]
fn a_list_of_very_many_sensors_is_the_same() {
    const MANY: u32 = 300;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[probes(MANY)]).unwrap();
    let each = |n: i64| {
        (0..MANY).map(move |sensor| reading(sensor, n * 3_600_000 + i64::from(sensor % 7) * 11, n as f64))
    };
    put(&mut store, (0..96).flat_map(each).collect());
    let before = all(&path);
    pack_all(&mut store);
    assert_eq!(all(&path), before);
    let reader = Reader::open(&path).unwrap();
    let map = store.series();
    let mut newest = Vec::new();
    let each = |it: Reading| {
        newest.push((it.at, it.sensor.0));
        std::ops::ControlFlow::Continue(())
    };
    reader.newest_first(at(0)..end(), map, each).unwrap();
    assert_eq!(newest.len(), before.len());
    assert!(newest.windows(2).all(|it| it[0] > it[1]));
}

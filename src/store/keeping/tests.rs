//! A step that breaks anywhere leaves every reading counted once, and is done again.

use std::path::Path;

use crate::store::test_garden::{at, forwarded, only, probes, reading};

use jiff::tz::TimeZone;
use rusqlite::Connection;

use super::*;
use crate::garden::record::Batch;
use crate::history::BinWidth;
use crate::store::{Transaction, WriteFault, query};

const DAYS: i64 = 4;
const MINUTES: i64 = 20;

/// Readings of three probes; the last ones wait for a server.
fn fill(path: &Path) -> u64 {
    let mut store = Store::open(path, &[probes(3)]).unwrap();
    store.set_forwarders(&["school"]).unwrap();
    let number = store.begin_import("july.csv", at(0)).unwrap();
    let minutes = (0..DAYS * 1440).step_by(usize::try_from(MINUTES).unwrap());
    let readings: Vec<_> =
        minutes.flat_map(|m| (0..3).map(move |sensor| reading(sensor, m * 60_000, m as f64))).collect();
    let half = readings.len() / 3;
    for (part, forward) in [(&readings[..half], false), (&readings[half..], true)] {
        let batch = Batch { readings: part.to_vec(), ..Batch::default() };
        store.commit(&Transaction { forward, ..only(&batch) }).unwrap();
    }
    store.end_import(number).unwrap();
    // The server has all but the last day.
    let position = i64::try_from(readings.len() - half).unwrap() - 3 * 1440 / MINUTES;
    let batch = Batch::default();
    store.commit(&Transaction { forwarded: &[forwarded("school", position)], ..only(&batch) }).unwrap();
    while store.fill_quarters(end()).unwrap() == QuarterProgress::More {}
    readings.len() as u64
}

fn end() -> Timestamp {
    at(DAYS * 86_400_000)
}

fn open(path: &Path) -> Store {
    let gardens = [probes(3)];
    let mut store = Store::open(path, &gardens).unwrap();
    store.set_keep_readings(Some(1), &gardens);
    store
}

/// Readings where they stand, and those in days' rows; all days as they are read.
fn counted(path: &Path) -> (u64, Vec<String>) {
    let connection = Connection::open(path).unwrap();
    let check: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(check, "ok");
    let one = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap().unsigned_abs();
    let all = one("SELECT count(*) FROM reading") + one("SELECT coalesce(sum(readings), 0) FROM day_summary");
    let imported = one("SELECT count(*) FROM import_reading") + one("SELECT sum(thinned) FROM import_batch");
    assert_eq!(imported, all, "what an import brought is counted once as well");
    let reader = crate::store::Reader::open(path).unwrap();
    let zone = TimeZone::get("Australia/Adelaide").unwrap();
    let mut days = Vec::new();
    for sensor in 0..3 {
        let name = format!("probe-{sensor}");
        let bins =
            reader.bins("saltbush-gully", &name, at(-86_400_000), end(), BinWidth::Day, &zone).unwrap();
        // Sums hang on the order of adding up.
        days.extend(bins.iter().map(|it| {
            let sum = (it.sum * 1e9).round();
            format!("{} {} {} {} {} {} {}", it.start, it.readings, it.good, sum, it.min, it.max, it.last)
        }));
    }
    (all, days)
}

fn thin_all(store: &mut Store) {
    while store.thin_now(end()).unwrap() != ThinProgress::Done {}
}

#[test]
fn a_step_that_breaks_anywhere_counts_nothing_twice_and_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let readings = fill(&path);
    let expected = counted(&path);
    assert_eq!(expected.0, readings);
    let copy = |name: &str| {
        let to = folder.path().join(name);
        let _ = std::fs::remove_file(&to);
        Connection::open(&path).unwrap().execute("VACUUM INTO ?1", [to.to_string_lossy()]).unwrap();
        to
    };
    // What it comes to where nothing breaks.
    let whole = copy("whole.db");
    thin_all(&mut open(&whole));
    assert_eq!(counted(&whole), expected);
    let days = |path: &Path| {
        let connection = Connection::open(path).unwrap();
        let sql = "SELECT series || ' ' || start || ' ' || readings || ' ' || raw_first || ' ' || raw_last || ' ' || seen_to
                   FROM day_summary ORDER BY series, start";
        let rows: Vec<String> = query::list(&connection, sql, [], |row| row.get(0)).unwrap();
        rows
    };
    assert!(days(&whole).len() >= 6, "{:?}", days(&whole));
    let mut broken = 0;
    // From the first instruction on; further apart as it goes.
    let mut steps: Vec<WriteFault> = Vec::new();
    let mut step = 1;
    while step < 400_000 {
        steps.push(WriteFault::Step(step));
        step += 1 + step / 12;
    }
    steps.push(WriteFault::End);
    steps.extend((0..4).map(WriteFault::Full));
    for fault in steps {
        let path = copy("part.db");
        let mut store = open(&path);
        store.fail_writes(Some(fault));
        let mut failed = false;
        for _ in 0..20 {
            match store.thin_now(end()) {
                Ok(ThinProgress::Done) => break,
                Ok(ThinProgress::More { .. }) => {}
                Err(_) => {
                    failed = true;
                    break;
                }
            }
        }
        store.fail_writes(None);
        broken += u32::from(failed);
        assert_eq!(counted(&path), expected, "{fault:?}");
        // The same process goes on; and one that is started again.
        thin_all(&mut store);
        drop(store);
        thin_all(&mut open(&path));
        assert_eq!(counted(&path), expected, "{fault:?}, and again");
        assert_eq!(days(&path), days(&whole), "{fault:?}");
    }
    assert!(broken > 60, "{broken} broke");
}

#[test]
fn a_long_queue_for_a_server_is_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    fill(&path);
    let mut store = open(&path);
    for sensor in 0..2 {
        let readings = (0..60_000).map(|n| reading(sensor, 5 * 86_400_000 + n * 1000, 1.0)).collect();
        let batch = Batch { readings, ..Batch::default() };
        store.commit(&Transaction { forward: true, ..only(&batch) }).unwrap();
    }
    let later = at(5 * 86_400_000 + 60_000_000);
    let mut steps = 0;
    while let ThinProgress::More { readings } = store.thin_now(later).unwrap() {
        assert_eq!(readings, 0, "only quarter hours are made");
        steps += 1;
        assert!(steps < 1000);
    }
    assert_eq!(
        Connection::open(&path).unwrap().query_row("SELECT count(*) FROM day_summary", [], |row| row.get(0)),
        Ok(0)
    );
}

/// What waits for a server that was taken out of the settings holds nothing.
#[test]
fn a_queue_without_a_server_is_let_go() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let readings = fill(&path);
    let mut store = open(&path);
    store.set_forwarders(&[]).unwrap();
    thin_all(&mut store);
    let first =
        crate::store::Reader::open(&path).unwrap().single_readings_from("saltbush-gully").unwrap().unwrap();
    let connection = Connection::open(&path).unwrap();
    let before: i64 = connection
        .query_row("SELECT count(*) FROM reading WHERE at < ?1", [first.as_millisecond()], |row| row.get(0))
        .unwrap();
    assert_eq!(before, 0);
    assert_eq!(counted(&path).0, readings);
    // A server that comes later gets what comes from then on, from the first row.
    store.set_forwarders(&["later"]).unwrap();
    let batch = Batch { readings: vec![reading(0, DAYS * 86_400_000 + 1000, 1.0)], ..Batch::default() };
    store.commit(&Transaction { forward: true, ..only(&batch) }).unwrap();
    let reader = crate::store::Reader::open(&path).unwrap();
    let position = reader.forward_position("later").unwrap();
    assert_eq!(reader.forward_rows(position, 10).unwrap().len(), 1);
}

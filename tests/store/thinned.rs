//! Single readings that are old go into their days' figures: whatever happens meanwhile,
//! each counts once, days stay what the readings gave, and what a server has still to get
//! stays.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::ops::ControlFlow;
use std::path::Path;

use crate::support::garden::{BED_KEYS, GardenFile, at, forwarded, garden_of, only, probes, reading};
use crate::support::rows::{forward_last, rejects};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;
use trug::garden::plan::Garden;
use trug::garden::record::{Batch, Reading};
use trug::history::{Bin, BinWidth, Point, bin_of};
use trug::quality::Flag;
use trug::store::{
    QuarterProgress, Reader, ReadingFilter, RefusedRow, Store, StoreError, ThinProgress, Transaction,
    back_up, look_through, mend_damaged, put_back, settle_refused,
};

const SITE: &str = "saltbush-gully";
const SENSORS: u32 = 3;
/// Clocks in Adelaide went back on 5 April 2026 (IANA time zone database).
const BEGIN: &str = "2026-04-02T13:00:00Z";
const SPAN_S: i64 = 6 * 86_400;
const KEEP_DAYS: u32 = 1;

fn begin() -> Timestamp {
    BEGIN.parse().unwrap()
}

fn seconds(s: i64) -> Timestamp {
    begin() + SignedDuration::from_secs(s)
}

fn adelaide() -> TimeZone {
    TimeZone::get("Australia/Adelaide").unwrap()
}

fn open(path: &Path, gardens: &[Garden]) -> Store {
    let mut store = Store::open(path, gardens).unwrap();
    store.set_forwarders(&["school"]).unwrap();
    store.set_keep_readings(Some(KEEP_DAYS), gardens);
    store
}

/// What happens to a store.
#[derive(Clone, Debug)]
enum Deed {
    /// Readings one after the other: sensor, seconds after the beginning, number, flag.
    Take(Vec<(u32, i64, u32, u8)>),
    /// Some that are there already, by their place in the list of all.
    Again(Vec<usize>),
    /// So many steps, at a time of seconds after the beginning.
    Thin(u8, i64),
    /// The server takes so many rows.
    Send(i64),
    Restart,
    /// The process is killed: what was not committed is gone.
    Kill,
    Backup,
}

fn deed() -> impl Strategy<Value = Deed> {
    let reading = (0..SENSORS, 0..SPAN_S, 0_u32..4000, 0_u8..5);
    prop_oneof![
        5 => prop::collection::vec(reading, 1..25).prop_map(Deed::Take),
        2 => prop::collection::vec(any::<usize>(), 1..10).prop_map(Deed::Again),
        6 => (1_u8..4, SPAN_S / 3..SPAN_S).prop_map(|(steps, s)| Deed::Thin(steps, s)),
        3 => (1_i64..60).prop_map(Deed::Send),
        1 => Just(Deed::Restart),
        1 => Just(Deed::Kill),
        1 => Just(Deed::Backup),
    ]
}

fn made(sensor: u32, s: i64, raw: u32, number: u8) -> Reading {
    let flag = [Flag::Pass, Flag::NotEvaluated, Flag::Suspect, Flag::Fail, Flag::Pass][usize::from(number)];
    let value = (number != 4).then(|| f64::from(raw) / 10_000.0);
    Reading { at: seconds(s), value, flag, ..reading(sensor, 0, f64::from(raw)) }
}

fn key(it: &Reading) -> (Timestamp, u32) {
    (it.at, it.sensor.0)
}

fn bins_of(readings: &[Reading], sensor: u32, step: BinWidth) -> Vec<Bin> {
    let mut bins: BTreeMap<Timestamp, Bin> = BTreeMap::new();
    let mut sorted: Vec<&Reading> = readings.iter().filter(|it| it.sensor.0 == sensor).collect();
    sorted.sort_by_key(|it| it.at);
    for it in sorted {
        let (start, end) = bin_of(it.at, step, &adelaide());
        let point = Point { at: it.at, raw: it.raw, value: it.value, flag: it.flag, late: it.late };
        bins.entry(start).or_insert_with(|| Bin::empty(start, end)).add(&point);
    }
    bins.into_values().collect()
}

/// Equal, but that sums may be added up in another order.
fn same(found: &[Bin], expected: &[Bin]) {
    let plain = |bin: &Bin| Bin { sum: 0.0, last: if bin.good > 0 { bin.last } else { 0.0 }, ..*bin };
    let all = |bins: &[Bin]| bins.iter().map(plain).collect::<Vec<_>>();
    assert_eq!(all(found), all(expected));
    for (found, expected) in found.iter().zip(expected) {
        assert!((found.sum - expected.sum).abs() < 1e-9, "{found:?} {expected:?}");
    }
}

/// The single readings that are there.
fn single(reader: &Reader) -> BTreeSet<(Timestamp, u32)> {
    let mut keys = BTreeSet::new();
    reader
        .readings(&ReadingFilter::default(), |row| {
            let sensor: u32 = row.series.sensor.trim_start_matches("probe-").parse().unwrap();
            keys.insert((row.at, sensor));
            ControlFlow::Continue(())
        })
        .unwrap();
    keys
}

fn count(path: &Path, sql: &str) -> i64 {
    rusqlite::Connection::open(path).unwrap().query_row(sql, [], |row| row.get(0)).unwrap()
}

/// Everything that is kept is what `model` gives.
fn check(path: &Path, model: &[Reading]) -> Reader {
    let reader = Reader::open(path).unwrap();
    let there = single(&reader);
    let kept: Vec<Reading> = model.iter().filter(|it| there.contains(&key(it))).copied().collect();
    assert_eq!(kept.len(), there.len(), "nothing is there that did not come");
    let summarised = count(path, "SELECT coalesce(sum(readings), 0) FROM day_summary");
    assert_eq!(there.len() as i64 + summarised, model.len() as i64, "each counts once");
    let flags = "SELECT coalesce(sum(passed + unchecked + suspected + failed + missing), 0) FROM day_summary";
    assert_eq!(count(path, flags), summarised);
    let (from, to) = (seconds(-2 * 86_400), seconds(SPAN_S + 2 * 86_400));
    let names: Vec<String> = (0..SENSORS).map(|n| format!("probe-{n}")).collect();
    for (step, of) in [(BinWidth::Day, model), (BinWidth::Hour, &kept[..])] {
        let all = reader.bins_of(SITE, &names, from, to, step, &adelaide()).unwrap();
        for (sensor, bins) in (0..SENSORS).zip(&all) {
            same(bins, &bins_of(of, sensor, step));
        }
    }
    let midnights: Vec<Timestamp> = bins_of(model, 0, BinWidth::Day).iter().map(|bin| bin.start).collect();
    let good = |ends: &[Timestamp]| {
        let within = |it: &&Reading| {
            it.sensor.0 == 0
                && ends[0] <= it.at
                && it.at < ends[1]
                && it.value.is_some()
                && matches!(it.flag, Flag::Pass | Flag::NotEvaluated)
        };
        model.iter().filter(within).count() as u64
    };
    let expected: Vec<u64> = midnights.windows(2).map(good).collect();
    assert_eq!(reader.good_counts(SITE, &["probe-0"], &midnights).unwrap(), expected);
    for sensor in 0..SENSORS {
        let first = model.iter().filter(|it| it.sensor.0 == sensor).map(|it| it.at).min();
        assert_eq!(reader.first_heard(SITE, &[format!("probe-{sensor}")], to).unwrap(), first);
    }
    let ends = model.iter().map(|it| it.at).min().zip(model.iter().map(|it| it.at).max());
    assert_eq!(reader.known_span().unwrap(), ends);
    // What a server has still to get is there.
    let missing = "SELECT count(*) FROM forward_queue AS q WHERE NOT EXISTS
                   (SELECT 1 FROM reading AS r WHERE r.at = q.at AND r.series = q.series)";
    assert_eq!(count(path, missing), 0);
    // Of what is after the mark, all is single.
    if let Some(from) = reader.single_readings_from(SITE).unwrap() {
        let after = model.iter().filter(|it| it.at >= from).count();
        assert_eq!(there.iter().filter(|it| it.0 >= from).count(), after);
    } else {
        assert_eq!(summarised, 0);
    }
    reader
}

fn copy(from: &Path, to: &Path) {
    for end in ["", "-wal"] {
        let name = |path: &Path| format!("{}{end}", path.display());
        if Path::new(&name(from)).exists() {
            fs::copy(name(from), name(to)).unwrap();
        }
    }
}

/// Gives one reading; notes it in `model` where it counts.
fn take(store: &mut Store, model: &mut Vec<Reading>, it: Reading) {
    let known = model.iter().any(|other| key(other) == key(&it));
    let batch = Batch { readings: vec![it], ..Batch::default() };
    let done = store.commit(&Transaction { forward: true, ..only(&batch) }).unwrap();
    assert_eq!(done.stored + done.repeated + done.conflicting + done.summarised, 1);
    assert!(!(known && done.stored > 0), "the same reading counts once: {it:?}");
    if done.stored > 0 {
        model.push(it);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn each_reading_counts_once_and_days_stay_what_they_were(deeds in prop::collection::vec(deed(), 1..16)) {
        let folder = tempfile::tempdir().unwrap();
        let mut path = folder.path().join("0.db");
        let gardens: [Garden; 1] = [probes(SENSORS)];
        let mut store = open(&path, &gardens);
        let mut model: Vec<Reading> = Vec::new();
        let mut sent = 0;
        for (number, deed) in (1..).zip(deeds) {
            match deed {
                Deed::Take(list) => {
                    for (sensor, s, raw, flag) in list {
                        take(&mut store, &mut model, made(sensor, s, raw, flag));
                    }
                }
                Deed::Again(list) => {
                    for index in list {
                        let Some(&it) = model.get(index % model.len().max(1)) else { continue };
                        take(&mut store, &mut model, it);
                    }
                }
                Deed::Thin(steps, s) => {
                    let mut left = steps;
                    while left > 0 && store.thin_now(seconds(s)).unwrap() != ThinProgress::Done {
                        left -= 1;
                    }
                }
                Deed::Send(rows) => {
                    let last = forward_last(&Reader::open(&path).unwrap()).unwrap_or(sent);
                    sent = (sent + rows).min(last).max(sent);
                    let progress = [forwarded("school", sent)];
                    let batch = Batch::default();
                    store.commit(&Transaction { forwarded: &progress, ..only(&batch) }).unwrap();
                }
                Deed::Restart => {
                    drop(store);
                    store = open(&path, &gardens);
                }
                Deed::Kill => {
                    let copied = folder.path().join(format!("{number}.db"));
                    copy(&path, &copied);
                    drop(store);
                    path = copied;
                    store = open(&path, &gardens);
                }
                Deed::Backup => {
                    let copied = folder.path().join(format!("{number}-copy.db"));
                    back_up(&path, &copied).unwrap();
                    drop(store);
                    put_back(&copied, &path, at(0)).unwrap();
                    store = open(&path, &gardens);
                }
            }
            check(&path, &model);
        }
        // In the end all goes that a server has and that is before the cutoff.
        let batch = Batch::default();
        let last = forward_last(&Reader::open(&path).unwrap()).unwrap_or(sent);
        store.commit(&Transaction { forwarded: &[forwarded("school", last)], ..only(&batch) }).unwrap();
        drop(store);
        let mut store = open(&path, &gardens);
        while store.thin_now(seconds(SPAN_S)).unwrap() != ThinProgress::Done {}
        let reader = check(&path, &model);
        let newest = model.iter().map(|it| it.at).filter(|at| *at <= seconds(SPAN_S)).max();
        let midnight = newest.map(|newest| {
            let day = adelaide().to_datetime(newest).date().yesterday().unwrap();
            adelaide().to_timestamp(day.at(0, 0, 0, 0)).unwrap()
        });
        for (at, _) in single(&reader) {
            assert!(midnight.is_some_and(|midnight| at >= midnight), "{at} stays");
        }
    }
}

/// Readings of `sensors` each minute of some days from `from_day` on.
fn fill(store: &mut Store, sensors: std::ops::Range<u32>, from_day: i64, days: i64) -> Vec<Reading> {
    let mut all = Vec::new();
    for minute in from_day * 1440..(from_day + days) * 1440 {
        all.extend(
            sensors
                .clone()
                .map(|sensor| made(sensor, minute * 60, (minute % 1000) as u32, (minute % 5) as u8)),
        );
    }
    for part in all.chunks(5000) {
        let batch = Batch { readings: part.to_vec(), ..Batch::default() };
        store.commit(&only(&batch)).unwrap();
    }
    all
}

fn thin_all(store: &mut Store, now: Timestamp) -> u64 {
    let mut gone = 0;
    while let ThinProgress::More { readings } = store.thin_now(now).unwrap() {
        assert!(readings <= 6000, "a step is small: {readings}");
        gone += readings;
    }
    gone
}

#[test]
fn nothing_goes_before_the_clock_has_been_steady_or_where_nobody_asked() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let gardens = [probes(SENSORS)];
    let mut store = Store::open(&path, &gardens).unwrap();
    let all = fill(&mut store, 0..2, 0, 4);
    while store.fill_quarters(seconds(4 * 86_400)).unwrap() == QuarterProgress::More {}
    for hours in 0..48 {
        assert_eq!(store.thin(seconds(4 * 86_400 + hours * 3600)).unwrap(), ThinProgress::Done);
    }
    store.set_keep_readings(Some(KEEP_DAYS), &gardens);
    let now = |minutes: i64| seconds(4 * 86_400 + minutes * 60);
    for minutes in (0..60).step_by(5) {
        assert_eq!(store.thin(now(minutes)).unwrap(), ThinProgress::Done, "minute {minutes}");
    }
    // The clock jumps: an hour more.
    for minutes in (90..150).step_by(5) {
        assert_eq!(store.thin(now(minutes)).unwrap(), ThinProgress::Done, "minute {minutes}");
    }
    assert_eq!(check(&path, &all).single_readings_from(SITE).unwrap(), None);
    assert!(matches!(store.thin(now(150)).unwrap(), ThinProgress::More { readings: 1.. }));
    check(&path, &all);
}

/// A clock that is years ahead takes away no more than one that is right.
#[test]
fn days_count_back_from_the_newest_reading() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let gardens = [probes(SENSORS)];
    let mut store = open(&path, &gardens);
    let all = fill(&mut store, 0..2, 0, 4);
    thin_all(&mut store, seconds(3650 * 86_400));
    let reader = check(&path, &all);
    let newest = all.last().unwrap().at;
    let kept =
        single(&reader).into_iter().filter(|it| it.0 >= newest - SignedDuration::from_hours(24)).count();
    assert_eq!(kept, 2 * (24 * 60 + 1), "a whole day and more is there");
}

#[test]
fn what_a_server_refused_stays_until_it_is_let_go() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let gardens = [probes(SENSORS)];
    let mut store = open(&path, &gardens);
    let all = fill(&mut store, 0..2, 0, 4);
    let refused = all[1234];
    let series = store.series().series(refused.sensor).unwrap();
    let mut progress = forwarded("school", 0);
    progress.refused = vec![RefusedRow { at: refused.at, series, why: "no such field".into() }];
    store.commit(&Transaction { forwarded: &[progress], ..only(&Batch::default()) }).unwrap();
    thin_all(&mut store, seconds(4 * 86_400));
    let reader = check(&path, &all);
    assert_eq!(single(&reader).first(), Some(&key(&refused)));
    settle_refused(&path, "school", None, &[]).unwrap();
    let mut store = {
        drop(store);
        open(&path, &gardens)
    };
    thin_all(&mut store, seconds(4 * 86_400));
    assert!(single(&check(&path, &all)).first().unwrap().0 > refused.at);
}

#[test]
fn a_sensor_that_is_not_set_up_any_more_keeps_its_days_and_one_without_a_garden_its_readings() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut all = fill(&mut open(&path, &[probes(3)]), 0..3, 0, 4);
    // The third sensor is gone.
    let mut store = open(&path, &[probes(2)]);
    thin_all(&mut store, seconds(4 * 86_400));
    check(&path, &all);
    drop(store);
    // And now the garden.
    let other = GardenFile::new("other").bed("b", "Bed", BED_KEYS).probe("p", "b", 10);
    let mut store = open(&path, &[probes(2)]);
    all.extend(fill(&mut store, 0..2, 4, 4));
    drop(store);
    let before = single(&Reader::open(&path).unwrap());
    let mut store = open(&path, &[garden_of(other.text()).as_ref().clone()]);
    assert_eq!(thin_all(&mut store, seconds(8 * 86_400)), 0);
    assert_eq!(single(&check(&path, &all)), before);
}

#[test]
fn a_renamed_sensor_keeps_its_days_and_nothing_counts_twice() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let garden = |formerly: &str| {
        let keys = |depth: u32| format!("bed = \"b\"\ndepth_cm = {depth}\n");
        let file = GardenFile::new(SITE)
            .bed("b", "Bed", BED_KEYS)
            .sensor("probe-0", "soil-moisture", &format!("{}{formerly}", keys(10)))
            .sensor("probe-2", "soil-moisture", &keys(30));
        let file =
            if formerly.is_empty() { file.sensor("probe-1", "soil-moisture", &keys(20)) } else { file };
        [garden_of(file.text()).as_ref().clone()]
    };
    // In the file's order, so sensor 2 is probe-1; the first two days are its own, the others
    // those of probe-0.
    let gardens = garden("");
    let mut store = open(&path, &gardens);
    let mut all = fill(&mut store, 2..3, 0, 2);
    let later = fill(&mut store, 0..1, 2, 4);
    all.iter_mut().for_each(|it| it.sensor = trug::model::SensorIx(0));
    all.extend(later);
    thin_all(&mut store, seconds(4 * 86_400));
    let before = single(&Reader::open(&path).unwrap());
    drop(store);
    let gardens = garden("formerly = [\"probe-1\"]\n");
    let mut store = open(&path, &gardens);
    let reader = check(&path, &all);
    assert_eq!(single(&reader).len(), before.len());
    assert_eq!(count(&path, "SELECT count(*) FROM series WHERE sensor = 'probe-1'"), 0);
    thin_all(&mut store, seconds(6 * 86_400));
    check(&path, &all);
    // A reading of then that comes again counts no more.
    let first = all[0];
    take(&mut store, &mut all, first);
    check(&path, &all);
    let said = rejects(&Reader::open(&path).unwrap(), 1).remove(0).reason;
    assert!(said.contains("saltbush-gully/probe-0 has only daily figures for"), "{said}");
}

#[test]
fn an_import_whose_readings_have_gone_is_not_taken_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let gardens = [probes(SENSORS)];
    let mut store = open(&path, &gardens);
    let number = store.begin_import("july.csv", at(0)).unwrap();
    let mut all = fill(&mut store, 0..1, 0, 1);
    store.end_import(number).unwrap();
    all.extend(fill(&mut store, 0..1, 1, 4));
    thin_all(&mut store, seconds(5 * 86_400));
    let fault = store.undo_import(number, at(0)).unwrap_err();
    assert!(matches!(fault, StoreError::ImportSummarised { readings: 1440, .. }), "{fault}");
    assert!(fault.to_string().starts_with("of 1440 readings of import 1 only daily figures"), "{fault}");
    assert_eq!(count(&path, "SELECT count(*) FROM import_reading"), 0);
    check(&path, &all);
}

/// A whole day of an import is taken back: its quarter hours go with it.
#[test]
fn an_import_that_is_taken_back_leaves_no_quarter_hours() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[probes(SENSORS)]).unwrap();
    let number = store.begin_import("july.csv", at(0)).unwrap();
    fill(&mut store, 0..1, 0, 1);
    store.end_import(number).unwrap();
    let all = fill(&mut store, 0..1, 1, 1);
    while store.fill_quarters(seconds(3 * 86_400)).unwrap() == QuarterProgress::More {}
    store.undo_import(number, at(0)).unwrap();
    while store.fill_quarters(seconds(3 * 86_400)).unwrap() == QuarterProgress::More {}
    check(&path, &all);
}

#[test]
fn a_damaged_record_carries_its_days_over() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let gardens = [probes(SENSORS)];
    let mut store = open(&path, &gardens);
    let all = fill(&mut store, 0..2, 0, 5);
    thin_all(&mut store, seconds(5 * 86_400));
    drop(store);
    let days = count(&path, "SELECT sum(readings) FROM day_summary");
    // A page of single readings is torn.
    let page: i64 = count(&path, "SELECT rootpage FROM sqlite_schema WHERE name = 'reading'");
    let leaf: i64 = rusqlite::Connection::open(&path)
        .unwrap()
        .query_row("SELECT max(pageno) FROM dbstat WHERE name = 'reading'", [], |row| row.get(0))
        .unwrap_or(page);
    rusqlite::Connection::open(&path)
        .unwrap()
        .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
        .unwrap();
    let mut bytes = fs::read(&path).unwrap();
    let size = 4096;
    let start = (leaf as usize - 1) * size;
    bytes[start..start + size].fill(0xA5);
    fs::write(&path, bytes).unwrap();
    mend_damaged(&path, at(0)).unwrap().expect("it is damaged");
    assert_eq!(count(&path, "SELECT sum(readings) FROM day_summary"), days);
    let store = open(&path, &gardens);
    drop(store);
    let reader = Reader::open(&path).unwrap();
    assert!(reader.single_readings_from(SITE).unwrap().is_some());
    let to = reader.single_readings_from(SITE).unwrap().unwrap();
    let days = reader.bins(SITE, "probe-1", seconds(-86_400), to, BinWidth::Day, &adelaide()).unwrap();
    let expected = bins_of(&all, 1, BinWidth::Day);
    same(&days, &expected[..days.len()]);
    assert!(days.len() >= 3);
    let content = look_through(&path).unwrap();
    assert!(content.summarised > 0 && content.readings > 0, "{content:?}");
}

//! Bins of hours and days are what the single readings give, at any moment: however
//! late readings come, flags change, the writer is dropped or the file is copied as a
//! killed process leaves it, and however far the quarter hours are made.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;

use crate::support::garden::{at, only, probes, reading};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;
use trug::garden::plan::Garden;
use trug::garden::record::{Batch, Reading, Reflag};
use trug::history::{Bin, BinWidth, Point, bin_of};
use trug::model::SensorIx;
use trug::quality::{Flag, Tests};
use trug::store::{QuarterProgress, Reader, ReadingFilter, Store};

const SITE: &str = "saltbush-gully";
const SENSORS: u32 = 3;

/// Days on which clocks change, and zones off the full hours of UTC. St John's changed
/// its clocks at one minute past midnight then. (IANA time zone database.)
const DAYS: [(&str, &str); 7] = [
    ("Australia/Adelaide", "2026-04-04T03:10:00Z"),
    ("Australia/Adelaide", "2025-10-04T03:10:00Z"),
    ("Australia/Lord_Howe", "2026-04-04T01:00:00Z"),
    ("Asia/Kathmandu", "2026-01-04T01:00:00Z"),
    ("Pacific/Chatham", "2026-04-04T00:00:00Z"),
    ("America/St_Johns", "2006-10-28T12:00:00Z"),
    ("America/Havana", "2026-03-07T12:00:00Z"),
];

/// What happens to a store.
#[derive(Clone, Debug)]
enum Deed {
    /// Readings: sensor, seconds after the beginning, number, flag.
    Take(Vec<(u32, i64, u32, u8)>),
    /// So many steps, at a time of seconds after the beginning.
    Fill(u8, i64),
    /// Flags of readings (by their place in the list of all) change.
    Reflag(Vec<(usize, u8)>),
    Restart,
    /// The process is killed: what was not committed is gone.
    Kill,
}

const SPAN_S: i64 = 3 * 86_400;

fn deed() -> impl Strategy<Value = Deed> {
    let reading = (0..SENSORS, 0..SPAN_S, 0_u32..4000, 0_u8..5);
    // Many on whole quarters and just before them.
    let edge = (0..SENSORS, 0..SPAN_S / 900, 0_u32..4000, 0_u8..5)
        .prop_map(|(sensor, quarter, raw, flag)| (sensor, quarter * 900 - i64::from(flag % 2), raw, flag));
    prop_oneof![
        4 => prop::collection::vec(prop_oneof![reading, edge], 1..60).prop_map(Deed::Take),
        4 => (1_u8..6, 0..SPAN_S * 2).prop_map(|(steps, s)| Deed::Fill(steps, s)),
        2 => prop::collection::vec((any::<usize>(), 0_u8..5), 1..10).prop_map(Deed::Reflag),
        1 => Just(Deed::Restart),
        1 => Just(Deed::Kill),
    ]
}

fn flag(number: u8) -> Flag {
    [Flag::Pass, Flag::NotEvaluated, Flag::Suspect, Flag::Fail, Flag::Pass][usize::from(number)]
}

/// By hand: each reading is put into its bin.
fn by_hand(
    readings: &[Reading],
    sensor: u32,
    step: BinWidth,
    zone: &TimeZone,
    from: Timestamp,
    to: Timestamp,
) -> Vec<Bin> {
    let mut bins: BTreeMap<Timestamp, Bin> = BTreeMap::new();
    let mut sorted: Vec<&Reading> = readings.iter().filter(|it| it.sensor.0 == sensor).collect();
    sorted.sort_by_key(|it| it.at);
    for it in sorted {
        let (start, end) = bin_of(it.at, step, zone);
        if start >= from && start < to {
            let point = Point { at: it.at, raw: it.raw, value: it.value, flag: it.flag, late: it.late };
            bins.entry(start).or_insert_with(|| Bin::empty(start, end)).add(&point);
        }
    }
    bins.into_values().collect()
}

/// Equal, but that sums may be added up in another order.
fn same(found: &[Bin], expected: &[Bin]) -> Result<(), TestCaseError> {
    prop_assert_eq!(found.len(), expected.len());
    for (found, expected) in found.iter().zip(expected) {
        prop_assert!((found.sum - expected.sum).abs() < 1e-9, "{:?} {:?}", found, expected);
        let plain = |bin: &Bin| Bin { sum: 0.0, last: if bin.good > 0 { bin.last } else { 0.0 }, ..*bin };
        prop_assert_eq!(plain(found), plain(expected));
    }
    Ok(())
}

fn check(path: &Path, begin: Timestamp, zone: &TimeZone, readings: &[Reading]) -> Result<(), TestCaseError> {
    let reader = Reader::open(path).unwrap();
    let names: Vec<String> = (0..SENSORS).map(|n| format!("probe-{n}")).collect();
    for (from_s, to_s) in [(-86_400, SPAN_S + 86_400), (86_400 + 450, 2 * 86_400 + 30)] {
        let (from, to) = (begin + SignedDuration::from_secs(from_s), begin + SignedDuration::from_secs(to_s));
        for step in BinWidth::ALL {
            let all = reader.bins_of(SITE, &names, from, to, step, zone).unwrap();
            for (sensor, bins) in (0..SENSORS).zip(&all) {
                same(bins, &by_hand(readings, sensor, step, zone, from, to))?;
            }
            let one = reader.bins(SITE, "probe-1", from, to, step, zone).unwrap();
            prop_assert_eq!(one.len(), all[1].len());
        }
        for (sensor, points) in (0..SENSORS).zip(reader.points_of(SITE, &names, from, to, 7).unwrap()) {
            let mut times: Vec<_> =
                readings.iter().filter(|it| it.sensor.0 == sensor).map(|it| it.at).collect();
            times.retain(|at| *at >= from && *at < to);
            times.sort();
            times.truncate(7);
            prop_assert_eq!(points.iter().map(|it| it.at).collect::<Vec<_>>(), times);
        }
        let middle = begin + SignedDuration::from_secs(from_s.midpoint(to_s));
        let bounds = [from, middle, middle, to];
        let good: Vec<u64> = bounds
            .windows(2)
            .map(|ends| {
                let within = |it: &&Reading| {
                    let point =
                        Point { at: it.at, raw: it.raw, value: it.value, flag: it.flag, late: it.late };
                    it.sensor.0 != 1 && ends[0] <= it.at && it.at < ends[1] && point.good().is_some()
                };
                readings.iter().filter(within).count() as u64
            })
            .collect();
        prop_assert_eq!(reader.good_counts(SITE, &["probe-0", "probe-2"], &bounds).unwrap(), good);
        for sensors in [&names[..], &names[2..], &[]] {
            let of = |it: &&Reading| it.at < to && sensors.contains(&format!("probe-{}", it.sensor.0));
            let first = readings.iter().filter(of).map(|it| it.at).min();
            prop_assert_eq!(reader.first_heard(SITE, sensors, to).unwrap(), first);
        }
    }
    Ok(())
}

fn copy(from: &Path, to: &Path) {
    for end in ["", "-wal"] {
        let name = |path: &Path| format!("{}{end}", path.display());
        if Path::new(&name(from)).exists() {
            std::fs::copy(name(from), name(to)).unwrap();
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn bins_are_what_the_readings_give(
        day in 0..DAYS.len(),
        deeds in prop::collection::vec(deed(), 1..14),
        forward in any::<bool>(),
    ) {
        let (zone, begin) = DAYS[day];
        let (zone, begin) = (TimeZone::get(zone).unwrap(), begin.parse::<Timestamp>().unwrap());
        let folder = tempfile::tempdir().unwrap();
        let mut path = folder.path().join("0.db");
        let gardens: [Garden; 1] = [probes(SENSORS)];
        let mut store = Store::open(&path, &gardens).unwrap();
        let mut model: Vec<Reading> = Vec::new();
        for (number, deed) in (1..).zip(deeds) {
            match deed {
                Deed::Take(list) => {
                    let mut batch = Batch::default();
                    for (sensor, s, raw, number) in list {
                        let at = begin + SignedDuration::from_secs(s);
                        let known = |it: &Reading| it.at == at && it.sensor.0 == sensor;
                        if batch.readings.iter().chain(&model).any(known) {
                            continue;
                        }
                        let value = (number != 4).then(|| f64::from(raw) / 10_000.0);
                        let raw = f64::from(raw);
                        batch.readings.push(Reading { at, value, flag: flag(number), ..reading(sensor, 0, raw) });
                    }
                    store.commit(&trug::store::Transaction { forward, ..only(&batch) }).unwrap();
                    model.extend(batch.readings);
                }
                Deed::Fill(steps, s) => {
                    for _ in 0..steps {
                        store.fill_quarters(begin + SignedDuration::from_secs(s)).unwrap();
                    }
                }
                Deed::Reflag(list) if !model.is_empty() => {
                    let mut batch = Batch::default();
                    for (index, number) in list {
                        let index = index % model.len();
                        let it = &mut model[index];
                        it.flag = flag(number);
                        batch.reflags.push(Reflag {
                            sensor: it.sensor, at: it.at, flag: it.flag, tests: Tests::NOT_EVALUATED,
                        });
                    }
                    store.commit(&trug::store::Transaction { forward, ..only(&batch) }).unwrap();
                }
                Deed::Reflag(_) => {}
                Deed::Restart => {
                    drop(store);
                    store = Store::open(&path, &gardens).unwrap();
                }
                Deed::Kill => {
                    let copied = folder.path().join(format!("{number}.db"));
                    copy(&path, &copied);
                    drop(store);
                    path = copied;
                    store = Store::open(&path, &gardens).unwrap();
                }
            }
            check(&path, begin, &zone, &model)?;
        }
        // In the end all can be made, and nothing is stale.
        let late = begin + SignedDuration::from_secs(SPAN_S * 3);
        let mut steps = 0;
        while store.fill_quarters(late).unwrap() == QuarterProgress::More {
            steps += 1;
            prop_assert!(steps < 10_000, "it does not end");
        }
        check(&path, begin, &zone, &model)?;
        let asked = rusqlite::Connection::open(&path).unwrap();
        let stale: u32 = asked
            .query_row(
                "SELECT count(*) FROM quarter_stale WHERE start <
                     (SELECT value FROM counter WHERE name = 'quarters_until')",
                [],
                |row| row.get(0),
            )
            .unwrap();
        prop_assert_eq!(stale, 0);
    }
}

/// Quarters are really read: a number that is changed in them behind the store's back
/// shows, and one in the last hour or in a stale quarter does not.
#[test]
fn whole_quarters_are_not_read_from_the_readings() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[probes(2)]).unwrap();
    let minutes = |count: i64| (0..count).map(|m| reading(m.rem_euclid(2) as u32, m * 60_000, 1000.0));
    let batch = Batch { readings: minutes(300).collect(), ..Batch::default() };
    store.commit(&only(&batch)).unwrap();
    while store.fill_quarters(at(300 * 60_000)).unwrap() == QuarterProgress::More {}
    let changed = rusqlite::Connection::open(&path).unwrap();
    changed.execute("UPDATE quarter SET max = 0.9", []).unwrap();
    let reader = Reader::open(&path).unwrap();
    let zone = TimeZone::get("Australia/Adelaide").unwrap();
    let greatest = || -> Vec<f64> {
        let bins = reader.bins(SITE, "probe-0", at(0), at(300 * 60_000), BinWidth::Hour, &zone).unwrap();
        bins.iter().map(|bin| (bin.max * 10.0).round() / 10.0).collect()
    };
    // The quarter of the last reading, and the ten minutes before now, are not made.
    assert_eq!(greatest(), [0.9, 0.9, 0.9, 0.9, 0.9]);
    let late = Batch { readings: vec![reading(0, 30_000, 900.0)], ..Batch::default() };
    store.commit(&only(&late)).unwrap();
    changed.execute("UPDATE quarter SET max = 0.1 WHERE start > 1776403800000", []).unwrap();
    assert_eq!(greatest(), [0.1, 0.1, 0.1, 0.1, 0.1]);
    changed.execute("DELETE FROM quarter", []).unwrap();
    let kept = reader.bins(SITE, "probe-0", at(0), at(300 * 60_000), BinWidth::Hour, &zone).unwrap();
    // Only the stale quarter and the last one are left: they come from the readings.
    assert_eq!(kept.iter().map(|bin| bin.readings).collect::<Vec<_>>(), [9, 7]);
}

/// A store that was written before there were quarter hours is caught up with in small
/// steps, between which it takes readings.
#[test]
fn an_older_store_is_caught_up_with() {
    const MINUTES: i64 = 3 * 1440;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[probes(SENSORS)]).unwrap();
    let mut all: Vec<Reading> = (0..MINUTES)
        .flat_map(|m| (0..SENSORS).map(move |s| reading(s, m * 60_000, f64::from(s * 100) + m as f64 / 10.0)))
        .collect();
    let batch = Batch { readings: all.clone(), ..Batch::default() };
    store.commit(&only(&batch)).unwrap();
    drop(store);
    // As the version before left it.
    let older = rusqlite::Connection::open(&path).unwrap();
    older
        .execute_batch(
            "DROP TABLE quarter; DROP TABLE quarter_stale; DROP INDEX log_at; DROP TABLE replay;
             DROP TABLE reading_before; DROP TABLE alarm_change_before; DROP TABLE renamed;
             DROP TABLE import_batch; DROP TABLE import_reading; DROP TABLE import_step;
             DROP INDEX log_strikes; ALTER TABLE log DROP COLUMN strikes; DROP INDEX alarm_note_of;
             DROP TABLE forward_refused; DROP TABLE received; DROP TABLE snapshot; DROP TABLE day_summary; DROP TABLE thinned;
             DROP TABLE block; DROP TABLE block_aside;
             ALTER TABLE alarm DROP COLUMN severity;
             ALTER TABLE alarm DROP COLUMN times;
             ALTER TABLE alarm DROP COLUMN first_at;
             ALTER TABLE alarm DROP COLUMN ended_at;
             ALTER TABLE alarm_change DROP COLUMN severity;
             ALTER TABLE alarm_change DROP COLUMN times;
             ALTER TABLE alarm_change DROP COLUMN first_at;
             ALTER TABLE alarm_change DROP COLUMN ended_at;
             DELETE FROM counter WHERE name = 'quarters_until'; PRAGMA user_version = 5;",
        )
        .unwrap();
    drop(older);

    let mut store = Store::open(&path, &[probes(SENSORS)]).unwrap();
    let zone = TimeZone::get("Australia/Adelaide").unwrap();
    let (from, to) = (at(0), at(MINUTES * 60_000));
    let reader = Reader::open(&path).unwrap();
    let check = |all: &[Reading]| {
        for sensor in 0..SENSORS {
            for step in [BinWidth::Hour, BinWidth::Day] {
                let bins = reader.bins(SITE, &format!("probe-{sensor}"), from, to, step, &zone).unwrap();
                same(&bins, &by_hand(all, sensor, step, &zone, from, to)).unwrap();
            }
        }
    };
    check(&all);
    let mut steps = 0;
    while store.fill_quarters(to).unwrap() == QuarterProgress::More {
        steps += 1;
        let late = reading(1, steps * 6_000_000 + 30_000, 5.0);
        let batch = Batch { readings: vec![late], ..Batch::default() };
        if steps < 20 {
            store.commit(&only(&batch)).unwrap();
            all.push(late);
        }
        check(&all);
    }
    assert!(steps >= 3, "{steps} steps");
    let quarters: i64 = rusqlite::Connection::open(&path)
        .unwrap()
        .query_row("SELECT sum(readings) FROM quarter", [], |row| row.get(0))
        .unwrap();
    let until = MINUTES - 15;
    let before = all.iter().filter(|it| it.at < at(until * 60_000)).count();
    assert_eq!(usize::try_from(quarters).unwrap(), before);
}

/// The raw flow with filling beside it. Prints readings a second with and without.
#[test]
#[ignore = "a measurement, not a check: run it by name with --release --nocapture"]
fn cost_of_filling() {
    for sensors in [40_u32, 1000] {
        for round in 0..2 {
            for fill in [false, true] {
                let folder = tempfile::tempdir().unwrap();
                let mut store = Store::open(&folder.path().join("trug.db"), &[probes(sensors)]).unwrap();
                let minutes = 400_000 / i64::from(sensors);
                let mut batch = Batch::default();
                let (mut worst, mut steps) = (0.0_f64, 0);
                let began = std::time::Instant::now();
                for minute in 0..minutes {
                    batch.readings.extend((0..sensors).map(|s| reading(s, minute * 60_000, f64::from(s))));
                    if batch.readings.len() >= 1000 {
                        store.commit(&only(&batch)).unwrap();
                        batch.clear();
                        // Where nothing is to be filled, no step is taken.
                        while fill && steps < u32::MAX {
                            let one = std::time::Instant::now();
                            let filling = store.fill_quarters(at(minute * 60_000)).unwrap();
                            worst = worst.max(one.elapsed().as_secs_f64() * 1e3);
                            steps += 1;
                            if filling == QuarterProgress::Done {
                                break;
                            }
                        }
                    }
                }
                let stored = Reader::open(&folder.path().join("trug.db")).unwrap().count().unwrap();
                assert_eq!(stored, 400_000, "every reading is stored");
                let rate = 400_000.0 / began.elapsed().as_secs_f64();
                println!(
                    "{sensors} sensors, round {round}, filling {fill}: {rate:.0} readings a second, \
                     {steps} steps, the longest {worst:.1} ms"
                );
            }
        }
    }
}

/// Readings are asked for in an order that ends early.
#[test]
fn limits_are_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[probes(2)]).unwrap();
    let batch = Batch {
        readings: (0..100)
            .map(|n| Reading { sensor: SensorIx(n % 2), ..reading(0, i64::from(n), 1.0) })
            .collect(),
        ..Batch::default()
    };
    store.commit(&only(&batch)).unwrap();
    let reader = Reader::open(&path).unwrap();
    assert_eq!(reader.points(SITE, "probe-0", at(0), at(100), 10).unwrap().len(), 10);
    assert_eq!(reader.points(SITE, "probe-0", at(0), at(100), 0).unwrap(), []);
    assert_eq!(reader.points(SITE, "no-such-probe", at(0), at(100), 10).unwrap(), []);
    assert_eq!(reader.points("no-such-site", "probe-0", at(0), at(100), 10).unwrap(), []);
    let mut count = 0;
    reader
        .readings(&ReadingFilter::default(), |_| {
            count += 1;
            ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!(count, 100);
}

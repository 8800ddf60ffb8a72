//! The store: what is written is there once, and comes back as it was.

#![allow(clippy::float_cmp, reason = "numbers must come back to the bit")]

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use crate::support::garden::{
    at, dry_bed, forwarded, garden, letter, only, probes, reading, reject, school, unplaced,
};
use crate::support::rows::{forward_last, rejects};
use jiff::Timestamp;
use tempfile::TempDir;
use trug::alarms::State;
use trug::garden::record::{Batch, Reading, Reflag};
use trug::model::Quantity;
use trug::model::{SensorIx, TimeFrom};
use trug::quality::{Flag, Tests};
use trug::store::{Committed, Reader, ReadingFilter, Store, StoreError, Transaction};

fn folder() -> TempDir {
    tempfile::tempdir().expect("a folder for the test")
}

fn file(folder: &TempDir) -> PathBuf {
    folder.path().join("var").join("trug.db")
}

fn readings(readings: Vec<Reading>) -> Batch {
    Batch { readings, ..Batch::default() }
}

fn all(reader: &Reader, filter: &ReadingFilter) -> Vec<(String, i64, f64, Option<f64>, Flag, bool)> {
    let mut rows = Vec::new();
    reader
        .readings(filter, |row| {
            rows.push((
                row.series.sensor.clone(),
                row.at.as_millisecond() - at(0).as_millisecond(),
                row.raw,
                row.value,
                row.flag,
                row.late,
            ));
            ControlFlow::Continue(())
        })
        .unwrap();
    rows
}

#[test]
fn a_batch_comes_back_as_it_was() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    let gauge = Reading {
        value: None,
        flag: Flag::Missing,
        time_from: TimeFrom::Arrival,
        tests: Tests(0x9_9999),
        ..reading(1, 1, -0.25)
    };
    let late = Reading { late: true, ..reading(0, -5000, 1500.0) };
    let batch = readings(vec![reading(0, 0, 1450.0), gauge, late]);
    let committed = store.commit(&only(&batch)).unwrap();
    assert_eq!(committed, Committed { stored: 3, ..Committed::default() });

    let reader = Reader::open(&path).unwrap();
    assert_eq!(
        all(&reader, &ReadingFilter::default()),
        [
            ("kitchen-15cm".to_owned(), -5000, 1500.0, Some(0.15), Flag::Pass, true),
            ("kitchen-15cm".to_owned(), 0, 1450.0, Some(0.145), Flag::Pass, false),
            ("yard-gauge".to_owned(), 1, -0.25, None, Flag::Missing, false),
        ]
    );
    let mut judged = Vec::new();
    reader.rebuild(at(-10_000)..=Timestamp::MAX, store.series(), |reading| judged.push(reading)).unwrap();
    assert_eq!(judged, [batch.readings[0], gauge], "the late one is not judged again");
    let mut judged = Vec::new();
    reader.rebuild(at(1)..=Timestamp::MAX, store.series(), |reading| judged.push(reading)).unwrap();
    assert_eq!(judged, [gauge]);
    assert_eq!(reader.count().unwrap(), 3);
    assert_eq!(reader.latest_at().unwrap(), Some(at(1)));
}

#[test]
fn a_filter_takes_what_it_names() {
    let folder = folder();
    let path = file(&folder);
    let other = garden("redgum-flat", &[("kitchen-15cm", Quantity::SoilMoisture, true)]);
    let mut store = Store::open(&path, &[school(), other]).unwrap();
    let rows: Vec<_> = (0..3).flat_map(|n| (0..3).map(move |s| reading(s, n * 1000, f64::from(s)))).collect();
    store.commit(&only(&readings(rows))).unwrap();
    let reader = Reader::open(&path).unwrap();
    let count = |filter: ReadingFilter| all(&reader, &filter).len();
    let some = |text: &str| Some(text.to_owned());
    assert_eq!(count(ReadingFilter { site: some("redgum-flat"), ..ReadingFilter::default() }), 3);
    assert_eq!(
        count(ReadingFilter { sensors: vec!["kitchen-15cm".to_owned()], ..ReadingFilter::default() }),
        6
    );
    assert_eq!(count(ReadingFilter { place: some("site"), ..ReadingFilter::default() }), 3);
    assert_eq!(count(ReadingFilter { place: some("kitchen-bed"), ..ReadingFilter::default() }), 6);
    assert_eq!(count(ReadingFilter { site: some("nowhere"), ..ReadingFilter::default() }), 0);
    let middle = ReadingFilter { from: Some(at(1000)), to: Some(at(2000)), ..ReadingFilter::default() };
    assert_eq!(count(middle), 3, "the end does not belong to it");

    let activity = reader.activity(at(1000)).unwrap();
    let said: Vec<_> =
        activity.iter().map(|it| (it.series.site.as_str(), it.series.sensor.as_str(), it.readings)).collect();
    assert_eq!(
        said,
        [
            ("redgum-flat", "kitchen-15cm", 2),
            ("saltbush-gully", "kitchen-15cm", 2),
            ("saltbush-gully", "yard-gauge", 2)
        ]
    );
    assert!(activity.iter().all(|it| it.last == at(2000)));
}

#[test]
fn a_reading_is_stored_once_and_the_first_raw_number_stays() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    store.commit(&only(&readings(vec![reading(0, 0, 1450.0)]))).unwrap();
    let again = readings(vec![reading(0, 0, 1450.0), reading(0, 0, 1460.0), reading(1, 0, 0.0)]);
    let committed = store.commit(&Transaction { at: at(77), ..only(&again) }).unwrap();
    assert_eq!(committed, Committed { stored: 1, repeated: 1, conflicting: 1, ..Committed::default() });
    // A zero's sign is no difference.
    let minus = readings(vec![reading(1, 0, -0.0)]);
    assert_eq!(store.commit(&only(&minus)).unwrap().repeated, 1);

    let reader = Reader::open(&path).unwrap();
    assert_eq!(all(&reader, &ReadingFilter::default())[0].2, 1450.0);
    let rejects = rejects(&reader, 10);
    assert_eq!(rejects.len(), 1);
    assert_eq!(rejects[0].at, at(77));
    assert_eq!(rejects[0].topic, "saltbush-gully/kitchen-15cm");
    assert_eq!(rejects[0].payload, b"1460");
    assert_eq!(
        rejects[0].reason,
        "saltbush-gully/kitchen-15cm already has the reading 1450 for 2026-04-17T05:30:00Z; \
         1460 for the same time was not taken"
    );
}

#[test]
fn writing_a_transaction_twice_changes_nothing() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    let raised = dry_bed(0, State::Normal, State::Unacknowledged);
    let returned = dry_bed(5000, State::Unacknowledged, State::ReturnedUnacknowledged);
    let letters = [letter(&raised), letter(&returned)];
    let batch = Batch {
        readings: vec![reading(0, 0, 1450.0), reading(1, 0, 2.0)],
        changes: vec![raised.clone(), returned],
        ..Batch::default()
    };
    let transaction = Transaction { letters: &letters, forward: true, ..only(&batch) };
    let first = store.commit(&transaction).unwrap();
    assert_eq!((first.last_letter, first.last_forward), (Some(2), Some(2)));
    let second = store.commit(&transaction).unwrap();
    assert_eq!(second, Committed { repeated: 2, ..Committed::default() });

    let reader = Reader::open(&path).unwrap();
    assert_eq!(reader.alarm_changes(at(0), at(10_000), None).unwrap().len(), 2);
    let present = reader.alarms_present().unwrap();
    assert_eq!(present.len(), 1);
    assert_eq!(
        present[0].record.state,
        State::ReturnedUnacknowledged,
        "the old step is not the present again"
    );
    assert_eq!(reader.letters(0, 10).unwrap().len(), 2);
    assert_eq!(reader.forward_rows(0, 10).unwrap().len(), 2);

    // A letter that has gone out does not come back, in this run or the next one.
    store.commit(&Transaction { letters_sent: &[1, 2], ..only(&Batch::default()) }).unwrap();
    assert_eq!(store.commit(&transaction).unwrap().last_letter, None);
    assert_eq!(reader.letters(0, 10).unwrap(), []);
    drop(store);
    let mut store = Store::open(&path, &[school()]).unwrap();
    assert_eq!(store.commit(&transaction).unwrap().last_letter, None);
    let fresh = dry_bed(9000, State::ReturnedUnacknowledged, State::Normal);
    let letters = [letter(&fresh)];
    let batch = Batch { changes: vec![fresh], ..Batch::default() };
    let committed = store.commit(&Transaction { letters: &letters, ..only(&batch) }).unwrap();
    assert_eq!(committed.last_letter, Some(3), "a number is never used twice");
    assert_eq!(reader.alarms_present().unwrap(), []);
}

#[test]
fn an_alarm_comes_back_with_all_that_was_said() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    let change = dry_bed(7, State::Normal, State::Unacknowledged);
    let batch = Batch { changes: vec![change.clone()], ..Batch::default() };
    store.commit(&only(&batch)).unwrap();
    let reader = Reader::open(&path).unwrap();
    let present = reader.alarms_present().unwrap();
    let history = reader.alarm_changes(at(7), at(8), Some("saltbush-gully")).unwrap();
    assert_eq!(reader.alarm_changes(at(8), at(9), None).unwrap(), []);
    assert_eq!(reader.alarm_changes(at(7), at(8), Some("redgum-flat")).unwrap(), []);
    for (row, from) in [(&present[0], None), (&history[0], Some(State::Normal))] {
        assert_eq!(row.record, change.record);
        assert_eq!((row.from, row.record.state), (from, State::Unacknowledged));
        assert_eq!(
            row.record.said.values,
            [("depletion_mm".into(), 8.0), ("available_left".into(), 0.38)]
                as [(std::borrow::Cow<str>, f64); 2]
        );
        assert_eq!(row.tell, change.tell);
    }
}

#[test]
fn a_flag_can_be_changed_afterwards_and_is_forwarded_again() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    let reflag = |flag, tests| Reflag { sensor: SensorIx(0), at: at(0), flag, tests: Tests(tests) };
    let stored = readings(vec![reading(0, 0, 1450.0)]);
    store.commit(&Transaction { forward: true, ..only(&stored) }).unwrap();
    let reader = Reader::open(&path).unwrap();
    let tests = || {
        let mut found = Vec::new();
        reader
            .rebuild(at(0)..=Timestamp::MAX, store_map(&path), |it| found.push((it.flag, it.tests.0)))
            .unwrap();
        found
    };
    // The same flag with other tests is written and not forwarded.
    let same = Batch { reflags: vec![reflag(Flag::Pass, 0x11)], ..Batch::default() };
    let committed = store.commit(&Transaction { forward: true, ..only(&same) }).unwrap();
    assert_eq!(committed.last_forward, None);
    drop(store);
    assert_eq!(tests(), [(Flag::Pass, 0x11)]);

    let mut store = Store::open(&path, &[school()]).unwrap();
    let other = Batch { reflags: vec![reflag(Flag::Suspect, 0x31)], ..Batch::default() };
    let committed = store.commit(&Transaction { forward: true, ..only(&other) }).unwrap();
    assert_eq!(committed.last_forward, Some(2));
    let rows = reader.forward_rows(0, 10).unwrap();
    assert_eq!(rows.iter().map(|row| row.flag).collect::<Vec<_>>(), [Flag::Suspect, Flag::Suspect]);
    let last = Batch { reflags: vec![reflag(Flag::Fail, 0x41)], ..Batch::default() };
    store.commit(&only(&last)).unwrap();
    drop(store);
    assert_eq!(tests(), [(Flag::Fail, 0x41)]);
}

/// The series of the school's sensors, asked for while nobody writes.
fn store_map(path: &Path) -> &'static trug::store::SeriesMap {
    let store = Store::open(path, &[school()]).unwrap();
    Box::leak(Box::new(store.series().clone()))
}

#[test]
fn nothing_is_kept_of_a_transaction_that_holds_an_impossible_number() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    for bad in [
        reading(0, 1, f64::NAN),
        reading(0, 1, f64::INFINITY),
        Reading { value: Some(f64::NEG_INFINITY), ..reading(0, 1, 1.0) },
    ] {
        let batch = Batch {
            readings: vec![reading(0, 0, 1450.0), bad],
            rejects: vec![reject(0)],
            ..Batch::default()
        };
        let error = store.commit(&only(&batch)).unwrap_err();
        assert!(matches!(error, StoreError::NotFinite { sensor: SensorIx(0), .. }), "{error}");
    }
    let batch = readings(vec![reading(0, 0, 1.0), reading(2, 0, 1.0)]);
    let error = store.commit(&only(&batch)).unwrap_err();
    assert_eq!(error.to_string(), "sensor number 2 is not one of the 2 that the store was opened with");
    let reader = Reader::open(&path).unwrap();
    assert_eq!((reader.count().unwrap(), rejects(&reader, 9).len()), (0, 0));
}

#[test]
fn the_oldest_rejects_go() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    store.set_keep_rejects(5);
    for round in 0..4 {
        let rejects = (0..3).map(|n| reject(round * 3 + n)).collect();
        store.commit(&only(&Batch { rejects, ..Batch::default() })).unwrap();
    }
    let reader = Reader::open(&path).unwrap();
    let kept: Vec<_> = rejects(&reader, 100).iter().map(|it| it.at).collect();
    assert_eq!(kept, [at(11), at(10), at(9), at(8), at(7)]);
    assert_eq!(rejects(&reader, 2).len(), 2);
}

#[test]
fn a_huge_reject_is_cut() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    let mut huge = reject(0);
    huge.payload = vec![b'x'; 100_000];
    huge.topic = "ü".repeat(30_000);
    store.commit(&only(&Batch { rejects: vec![huge], ..Batch::default() })).unwrap();
    let kept = rejects(&Reader::open(&path).unwrap(), 1).remove(0);
    assert_eq!((kept.payload.len(), kept.topic.len()), (4096, 1024));
}

#[test]
fn topics_without_a_sensor_are_counted_and_bounded() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    let first: Vec<_> = (0..800).map(|n| unplaced(n, &format!("new/{n}"))).collect();
    store.commit(&only(&Batch { unplaced: first, ..Batch::default() })).unwrap();
    // The first topic speaks again; then more come than are kept.
    let mut second = vec![unplaced(10_000, "new/0")];
    second.extend((800..1200).map(|n| unplaced(20_000 + n, &format!("new/{n}"))));
    store.commit(&only(&Batch { unplaced: second, ..Batch::default() })).unwrap();
    let reader = Reader::open(&path).unwrap();
    let kept = reader.unplaced(5000).unwrap();
    assert_eq!(kept.len(), 1000);
    let it = kept.iter().find(|it| it.topic == "new/0").expect("it spoke lately");
    assert_eq!((it.first, it.last, it.messages), (at(0), at(10_000), 2));
    assert!(!kept.iter().any(|it| it.topic == "new/1"), "the longest silent one went");

    // Once a sensor names the topic, it is no longer listed.
    let found = unplaced(30_000, "saltbush-gully/shed");
    store.commit(&only(&Batch { unplaced: vec![found], ..Batch::default() })).unwrap();
    drop(store);
    let with_shed = garden("saltbush-gully", &[("shed", Quantity::AirTemperature, false)]);
    drop(Store::open(&path, &[with_shed]).unwrap());
    assert!(!reader.unplaced(5000).unwrap().iter().any(|it| it.topic == "saltbush-gully/shed"));
}

#[test]
fn a_series_keeps_its_number_and_a_new_quantity_begins_another() {
    let folder = folder();
    let path = file(&folder);
    let number = |gardens: &[trug::garden::plan::Garden], sensor| {
        Store::open(&path, gardens).unwrap().series().series(SensorIx(sensor)).unwrap()
    };
    let gauge = number(&[school()], 1);
    let moved = garden(
        "saltbush-gully",
        &[("yard-gauge", Quantity::Rain, true), ("kitchen-15cm", Quantity::SoilTemperature, true)],
    );
    assert_eq!(number(std::slice::from_ref(&moved), 0), gauge, "order and place do not matter");
    assert_eq!(number(&[moved], 1), 3, "another quantity is another series");
    let reader = Reader::open(&path).unwrap();
    let series = reader.series().unwrap();
    assert_eq!(series[&gauge].place, "kitchen-bed");
    assert_eq!(series[&gauge].unit, "mm");
    assert_eq!(series[&3].quantity, "soil-temperature");
    let map = store_map(&path);
    assert_eq!((map.sensors(), map.sensor(3), map.sensor(gauge)), (2, None, Some(SensorIx(1))));
}

#[test]
fn the_last_raw_number_before_a_time_is_found_within_the_look_back() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[probes(3)]).unwrap();
    let late = Reading { late: true, ..reading(0, 900, 9.0) };
    let batch = readings(vec![
        reading(0, 100, 1.0),
        reading(0, 800, 2.0),
        late,
        reading(0, 1000, 3.0),
        reading(1, 50, 4.0),
        reading(2, 5, 5.0),
    ]);
    store.commit(&only(&batch)).unwrap();
    let mut found = Vec::new();
    Reader::open(&path)
        .unwrap()
        .last_before(at(1000), at(10), store.series(), |sensor, at, raw| found.push((sensor.0, at, raw)))
        .unwrap();
    assert_eq!(found, [(0, at(800), 2.0), (1, at(50), 4.0)]);
}

#[test]
fn the_forward_queue_goes_as_the_slowest_forwarder_comes_on() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[probes(10)]).unwrap();
    store.set_forwarders(&["school", "region"]).unwrap();
    let reader = Reader::open(&path).unwrap();
    let add = |store: &mut Store, ms: i64| {
        let batch = readings((0..10).map(|sensor| reading(sensor, ms, 1.0)).collect());
        store.commit(&Transaction { forward: true, ..only(&batch) }).unwrap().last_forward
    };
    let done = |store: &mut Store, name: &str, position| {
        let forwarded = [forwarded(name, position)];
        store.commit(&Transaction { forwarded: &forwarded, ..only(&Batch::default()) }).unwrap();
    };
    assert_eq!(add(&mut store, 0), Some(10));
    assert_eq!(add(&mut store, 1), Some(20));
    done(&mut store, "school", 15);
    assert_eq!(reader.forward_rows(0, 100).unwrap().len(), 20, "region has none of it yet");
    done(&mut store, "region", 5);
    let rows = reader.forward_rows(0, 100).unwrap();
    assert_eq!((rows[0].seq, rows.len()), (6, 15));
    done(&mut store, "school", 3);
    assert_eq!(reader.forward_position("school").unwrap(), 15, "a position never goes back");

    // Everything sent, restart: numbers go on above the positions.
    done(&mut store, "school", 20);
    done(&mut store, "region", 20);
    assert_eq!(forward_last(&reader), None);
    drop(store);
    let mut store = Store::open(&path, &[probes(10)]).unwrap();
    assert_eq!(add(&mut store, 2), Some(30));

    // A forwarder that is gone holds nothing up; a new one begins with what is there.
    store.set_forwarders(&["region", "new"]).unwrap();
    assert_eq!(reader.forward_position("school").unwrap(), 0);
    assert_eq!(reader.forward_position("new").unwrap(), 20);
    done(&mut store, "region", 30);
    done(&mut store, "new", 30);
    assert_eq!(forward_last(&reader), None);
    assert_eq!(reader.forward_dropped().unwrap(), 0);
}

#[test]
fn letters_wait_in_order_until_they_are_sent() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    let changes: Vec<_> = (0..5).map(|n| dry_bed(n, State::Normal, State::Unacknowledged)).collect();
    let letters: Vec<_> = changes.iter().map(letter).collect();
    let empty = Batch::default();
    store.commit(&Transaction { letters: &letters, ..only(&empty) }).unwrap();
    store.commit(&Transaction { letters_sent: &[2, 4, 99], ..only(&empty) }).unwrap();
    let reader = Reader::open(&path).unwrap();
    let waiting = reader.letters(0, 10).unwrap();
    assert_eq!(waiting.iter().map(|it| it.seq).collect::<Vec<_>>(), [1, 3, 5]);
    assert_eq!(waiting[1].letter, letters[2]);
    assert_eq!(reader.letters(1, 1).unwrap()[0].seq, 3);
    assert_eq!(reader.letters_dropped().unwrap(), 0);
}

#[test]
fn a_second_writer_is_told_who_has_the_file() {
    let folder = folder();
    let path = file(&folder);
    let store = Store::open(&path, &[]).unwrap();
    let error = Store::open(&path, &[]).unwrap_err();
    assert!(matches!(error, StoreError::Locked { .. }));
    let shown = path.display();
    assert_eq!(
        error.to_string(),
        format!("another trug is already writing to {shown} (it holds {shown}.lock); stop it first")
    );
    drop(store);
    Store::open(&path, &[]).unwrap();
}

#[test]
fn a_file_that_is_not_ours_is_left_alone() {
    let folder = folder();
    let text = folder.path().join("notes.txt");
    std::fs::write(&text, "Planting list\n".repeat(1000)).unwrap();
    let error = Store::open(&text, &[]).unwrap_err();
    assert_eq!(error.to_string(), format!("{} is not a database", text.display()));
    assert!(matches!(Reader::open(&text).unwrap_err(), StoreError::NotADatabase { .. }));

    let other = folder.path().join("other.db");
    let connection = rusqlite::Connection::open(&other).unwrap();
    connection.execute_batch("CREATE TABLE recipe (name TEXT)").unwrap();
    assert!(matches!(Store::open(&other, &[]).unwrap_err(), StoreError::Foreign { .. }));
    assert!(matches!(Reader::open(&other).unwrap_err(), StoreError::Foreign { .. }));
    let mode: String = connection.pragma_query_value(None, "journal_mode", |row| row.get(0)).unwrap();
    assert_eq!(mode, "delete", "nothing in it was changed");
}

#[test]
fn a_file_of_a_newer_program_is_refused() {
    let folder = folder();
    let path = file(&folder);
    drop(Store::open(&path, &[]).unwrap());
    let connection = rusqlite::Connection::open(&path).unwrap();
    let known: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
    connection.pragma_update(None, "user_version", known + 1).unwrap();
    let shown = path.display();
    for error in [Store::open(&path, &[]).unwrap_err(), Reader::open(&path).unwrap_err()] {
        assert_eq!(
            error.to_string(),
            format!(
                "{shown} was written by a newer trug (its layout is version {}, this program knows up to {known}); \
                 use that one",
                known + 1
            )
        );
    }
}

#[test]
fn a_place_that_cannot_be_written_is_named() {
    let folder = folder();
    let in_the_way = folder.path().join("file");
    std::fs::write(&in_the_way, "").unwrap();
    let path = in_the_way.join("trug.db");
    let error = Store::open(&path, &[]).unwrap_err();
    assert!(matches!(error, StoreError::Folder { .. }), "{error}");
    // A folder where the file should be.
    let taken = folder.path().join("taken.db");
    std::fs::create_dir(&taken).unwrap();
    let error = Store::open(&taken, &[]).unwrap_err();
    assert_eq!(error.to_string(), format!("opening the database {}", taken.display()));
    let missing = folder.path().join("missing.db");
    assert!(matches!(Reader::open(&missing).unwrap_err(), StoreError::Missing { .. }));
}

#[test]
fn a_reader_sees_only_whole_transactions_and_is_shared_between_threads() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[probes(10)]).unwrap();
    let reader = Reader::open(&path).unwrap();
    let threads: Vec<_> = (0..6)
        .map(|_| {
            let reader = reader.clone();
            std::thread::spawn(move || {
                let mut last = 0;
                while last < 200 {
                    let count = reader.count().unwrap();
                    assert!(count.is_multiple_of(10) && count >= last, "{count} after {last}");
                    last = count;
                }
            })
        })
        .collect();
    for ms in 0..20 {
        let batch = readings((0..10).map(|sensor| reading(sensor, ms, 1.0)).collect());
        store.commit(&only(&batch)).unwrap();
    }
    for thread in threads {
        thread.join().unwrap();
    }
}

#[test]
fn times_before_1970_and_far_off_come_back() {
    let folder = folder();
    let path = file(&folder);
    let mut store = Store::open(&path, &[school()]).unwrap();
    let batch = readings(vec![
        Reading { at: Timestamp::MIN, ..reading(0, 0, 1.0) },
        Reading { at: Timestamp::MAX, ..reading(0, 0, 1.0) },
    ]);
    store.commit(&only(&batch)).unwrap();
    let mut times = Vec::new();
    Reader::open(&path)
        .unwrap()
        .rebuild(Timestamp::MIN..=Timestamp::MAX, store.series(), |it| times.push(it.at))
        .unwrap();
    assert_eq!(times.len(), 2);
    assert_eq!(times[0], Timestamp::MIN);
}

//! A sensor that has another id now keeps its history.

use std::path::Path;

use crate::support::garden::{BED_KEYS, GardenFile, at, settings_with};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use trug::alarms::{Kind, State};
use trug::engine::replay::{ReplaySpan, replay};
use trug::engine::{Engine, recent};
use trug::garden::Clock;
use trug::history::{Bin, BinWidth};
use trug::model::{Id, Sample, SensorIx};
use trug::settings::Settings;
use trug::store::{Reader, Store};

const QUARTER_MS: i64 = 900_000;

fn settings(folder: &Path, id: &str, formerly: &str) -> Settings {
    let keys = format!("bed = \"kitchen-bed\"\ndepth_cm = 15\n{formerly}");
    let file = GardenFile::new("school")
        .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
        .sensor(id, "soil-moisture", &keys)
        .sensor("air", "air-temperature", "");
    let trug = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"t.db\"\n";
    let mut settings = settings_with(trug, file.text());
    settings.store.path = folder.join("trug.db");
    settings
}

fn engine(settings: &Settings) -> Engine {
    let mut engine = Engine::open(settings, Clock::Readings).unwrap();
    engine.tell_nobody();
    engine.on_change(Box::new(|_| {}));
    engine
}

/// Readings of both sensors from one quarter of an hour to another: a dry bed, whose
/// probe is broken from the 200th on.
fn play(settings: &Settings, from: i64, to: i64) {
    let mut engine = engine(settings);
    for quarter in from..to {
        let digit = ((quarter * 7919 % 11) - 5) as f64;
        let moisture = if quarter < 200 { 0.20 + 2e-4 * digit } else { 7.0 };
        let moment = at(quarter * QUARTER_MS);
        for (sensor, raw) in [(0, moisture), (1, 15.0 + 0.1 * digit + (quarter % 96) as f64 / 20.0)] {
            engine.take(SensorIx(sensor), Sample { at: Some(moment), raw, battery: None }, moment);
        }
    }
    engine.commit(at(to * QUARTER_MS)).unwrap();
    engine.fill_quarters(at(to * QUARTER_MS + 3_600_000), std::time::Duration::from_secs(10));
}

/// Every step of an alarm: kind, place and state.
fn steps(reader: &Reader) -> Vec<(Kind, String, State)> {
    let steps = reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).unwrap();
    steps
        .into_iter()
        .map(|it| (it.record.key.kind, it.record.key.place.to_string(), it.record.state))
        .collect()
}

/// As text, since what is not known of a bin is not a number; the sum without the digits
/// that hang on the order of adding up.
fn shown(bins: &[Bin]) -> Vec<String> {
    let rounded = |sum: f64| (sum * 1e9).round() / 1e9;
    bins.iter().map(|bin| format!("{:?}", Bin { sum: rounded(bin.sum), ..*bin })).collect()
}

fn hours(reader: &Reader, sensor: &str) -> Vec<Bin> {
    reader.bins("school", sensor, at(0), at(400 * QUARTER_MS), BinWidth::Hour, &TimeZone::UTC).unwrap()
}

fn everything() -> ReplaySpan {
    ReplaySpan { site: None, from: Timestamp::MIN, to: Timestamp::MAX }
}

#[test]
fn a_renamed_sensor_goes_on_where_it_was() {
    let (one, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    // As it would be had it always had the id of today.
    let expected = settings(other.path(), "top", "");
    play(&expected, 0, 260);
    play(&expected, 260, 280);
    let want = Reader::open(&expected.store.path).unwrap();
    assert!(steps(&want).contains(&(Kind::SensorFault, "top".to_owned(), State::Unacknowledged)));

    play(&settings(one.path(), "kitchen-a", ""), 0, 260);
    let renamed = settings(one.path(), "top", "formerly = [\"kitchen-b\", \"kitchen-a\"]\n");
    // Before anything writes to the file, what reads it knows the earlier id as well.
    let looked = replay(&renamed, &everything(), false, at(0)).unwrap();
    assert_eq!((looked.readings(), looked.left.len()), (520, 0));
    let core = recent::core(&renamed, &Id::new("school"), at(180 * QUARTER_MS)).unwrap();
    assert!(core.view("school").unwrap().beds[0].water_content.is_some());

    play(&renamed, 260, 280);
    let got = Reader::open(&renamed.store.path).unwrap();
    assert!(got.series().unwrap().values().all(|series| series.sensor != "kitchen-a"));
    assert_eq!(steps(&got), steps(&want));
    assert_eq!(shown(&hours(&got, "top")), shown(&hours(&want, "top")));
    let again = replay(&renamed, &everything(), false, at(0)).unwrap();
    assert!(!again.differs(), "{:#?} {:#?}", again.sensors, again.steps);
    // The broker keeps the alarm of the earlier id, which is told that it is over.
    let letters = got.letters(0, 10).unwrap();
    let topics: Vec<&str> = letters.iter().map(|it| it.letter.topic.as_str()).collect();
    assert_eq!(topics, ["trug/school/alarm/sensor-fault/kitchen-a"]);
    assert!(String::from_utf8_lossy(&letters[0].letter.payload).contains("\"state\":\"normal\""));
    let note = rusqlite::Connection::open(&renamed.store.path).unwrap();
    let noted: (String, String) = note
        .query_row("SELECT former, sensor FROM renamed", [], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap();
    assert_eq!(noted, ("kitchen-a".to_owned(), "top".to_owned()));
}

/// The key was written only after the new id had readings of its own.
#[test]
fn readings_of_both_ids_become_one_series() {
    let (one, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let expected = settings(other.path(), "top", "");
    play(&expected, 0, 130);
    play(&expected, 130, 280);
    let want = Reader::open(&expected.store.path).unwrap();

    play(&settings(one.path(), "kitchen-a", ""), 0, 132);
    let without = settings(one.path(), "top", "");
    {
        let mut engine = engine(&without);
        for quarter in 130..132 {
            let moment = at(quarter * QUARTER_MS);
            let digit = ((quarter * 7919 % 11) - 5) as f64;
            let raw = 0.20 + 2e-4 * digit;
            engine.take(SensorIx(0), Sample { at: Some(moment), raw, battery: None }, moment);
        }
        engine.commit(at(132 * QUARTER_MS)).unwrap();
    }
    play(&without, 132, 280);
    let got = Reader::open(&without.store.path).unwrap();
    let count = |reader: &Reader| reader.count().unwrap();
    let before = count(&got);
    let renamed = settings(one.path(), "top", "formerly = [\"kitchen-a\"]\n");
    for _ in 0..2 {
        // Once more it changes nothing.
        drop(Store::open(&renamed.store.path, &renamed.gardens).unwrap());
        assert_eq!(count(&got), before, "no reading is lost");
        let (got, want) = (shown(&hours(&got, "top")), shown(&hours(&want, "top")));
        let other: Vec<_> = got.iter().zip(&want).filter(|(got, want)| got != want).collect();
        assert!(got.len() == want.len() && other.is_empty(), "{} and {}: {other:#?}", got.len(), want.len());
    }
    // Two had a time that the newer id has too.
    let left = hours(&got, "kitchen-a");
    assert_eq!(left.iter().map(|bin| bin.readings).sum::<u32>(), 2, "{left:?}");
    engine(&renamed).fill_quarters(at(300 * QUARTER_MS), std::time::Duration::from_secs(10));
    assert_eq!(
        shown(&hours(&got, "top")),
        shown(&hours(&want, "top")),
        "and so are those that are made again"
    );
    assert_eq!(shown(&hours(&got, "kitchen-a")), shown(&left));
    let connection = rusqlite::Connection::open(&renamed.store.path).unwrap();
    let moved: i64 = connection.query_row("SELECT sum(readings) FROM renamed", [], |row| row.get(0)).unwrap();
    assert_eq!(moved, 130);
}

//! Forwarding to a real InfluxDB (1.6 from Debian).

#![allow(clippy::float_cmp, reason = "numbers must come back to the bit")]

use std::collections::{BTreeMap, BTreeSet};

use crate::support::forwarding::Forwarding;
use crate::support::garden::{START_MS, reading};
use crate::support::influx::Influx;
use crate::support::rows::forward_last;
use trug::garden::record::Reading;
use trug::quality::Flag;

type Point = (f64, Option<f64>, i64);

/// What the server holds: sensor and milliseconds to raw, value and flag.
async fn points(influx: &Influx) -> BTreeMap<(String, i64), Point> {
    let answer = influx.query("SELECT raw, value, flag FROM garden_reading GROUP BY *").await;
    let mut points = BTreeMap::new();
    for series in answer["results"][0]["series"].as_array().expect("some series") {
        let tags = &series["tags"];
        assert_eq!(tags["site"], "saltbush-gully");
        assert_eq!(tags["place"], "kitchen-bed");
        assert_eq!(tags["quantity"], "soil-moisture");
        let sensor = tags["sensor"].as_str().expect("a name");
        for row in series["values"].as_array().expect("some rows") {
            let point =
                (row[1].as_f64().expect("a raw number"), row[2].as_f64(), row[3].as_i64().expect("a flag"));
            let key = (sensor.to_owned(), row[0].as_i64().expect("a time"));
            assert_eq!(points.insert(key, point), None, "one point for a time");
        }
    }
    points
}

/// Readings of ten probes: some without a value, some suspect.
fn readings(from: i64, to: i64) -> Vec<Reading> {
    (from..to)
        .map(|n| {
            let it = reading((n % 10) as u32, n * 977, 1450.0 + n as f64 / 7.0);
            match n % 13 {
                0 => Reading { value: None, flag: Flag::Missing, ..it },
                1 => Reading { flag: Flag::Suspect, late: true, ..it },
                _ => it,
            }
        })
        .collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_reading_reaches_influxdb_although_it_is_killed_on_the_way() {
    const COUNT: i64 = 5000;
    let mut influx = Influx::start(0).await;
    let mut forwarding = Forwarding::new(10);
    forwarding.start(Forwarding::target(influx.write_url(), 200));
    for from in (0..COUNT / 2).step_by(100) {
        forwarding.add(readings(from, from + 100));
    }
    forwarding.reached(1000).await;
    influx.kill();
    for from in (COUNT / 2..COUNT).step_by(100) {
        forwarding.add(readings(from, from + 100));
    }
    influx.restart();
    forwarding.reached(COUNT).await;
    forwarding.stop().await;

    let expected: BTreeMap<_, _> = readings(0, COUNT)
        .into_iter()
        .map(|it| {
            let key = (format!("probe-{}", it.sensor.0), it.at.as_millisecond());
            (key, (it.raw, it.value, i64::from(it.flag.number())))
        })
        .collect();
    assert_eq!(expected.len(), 5000);
    let found = points(&influx).await;
    assert_eq!(found.len(), expected.len());
    for (key, point) in &expected {
        assert_eq!(found.get(key), Some(point), "{key:?}");
    }
    assert_eq!(forward_last(&forwarding.reader), None, "nothing waits any more");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_influxdb_refuses_does_not_hold_up_the_rest() {
    // Once the server knows five sensors, it refuses the lines of the others.
    let influx = Influx::start(5).await;
    let mut forwarding = Forwarding::new(8);
    forwarding.start(Forwarding::target(influx.write_url(), 64));
    forwarding.add((0..5).map(|n| reading(n as u32, -1, 0.5)).collect());
    forwarding.reached(5).await;
    forwarding.add((0..400).map(|n| reading((n % 8) as u32, n, n as f64)).collect());
    forwarding.reached(405).await;
    forwarding.stop().await;
    let found = points(&influx).await;
    let sensors: BTreeSet<_> = found.keys().map(|(sensor, _)| sensor.as_str()).collect();
    assert_eq!(sensors, BTreeSet::from(["probe-0", "probe-1", "probe-2", "probe-3", "probe-4"]));
    assert_eq!(found.len(), 5 + 400 / 8 * 5);
    assert!(found.keys().all(|(_, ms)| (START_MS - 1..START_MS + 400).contains(ms)));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_database_that_is_made_later_costs_nothing() {
    let influx = Influx::start(0).await;
    influx.query("DROP DATABASE garden").await;
    let mut forwarding = Forwarding::new(1);
    forwarding.start(Forwarding::target(influx.write_url(), 64));
    forwarding.add((0..100).map(|n| reading(0, n, n as f64)).collect());
    assert_eq!(forwarding.position(), 0);
    influx.query("CREATE DATABASE garden").await;
    forwarding.reached(100).await;
    forwarding.stop().await;
    assert_eq!(points(&influx).await.len(), 100);
}

//! A time-series server that is away for days, and then equal point by point.

use std::time::{Duration, Instant};

use super::stage::{is_full, write_row};
use crate::support::daemon::Daemon;
use crate::support::flow::{FlowReading, SENSORS, garden_file, send_range};
use crate::support::influx::Influx;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::wait_until;

const LIMIT: Duration = Duration::from_secs(1800);

/// What the server has of a sensor: milliseconds and raw number.
async fn points(influx: &Influx, sensor: &str) -> Vec<(i64, u64)> {
    let statement = format!("SELECT raw FROM garden_reading WHERE sensor = '{sensor}'");
    let answer = influx.query(&statement).await;
    let Some(values) = answer["results"][0]["series"][0]["values"].as_array() else { return Vec::new() };
    let point = |row: &serde_json::Value| {
        (row[0].as_i64().expect("a time"), row[1].as_f64().expect("a number").to_bits())
    };
    values.iter().map(point).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn influxdb_away_for_three_days() {
    // A day is there, three come while the server is away, half a day comes after.
    let step_s: i64 = if is_full() { 60 } else { 900 };
    let day = 86_400 / step_s.unsigned_abs() * SENSORS;
    let (away, back, end) = (day, 4 * day, 4 * day + day / 2);
    let mut influx = Influx::start(0).await;
    let broker = Mosquitto::start();
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", &garden_file(step_s))]);
    daemon.add(&format!(
        "[[told_file]]\nname = \"record\"\npath = \"{}\"\n[[forward]]\nname = \"school-influxdb\"\nurl = \"{}\"\n",
        daemon.folder().join("told.jsonl").display(),
        influx.write_url()
    ));
    daemon.start();
    Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
    let reader = daemon.reader();
    let send = |from: u64, to: u64| {
        let port = broker.port();
        tokio::task::spawn_blocking(move || send_range(port, from, to, step_s))
    };
    send(0, away).await.unwrap();
    wait_until("the first day to be forwarded", LIMIT, || {
        let position = reader.forward_position("school-influxdb").unwrap();
        (position.unsigned_abs() > away / 2).then_some(())
    });
    influx.kill();
    send(away, back).await.unwrap();
    let last = FlowReading::of(back - 1, step_s).at;
    wait_until("three days to be stored", LIMIT, || {
        (reader.latest_at().unwrap() == Some(last)).then_some(())
    });
    influx.restart();
    let began = Instant::now();
    send(back, end).await.unwrap();
    wait_until("everything to be forwarded", LIMIT, || {
        daemon.assert_alive();
        let position = reader.forward_position("school-influxdb").unwrap();
        (position.unsigned_abs() >= end).then_some(())
    });
    let took = began.elapsed();

    let (mut lost, mut other) = (0, 0);
    for sensor in 0..SENSORS {
        let sent: Vec<FlowReading> =
            (sensor..end).step_by(SENSORS as usize).map(|number| FlowReading::of(number, step_s)).collect();
        let found = points(&influx, &sent[0].sensor).await;
        let expected: Vec<(i64, u64)> =
            sent.iter().map(|it| (it.at.as_millisecond(), it.raw.to_bits())).collect();
        lost += expected.iter().filter(|point| !found.contains(point)).count();
        other += found.len().saturating_sub(expected.len());
    }
    let row = format!(
        "InfluxDB away for 3 days\t1\t{end}\t{lost}\t{other}\t-\t-\t-\t{:.1} s\n",
        took.as_secs_f64()
    );
    print!("{row}");
    write_row("InfluxDB away for 3 days", &row);
    assert_eq!((lost, other), (0, 0), "of {end} points");
}

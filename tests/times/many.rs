//! Brings the core of many gardens to the end of some simulated weeks and keeps their states,
//! for a daemon to go on from. `tests/many` runs it.
//!
//! The gardens are those of `garden-simulator load`. Nothing but the states is written: a
//! hundred thousand sensors' readings of a fortnight would take the record hours.

#![allow(clippy::unwrap_used, reason = "a measurement stops at the first surprise")]

use std::path::Path;
use std::time::Instant;

use jiff::{SignedDuration, Timestamp};
use trug::engine::{DaemonHealth, Engine};
use trug::garden::Clock;
use trug::garden::record::Batch;
use trug::model::{Place, Quantity, Sample, SensorIx};
use trug::settings::load;

/// Readings of the last day are a quarter of an hour apart, those before it an hour.
const FINE_S: i64 = 900;
const COARSE_S: i64 = 3600;
const DAY_S: i64 = 86_400;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let config = arguments.next().unwrap();
    let begin: Timestamp = arguments.next().unwrap().parse().unwrap();
    let days: i64 = arguments.next().unwrap().parse().unwrap();
    let settings = load(Path::new(&config), std::iter::empty()).unwrap();
    let mut engine = Engine::open(&settings, Clock::Readings).unwrap();
    let plans: Vec<(u32, Quantity, u32)> = (0_u32..)
        .zip(&settings.gardens)
        .flat_map(|(site, garden)| {
            garden.sensors.iter().map(move |sensor| match sensor.place {
                Place::Bed(bed) => (site, sensor.measures, u32::from(bed)),
                Place::Tank(_) | Place::Site => (site, sensor.measures, 0),
            })
        })
        .collect();
    let fresh_kb = resident_kb();

    let (mut batch, mut draw, mut second, mut count, mut raised) = (Batch::default(), 1_u64, 0, 0_u64, 0_u64);
    let began = Instant::now();
    while second < days * DAY_S {
        let at = begin + SignedDuration::from_secs(second);
        for (number, (site, measures, bed)) in (0_u32..).zip(&plans) {
            draw = draw.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let raw = raw(*measures, site * 31 + bed, second, draw >> 33);
            engine.router.core.take(
                SensorIx(number),
                Sample { at: Some(at), raw, battery: None },
                at,
                &mut batch,
            );
            raised += batch.changes.len() as u64;
            batch.clear();
            count += 1;
        }
        second += if second < (days - 1) * DAY_S { COARSE_S } else { FINE_S };
    }
    let took_s = began.elapsed().as_secs_f64();
    let (sensors, full_kb) = (plans.len() as u64, resident_kb());
    println!(
        "readings taken by the core  {count}, {:.1} microseconds each; {raised} steps of alarms",
        took_s * 1e6 / count as f64
    );
    println!(
        "resident before and after   {} and {} bytes a sensor",
        fresh_kb * 1024 / sensors,
        full_kb * 1024 / sensors
    );
    let bytes: usize = (0..settings.gardens.len()).map(|it| engine.router.core.state_bytes(it).len()).sum();
    let began = Instant::now();
    engine.keep_states(&DaemonHealth::default(), begin + SignedDuration::from_secs(second)).unwrap();
    let took_s = began.elapsed().as_secs_f64();
    drop(engine);
    let record = rusqlite::Connection::open(&settings.store.path).unwrap();
    let packed: i64 =
        record.query_row("SELECT sum(length(packed)) FROM snapshot", [], |row| row.get(0)).unwrap();
    println!(
        "states                      {} bytes a sensor, {} packed; kept in {took_s:.1} s",
        bytes as u64 / sensors,
        packed as u64 / sensors
    );
}

/// What a sensor of the load reads: beds that are watered each few days and drain and dry, a
/// tank that swings by the day, and a wet hour now and then.
fn raw(measures: Quantity, place: u32, second: i64, draw: u64) -> f64 {
    let days = second as f64 / DAY_S as f64;
    let day = (days * std::f64::consts::TAU).sin();
    match measures {
        Quantity::Rain => {
            f64::from(u8::from(draw.is_multiple_of(97) && (days as u32 + place).is_multiple_of(5)))
        }
        Quantity::WaterTemperature => 320.0 + (16.0 * day).round() + (draw % 3) as f64,
        _ => {
            // Watered before breakfast, by Adelaide's clocks.
            let every = f64::from(2 + place % 5);
            let since = (days + 0.17 + f64::from(place % 7)) % every;
            let content = 0.13 + 0.05 * (-since / 0.3).exp() + 0.03 * (-since / every).exp() + 0.001 * day;
            (2900.0 - (content - 0.02) / 0.38 * 1450.0).round() + (draw % 7) as f64 - 3.0
        }
    }
}

fn resident_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

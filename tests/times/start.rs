//! Times a start with and without what was kept of the gardens.
//!
//! `tests/start` runs it: gardens of forty sensors at a quarter of an hour, fifteen days of
//! readings that went through the core, then the state of each garden as it is kept, and
//! `Engine::open` with and without it.

#![allow(clippy::unwrap_used, reason = "a measurement stops at the first surprise")]

#[path = "../support/garden.rs"]
#[allow(dead_code, unreachable_pub, reason = "the tests use more of it")]
mod garden;

use std::fmt::Write as _;
use std::path::Path;
use std::time::Instant;

use garden::{BED_KEYS, GardenFile};
use jiff::{SignedDuration, Timestamp};
use trug::engine::{DaemonHealth, Engine};
use trug::garden::Clock;
use trug::model::{Quantity, Sample, SensorIx};
use trug::settings::{Settings, from_text};

/// Sensors of each garden.
const SENSORS: usize = 40;
const EVERY_S: i64 = 900;
const START: &str = "2026-03-01T00:00:00Z";
/// Starts from what was kept.
const RUNS: usize = 5;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let gardens: usize = arguments.next().unwrap().parse().unwrap();
    let days: i64 = arguments.next().unwrap().parse().unwrap();
    let path = Path::new(&arguments.next().unwrap()).join("trug.db");
    let settings = settings(gardens, &path);
    let start: Timestamp = START.parse().unwrap();
    let end = start + SignedDuration::from_hours(24 * days);

    let mut engine = open(&settings);
    let (count, took) = timed(|| fill(&mut engine, &settings, start, end));
    println!("gardens and sensors         {gardens} of {SENSORS}, {days} days: {count} readings");
    println!("filled with rules           {:.1} s", took / 1e3);
    let (bytes, took) =
        timed(|| (0..gardens).map(|it| engine.router.core.state_bytes(it).len()).sum::<usize>());
    let sensors = gardens * SENSORS;
    println!("states                      {} bytes a sensor, made in {took:.0} ms", bytes / sensors);
    let ((), took) = timed(|| engine.keep_states(&DaemonHealth::default(), end).unwrap());
    println!("kept, packed and written    {took:.0} ms, {:.1} ms a garden", took / gardens as f64);
    drop(engine);
    let record = rusqlite::Connection::open(&path).unwrap();
    let packed: i64 =
        record.query_row("SELECT sum(length(packed)) FROM snapshot", [], |row| row.get(0)).unwrap();
    println!("in the record               {} bytes a sensor", packed / sensors as i64);

    let mut all: Vec<f64> = (0..RUNS)
        .map(|_| {
            let (engine, took) = timed(|| open(&settings));
            assert_eq!(engine.goes_on(), gardens as u64);
            took
        })
        .collect();
    all.sort_by(f64::total_cmp);
    let kept = all[RUNS / 2];
    println!("start from what was kept    {kept:.0} ms, median of {RUNS}");
    record.execute("DELETE FROM snapshot", []).unwrap();
    let (engine, replayed) = timed(|| open(&settings));
    assert_eq!(engine.goes_on(), 0);
    println!("start from the readings     {replayed:.0} ms, once");
    println!("ratio                       {:.0}", replayed / kept);
}

fn open(settings: &Settings) -> Engine {
    let mut engine = Engine::open(settings, Clock::Readings).unwrap();
    engine.tell_nobody();
    engine.on_change(Box::new(|_| {}));
    engine
}

fn timed<T>(run: impl FnOnce() -> T) -> (T, f64) {
    let began = Instant::now();
    let it = run();
    (it, began.elapsed().as_secs_f64() * 1e3)
}

/// Ten beds of two probes and a thermometer each, two tanks, and the weather.
fn settings(gardens: usize, path: &Path) -> Settings {
    let files: Vec<(String, GardenFile)> = (0..gardens)
        .map(|number| {
            let site = format!("school-{number}");
            let mut file = GardenFile::new(&site);
            for bed in 0..10 {
                let keys = format!("{BED_KEYS}irrigation = {{ litres_per_hour = 120, efficiency = 0.8 }}\n");
                file = file.bed(&format!("bed-{bed}"), &format!("Bed {bed}"), &keys);
            }
            for tank in 0..2 {
                file = file.tank(&format!("tank-{tank}"), &format!("Tank {tank}"), "");
            }
            for bed in 0..10 {
                let (bed, name) = (format!("bed-{bed}"), format!("b{bed}"));
                file = file.probe(&format!("{name}-15"), &bed, 15).probe(&format!("{name}-30"), &bed, 30);
                let place = format!("bed = \"{bed}\"\ndepth_cm = 10\nevery_s = {EVERY_S}");
                file = file.sensor(&format!("{name}-soil"), "soil-temperature", &place);
            }
            for tank in 0..2 {
                for measures in ["water-temperature", "ph", "dissolved-oxygen"] {
                    let place = format!("tank = \"tank-{tank}\"\nevery_s = {EVERY_S}");
                    file = file.sensor(&format!("t{tank}-{measures}"), measures, &place);
                }
            }
            let every = format!("every_s = {EVERY_S}");
            let gauge = format!("calibration = {{ mm_per_tip = 0.2 }}\n{every}");
            file = file.sensor("gauge", "rain", &gauge);
            for measures in ["air-temperature", "relative-humidity", "wind-speed"] {
                file = file.sensor(measures, measures, &every);
            }
            (format!("{site}.toml"), file)
        })
        .collect();
    let texts: Vec<(&str, &str)> = files.iter().map(|(name, file)| (name.as_str(), file.text())).collect();
    let mut trug = String::from("[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\n");
    writeln!(trug, "path = \"{}\"", path.display()).unwrap();
    let settings = from_text(("trug.toml", &trug), &texts, std::iter::empty())
        .unwrap_or_else(|faults| panic!("{faults}"));
    assert!(settings.gardens.iter().all(|garden| garden.sensors.len() == SENSORS));
    settings
}

/// Every sensor walks about what its quantity has.
fn fill(engine: &mut Engine, settings: &Settings, from: Timestamp, to: Timestamp) -> u64 {
    let plans: Vec<Quantity> =
        settings.gardens.iter().flat_map(|garden| garden.sensors.iter().map(|it| it.measures)).collect();
    let mut draw = 1_u64;
    let mut walks = vec![0.0_f64; plans.len()];
    let (mut at, mut count) = (from, 0);
    while at < to {
        for ((sensor, measures), walk) in (0_u32..).zip(&plans).zip(&mut walks) {
            // Knuth's constants for 64 bits (from memory): any even spread will do.
            draw = draw.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let step = (draw >> 40) as f64 / f64::from(1 << 24) - 0.5;
            *walk = (*walk + 0.1 * step).clamp(-1.0, 1.0);
            let raw = match measures {
                Quantity::SoilMoisture => 0.22 + 0.05 * *walk,
                Quantity::Rain => f64::from(draw >> 40 & 127 == 0),
                Quantity::Ph => 7.2 + 0.3 * *walk,
                Quantity::DissolvedOxygen => 7.5 + *walk,
                Quantity::RelativeHumidity => 60.0 + 20.0 * *walk,
                Quantity::WindSpeed => 3.0 + 2.0 * *walk,
                _ => 20.0 + 4.0 * *walk,
            };
            engine.take(SensorIx(sensor), Sample { at: Some(at), raw, battery: None }, at);
            count += 1;
        }
        if engine.waiting() >= 20_000 {
            engine.commit(at).unwrap();
        }
        at += SignedDuration::from_secs(EVERY_S);
    }
    engine.commit(to).unwrap();
    count
}

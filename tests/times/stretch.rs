//! A stretch of readings as the simulator sends them and the program keeps them: calibrated,
//! flagged, with their tests. Repeated, it makes years.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use garden_simulator::{Scenario, School, Simulation};
use jiff::Timestamp;
use trug::engine::Engine;
use trug::garden::Clock;
use trug::model::{Sample, SensorIx};
use trug::settings::Settings;
use trug::store::{Reader, ReadingFilter};

const SEED: u64 = 11;

/// A reading of a stretch.
pub(crate) struct StretchRow {
    /// Milliseconds after its beginning.
    pub(crate) ms: i64,
    pub(crate) series: i64,
    pub(crate) raw: f64,
    pub(crate) value: Option<f64>,
    pub(crate) flag: u8,
    pub(crate) tests: u32,
    pub(crate) late: bool,
}

/// A bed is watered each second day, and the weather is the simulator's own.
fn scenario(days: i64) -> Scenario {
    let text = format!(
        "title = \"A stretch\"\nstart = 2026-01-01\ndays = {days}\nseed = {SEED}\n\
         [[watering]]\nbed = \"kitchen-bed\"\nfirst = 2026-01-01\nevery_days = 2\nat = \"05:30\"\nlitres = 50\n"
    );
    Scenario::parse(&text).unwrap()
}

/// Readings of so many days in order of time and series. `wanted` says of which number of a
/// garden like the shipped one, and which sensor of it, a series is: each garden has weather
/// and soils of its own.
pub(crate) fn stretch(days: i64, every_s: u32, wanted: &[(i64, u64, String)]) -> Vec<StretchRow> {
    let mut gardens: BTreeMap<u64, BTreeMap<&str, i64>> = BTreeMap::new();
    for (series, garden, sensor) in wanted {
        gardens.entry(*garden).or_default().insert(sensor, *series);
    }
    let every = |line: &str| match line.trim_start().starts_with("every_s = ") {
        true => format!("every_s = {every_s}"),
        false => line.to_owned(),
    };
    let text: Vec<String> = crate::garden::SHIPPED.lines().map(every).collect();
    let text = text.join("\n");
    let mut rows = Vec::new();
    for (number, sensors) in gardens {
        let folder = tempfile::tempdir().unwrap();
        let mut settings = crate::garden::settings_with(crate::garden::SHIPPED_TRUG, &text);
        settings.store.path = folder.path().join("trug.db");
        play(&settings, &text, days, SEED + number, &sensors);
        let begin = scenario_begin(days, &text);
        let reader = Reader::open(&settings.store.path).unwrap();
        let each = |row: trug::store::StoredReading<'_>| {
            if let Some(&series) = sensors.get(row.series.sensor.as_str()) {
                rows.push(StretchRow {
                    ms: row.at.as_millisecond() - begin.as_millisecond(),
                    series,
                    raw: row.raw,
                    value: row.value,
                    flag: row.flag.number(),
                    tests: row.tests.0,
                    late: row.late,
                });
            }
            ControlFlow::Continue(())
        };
        reader.readings(&ReadingFilter::default(), each).unwrap();
    }
    rows.retain(|row| (0..days * 86_400_000).contains(&row.ms));
    rows.sort_by_key(|row| (row.ms, row.series));
    rows
}

/// Midnight of the first day, by the garden's clock.
fn scenario_begin(days: i64, garden: &str) -> Timestamp {
    let zone = crate::garden::garden_of(garden).site.time_zone.clone();
    zone.to_timestamp(scenario(days).start.at(0, 0, 0, 0)).unwrap()
}

fn play(settings: &Settings, garden: &str, days: i64, seed: u64, sensors: &BTreeMap<&str, i64>) {
    let (school, scenario) = (School::parse(garden).unwrap(), scenario(days));
    let mut engine = Engine::open(settings, Clock::Readings).unwrap();
    engine.tell_nobody();
    engine.on_change(Box::new(|_| {}));
    let mut sent: Vec<_> = Simulation::new(&school, &scenario, seed)
        .filter(|it| sensors.contains_key(it.sensor.as_str()))
        .collect();
    sent.sort_by_key(|it| it.at);
    for it in &sent {
        let sensor = settings.gardens[0].sensors.iter().position(|sensor| sensor.id.as_str() == it.sensor);
        let sensor = SensorIx(u32::try_from(sensor.unwrap()).unwrap());
        engine.take(sensor, Sample { at: Some(it.at), raw: it.raw, battery: None }, it.at);
        if engine.waiting() >= 2000 {
            engine.commit(it.at).unwrap();
        }
    }
    engine.commit(sent.last().unwrap().at).unwrap();
}

//! A month of the demonstration's garden, made by hand: beds that are watered and dry,
//! rain, a tank that warms by day. The school is invented, and so are the numbers.

use std::path::Path;

use jiff::Timestamp;
use trug::garden::log::{LogEntry, LogEvent, WaterTest};
use trug::garden::plan::Garden;
use trug::garden::record::{Batch, Reading};
use trug::model::{Id, Quantity};
use trug::model::{SensorIx, TimeFrom};
use trug::quality::{Flag, Tests};
use trug::store::{Reader, Store, write_log};

use super::garden::{only, shipped};

/// The demonstration's garden.
pub(crate) fn garden() -> Garden {
    shipped().gardens.remove(0)
}

pub(crate) fn at(text: &str) -> Timestamp {
    text.parse().expect("a time")
}

/// A reading of a garden's sensor by its number.
pub(crate) fn reading(sensor: u32, at: Timestamp, value: f64, flag: Flag) -> Reading {
    Reading {
        sensor: SensorIx(sensor),
        at,
        raw: value,
        value: Some(value),
        flag,
        tests: Tests::NOT_EVALUATED,
        time_from: TimeFrom::Device,
        late: false,
    }
}

/// What a sensor says in the `hour`-th hour.
fn value(measures: Quantity, sensor: u32, hour: i64) -> f64 {
    let of_day = (hour % 24) as f64;
    let warmth = ((of_day - 9.0) / 24.0 * std::f64::consts::TAU).sin();
    // Without it a probe would look stuck.
    let noise = ((hour * 7919 + i64::from(sensor) * 31) % 11 - 5) as f64 * 1e-4;
    match measures {
        Quantity::SoilMoisture => {
            let cycle = 24 * (5 + i64::from(sensor) % 3);
            let since = (hour % cycle) as f64;
            0.11 + 0.06 * (-since / 70.0).exp() + noise
        }
        Quantity::Rain => {
            if hour % 211 == 0 {
                4.2
            } else {
                0.0
            }
        }
        Quantity::WaterTemperature => 20.0 + 2.0 * warmth + noise * 100.0,
        Quantity::RelativeHumidity => 60.0 - 20.0 * warmth + noise * 100.0,
        Quantity::Ph => 7.1 + noise,
        Quantity::SolarRadiation => (warmth * 700.0).max(0.0),
        _ => 18.0 + 6.0 * warmth + noise * 100.0,
    }
}

/// Readings of every sensor at each full hour with `from` <= time < `to`.
pub(crate) fn hourly(garden: &Garden, from: Timestamp, to: Timestamp) -> Vec<Reading> {
    let hours = (to.as_second() - from.as_second()) / 3600;
    (0..hours)
        .flat_map(|hour| {
            let at = Timestamp::from_second(from.as_second() + hour * 3600).expect("in range");
            (0_u32..).zip(&garden.sensors).map(move |(number, sensor)| {
                reading(number, at, value(sensor.measures, number, hour), Flag::Pass)
            })
        })
        .collect()
}

/// A store with the readings, and a log with an entry for each way of writing.
pub(crate) fn store(path: &Path, garden: &Garden, readings: Vec<Reading>) -> Reader {
    let mut store = Store::open(path, std::slice::from_ref(garden)).expect("a new store");
    store.commit(&only(&Batch { readings, ..Batch::default() })).expect("the readings are stored");
    Reader::open(path).expect("the store can be read")
}

/// Notes that a spreadsheet or a browser could take for something to run.
pub(crate) const NOTES: [&str; 4] = [
    "=HYPERLINK(\"x\")",
    "+61 8 is not a sum",
    "@all: <script>alert(1)</script>",
    "two, \"three\" & <b>four</b>",
];

/// Writes entries with [`NOTES`] on 10 April 2026.
pub(crate) fn log(path: &Path, garden: &Garden) {
    let test = WaterTest { temperature_c: Some(20.5), ph: Some(7.2), ..WaterTest::default() };
    let seen = [
        (Some("perch-tank"), LogEvent::WaterTest(test)),
        (Some("kitchen-bed"), LogEvent::Watered { litres: Some(40.0) }),
        (None, LogEvent::Note),
        (Some("pea-bed"), LogEvent::Harvest { kg: 1.25, crop: None }),
    ];
    let now = at("2026-04-10T06:00:00Z");
    for ((place, what), note) in seen.into_iter().zip(NOTES) {
        let place = place.map(Id::new);
        let entry = LogEntry { site: garden.site.id.clone(), place, at: now, what, note: note.to_owned() };
        write_log(path, &entry, now).expect("the log can be written");
    }
}

//! The demonstration's garden with every sensor at one minute, and years of made-up
//! readings: soils that dry and are watered, warm days and cold nights, showers.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::path::Path;
use std::time::Instant;

use jiff::Timestamp;
use rusqlite::{Connection, params};
use trug::model::{Id, Place, Quantity};
use trug::settings::Settings;
use trug::store::Store;

pub(crate) const SITE: &str = "saltbush-gully";
const MINUTE_MS: i64 = 60_000;
const DAY_MIN: i64 = 1440;

/// The garden; beds of the kind of its first are added until there are so many sensors.
pub(crate) fn school(sensors: usize, store: &Path) -> Settings {
    let mut settings = crate::garden::shipped();
    settings.store.path = store.to_owned();
    let garden = &mut settings.gardens[0];
    let model = |id: &str| garden.sensors.iter().find(|it| it.id.as_str() == id).cloned().unwrap();
    let models = ["kitchen-15cm", "kitchen-30cm", "kitchen-soil-temp"].map(model);
    while garden.sensors.len() < sensors {
        let number = garden.beds.len();
        let mut bed = garden.beds[0].clone();
        bed.id = Id::new(&format!("bed-{number}"));
        bed.name = format!("Bed {number}");
        for model in models.iter().take(sensors - garden.sensors.len()) {
            let mut sensor = model.clone();
            sensor.id = Id::new(&model.id.as_str().replace("kitchen", bed.id.as_str()));
            sensor.topic = format!("{SITE}/{}", sensor.id);
            sensor.place = Place::Bed(u16::try_from(number).unwrap());
            sensor.battery = None;
            garden.sensors.push(sensor);
        }
        garden.beds.push(bed);
    }
    for sensor in &mut garden.sensors {
        sensor.every_s = 60;
    }
    settings
}

/// Puts readings in by SQL, a day in each transaction, in the columns that the store
/// writes. Gives their count.
pub(crate) fn fill(settings: &Settings, begin: Timestamp, days: i64) -> u64 {
    drop(Store::open(&settings.store.path, &settings.gardens).unwrap());
    let mut connection = Connection::open(&settings.store.path).unwrap();
    // The store goes back to its own way when it is opened.
    connection.pragma_update(None, "journal_mode", "MEMORY").unwrap();
    connection.pragma_update(None, "synchronous", "OFF").unwrap();
    let numbers = numbers(&connection);
    let garden = &settings.gardens[0];
    let mut sensors: Vec<(i64, Quantity, usize)> = garden
        .sensors
        .iter()
        .map(|it| {
            (
                numbers[it.id.as_str()],
                it.measures,
                if let Place::Bed(bed) = it.place { bed.into() } else { 0 },
            )
        })
        .collect();
    sensors.sort_by_key(|(number, ..)| *number);
    let began = Instant::now();
    let first = begin.as_millisecond() / MINUTE_MS;
    let mut count = 0;
    for day in 0..days {
        let transaction = connection.transaction().unwrap();
        let mut insert =
            transaction.prepare_cached("INSERT INTO reading VALUES (?1, ?2, ?3, ?4, ?5, 0, 0, 0)").unwrap();
        for minute in first + day * DAY_MIN..first + (day + 1) * DAY_MIN {
            for (series, measures, bed) in &sensors {
                let (raw, value) = reading(*measures, *bed, *series, minute);
                let flag = if (minute + series) % 211 == 0 { 3 } else { 1 };
                insert.execute(params![minute * MINUTE_MS, series, raw, value, flag]).unwrap();
                count += 1;
            }
        }
        drop(insert);
        transaction.commit().unwrap();
    }
    let took = began.elapsed().as_secs_f64();
    println!("{count} readings of {} sensors put in with SQL in {took:.1} s", sensors.len());
    count
}

/// Each sensor's number in the store.
pub(crate) fn numbers(connection: &Connection) -> BTreeMap<String, i64> {
    let mut select = connection.prepare("SELECT sensor, id FROM series").unwrap();
    let rows = select.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    rows.collect::<Result<_, _>>().unwrap()
}

/// A raw number and its value. The soil dries for five to eight days and is then
/// watered; an hour in sixty has 4 mm of rain.
fn reading(measures: Quantity, bed: usize, series: i64, minute: i64) -> (f64, f64) {
    let noise = ((minute * 7919 + series * 104_729) % 1000) as f64 / 1000.0 - 0.5;
    let day = (minute % DAY_MIN) as f64 / DAY_MIN as f64;
    match measures {
        Quantity::SoilMoisture => {
            let between = (5 + bed as i64 % 4) * DAY_MIN;
            let dried = (minute % between) as f64 / between as f64;
            let value = 0.145 - 0.05 * dried + 0.001 * noise;
            (2900.0 - (value - 0.02) / 0.38 * 1450.0, value)
        }
        Quantity::Rain => {
            let tips = if (minute / 60 * 7919) % 60 == 0 && minute % 3 == 0 { 1.0 } else { 0.0 };
            (tips, 0.2 * tips)
        }
        Quantity::AirTemperature => {
            let value = 18.0 + 8.0 * (TAU * day).sin() + 0.2 * noise;
            (value, value)
        }
        _ => {
            let value = 19.0 + 1.5 * (TAU * day).sin() + 0.1 * noise;
            (16.0 * value, value)
        }
    }
}

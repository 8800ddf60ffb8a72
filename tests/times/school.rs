//! The demonstration's garden with every sensor at one pace, and years of readings: a stretch
//! of days as the simulator sends them, over and over.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Instant;

use jiff::Timestamp;
use rusqlite::{Connection, params};
use trug::model::{Id, Place};
use trug::settings::Settings;
use trug::store::Store;

use crate::stretch::{StretchRow, stretch};

pub(crate) const SITE: &str = "saltbush-gully";
const DAY_MS: i64 = 86_400_000;

/// Seconds between two readings of a sensor.
pub(crate) fn every_s() -> u32 {
    let minutes = std::env::var("EVERY_MIN").ok().map_or(1, |minutes| minutes.parse().unwrap());
    60 * minutes
}

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
        sensor.every_s = every_s();
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
    let sensors: Vec<(i64, u64, String)> = garden
        .sensors
        .iter()
        .map(|it| {
            // Beds that were added are the kitchen bed of another garden.
            let (bed, rest) = it.id.as_str().strip_prefix("bed-").and_then(|id| id.split_once('-')).unzip();
            let sensor = rest.map_or(it.id.to_string(), |rest| format!("kitchen-{rest}"));
            (numbers[it.id.as_str()], bed.map_or(0, |bed| bed.parse().unwrap()), sensor)
        })
        .collect();
    let began = Instant::now();
    // More than a block holds, so that none has the same days twice.
    let length = i64::from(every_s() / 60) * 4 + 6;
    let stretch = stretch(length, every_s(), &sensors);
    let made = began.elapsed().as_secs_f64();
    println!(
        "{} readings of {length} days from the simulator, taken in by the program in {made:.1} s",
        stretch.len()
    );
    let began = Instant::now();
    let mut count = 0;
    for day in 0..days {
        let transaction = connection.transaction().unwrap();
        let mut insert =
            transaction.prepare_cached("INSERT INTO reading VALUES (?1, ?2, ?3, ?4, ?5, ?6, 0, ?7)").unwrap();
        let of = (day % length) * DAY_MS;
        let moved = begin.as_millisecond() + day * DAY_MS - of;
        let first = stretch.partition_point(|row| row.ms < of);
        for row in stretch[first..].iter().take_while(|row| row.ms < of + DAY_MS) {
            let StretchRow { ms, series, raw, value, flag, tests, late } = row;
            insert.execute(params![moved + ms, series, raw, value, flag, tests, late]).unwrap();
            count += 1;
        }
        drop(insert);
        transaction.commit().unwrap();
    }
    let took = began.elapsed().as_secs_f64();
    println!(
        "{count} readings of {} sensors, the stretch over and over, put in with SQL in {took:.1} s",
        sensors.len()
    );
    count
}

/// Each sensor's number in the store.
pub(crate) fn numbers(connection: &Connection) -> BTreeMap<String, i64> {
    let mut select = connection.prepare("SELECT sensor, id FROM series").unwrap();
    let rows = select.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    rows.collect::<Result<_, _>>().unwrap()
}

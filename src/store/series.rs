//! Series: the small number that stands for a sensor in every row.

use std::collections::HashMap;

use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

use super::former_ids;
use crate::alarms::AlarmKey;
use crate::garden::plan::{Garden, Sensor};
use crate::model::{Id, Place, SensorIx};

/// What a series is: kept in the file, so that it can be read without the
/// configuration.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Series {
    /// The number in the rows.
    pub number: u32,
    pub site: String,
    pub sensor: String,
    /// The quantity's name, such as `soil-moisture`.
    pub quantity: String,
    /// The unit of a calibrated value.
    pub unit: String,
    /// The bed's or tank's id; [`Series::WHOLE_SITE`] for the whole site.
    pub place: String,
}

impl Series {
    /// The place of a sensor that watches no single bed or tank.
    pub const WHOLE_SITE: &'static str = "site";
}

/// From this run's sensor numbers to the file's series numbers, and back.
///
/// A sensor keeps its series as long as its site, its id and its quantity stay
/// the same. One that comes to measure something else begins a new series, so
/// that old numbers are never read in the new unit. A sensor's place is what the
/// configuration last said: a probe that moves to another bed wants a new id.
#[derive(Clone, Debug, Default)]
pub struct SeriesMap {
    series_of: Vec<u32>,
    sensor_of: HashMap<u32, SensorIx>,
}

impl SeriesMap {
    /// The series that sensors already have in a file; sensors are numbered through all
    /// gardens in order.
    pub fn of_stored(known: &HashMap<u32, Series>, gardens: &[Garden]) -> Self {
        let mut map = Self::default();
        let names = |series: &Series| [&series.site, &series.sensor, &series.quantity].map(String::clone);
        let numbers: HashMap<[String; 3], u32> =
            known.values().map(|series| (names(series), series.number)).collect();
        let sensors = gardens.iter().flat_map(|garden| garden.sensors.iter().map(move |it| (garden, it)));
        for (index, (garden, sensor)) in (0_u32..).zip(sensors) {
            let of = |id: &Id| {
                let names = [garden.site.id.as_str(), id.as_str(), sensor.measures.name()];
                numbers.get(&names.map(str::to_owned)).copied()
            };
            map.series_of.push(of(&sensor.id).unwrap_or(Self::NONE));
            // Earlier ids are still there until the file is next opened for writing.
            map.sensor_of.extend(sensor.ids().filter_map(of).map(|number| (number, SensorIx(index))));
        }
        map
    }

    /// Stands for a series that the file does not have; the first one has the number 1.
    const NONE: u32 = 0;

    /// The series of a sensor.
    pub fn series(&self, sensor: SensorIx) -> Option<u32> {
        self.series_of.get(sensor.0 as usize).copied().filter(|&series| series != Self::NONE)
    }

    /// The sensor of a series, where the present configuration has one.
    pub fn sensor(&self, series: u32) -> Option<SensorIx> {
        self.sensor_of.get(&series).copied()
    }

    /// How many sensors there are.
    pub fn sensors(&self) -> usize {
        self.series_of.len()
    }
}

/// Finds or makes the series of every sensor, and brings its description up to date.
/// Returns with it the alarms that stood under an earlier id of their sensor.
pub(super) fn register(
    connection: &mut Connection,
    gardens: &[Garden],
) -> rusqlite::Result<(SeriesMap, Vec<AlarmKey>)> {
    let (mut map, mut renamed) = (SeriesMap::default(), Vec::new());
    // At once the writer: one that reads first cannot become it after another program
    // has written, and would not wait for that.
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    {
        let mut find = transaction.prepare(
            "SELECT id, unit, place, topic FROM series WHERE site = ?1 AND sensor = ?2 AND quantity = ?3",
        )?;
        let mut add = transaction.prepare(
            "INSERT INTO series (site, sensor, quantity, unit, place, topic) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        )?;
        let mut change =
            transaction.prepare("UPDATE series SET unit = ?2, place = ?3, topic = ?4 WHERE id = ?1")?;
        for garden in gardens {
            let site = garden.site.id.as_str();
            for sensor in &garden.sensors {
                renamed.extend(former_ids::take_over(&transaction, &garden.site.id, sensor)?);
                let (quantity, unit) = (sensor.measures.name(), sensor.measures.unit());
                let place = place_name(garden, sensor);
                let known = find
                    .query_row(params![site, sensor.id.as_str(), quantity], |row| {
                        let same = row.get_ref(1)?.as_str()? == unit
                            && row.get_ref(2)?.as_str()? == place
                            && row.get_ref(3)?.as_str()? == sensor.topic;
                        Ok((row.get::<_, u32>(0)?, same))
                    })
                    .optional()?;
                let number = match known {
                    Some((number, true)) => number,
                    Some((number, false)) => {
                        change.execute(params![number, unit, place, sensor.topic])?;
                        number
                    }
                    None => {
                        add.execute(params![site, sensor.id.as_str(), quantity, unit, place, sensor.topic])?;
                        u32::try_from(transaction.last_insert_rowid())
                            .expect("series are numbered from 1, and nobody has four thousand million")
                    }
                };
                let index = u32::try_from(map.series_of.len())
                    .expect("a fleet of four thousand million sensors does not fit the memory");
                map.series_of.push(number);
                map.sensor_of.insert(number, SensorIx(index));
            }
        }
        // A topic that has found its sensor is no longer without one.
        transaction.execute("DELETE FROM unplaced WHERE topic IN (SELECT topic FROM series)", [])?;
    }
    transaction.commit()?;
    Ok((map, renamed))
}

fn place_name<'a>(garden: &'a Garden, sensor: &Sensor) -> &'a str {
    let id = match sensor.place {
        Place::Bed(bed) => garden.beds.get(usize::from(bed)).map(|bed| &bed.id),
        Place::Tank(tank) => garden.tanks.get(usize::from(tank)).map(|tank| &tank.id),
        Place::Site => None,
    };
    id.map_or(Series::WHOLE_SITE, |id| id.as_str())
}

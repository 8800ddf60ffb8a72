//! The wettings of a garden's beds, kept for a while: they are found in hours of every
//! probe of the garden, which takes most of a page's time.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::bed_water::{by_the_hour, hourly};
use super::reader::PlaceReader;
use crate::analysis::month::{Rise, rises};
use crate::garden::log::LogEntry;
use crate::garden::plan::{Garden, Sensor};
use crate::history::{BinWidth, Point};
use crate::model::{Id, Quantity};
use crate::page::Unavailable;
use crate::page::cache::{CacheMoment, FreshCache};

/// Spans that are kept.
const KEPT_MAX: usize = 16;

/// How long a span is kept while readings come in: wettings are told to the hour.
const FRESH: SignedDuration = SignedDuration::from_mins(5);

/// How long before a span readings are looked at: a probe's noise is known after three
/// days.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(4 * 24);

/// The wettings of a garden, as they were found with one log.
#[derive(Debug)]
pub(super) struct GardenWettings {
    log: Vec<LogEntry>,
    /// Of each bed, those of the days before the span among them.
    beds: Vec<Vec<Rise>>,
}

impl GardenWettings {
    /// The rises of a bed within the time shown.
    pub(super) fn of_bed(&self, bed: usize, reader: PlaceReader<'_>) -> Vec<Rise> {
        let found = self.beds.get(bed).into_iter().flatten();
        found.filter(|rise| reader.shown.holds(rise.onset)).cloned().collect()
    }
}

/// The wettings that were found last, by site and span.
#[derive(Debug)]
pub(in crate::page) struct WettingCache {
    kept: FreshCache<(Id, Timestamp, Timestamp), GardenWettings>,
    /// One span is read at a time: another request for the same one waits for it.
    reading: tokio::sync::Mutex<()>,
    /// One month is looked for ahead at a time; where one is, another need not be.
    pub(super) ahead: Arc<tokio::sync::Mutex<()>>,
}

impl Default for WettingCache {
    fn default() -> Self {
        Self {
            kept: FreshCache::new(KEPT_MAX, usize::MAX, FRESH),
            reading: tokio::sync::Mutex::default(),
            ahead: Arc::default(),
        }
    }
}

impl WettingCache {
    /// The wettings of a garden's beds in the time shown. `changed` grows with each change
    /// of the record.
    pub(super) async fn of(
        &self,
        reader: PlaceReader<'_>,
        garden: &Garden,
        log: &[LogEntry],
        changed: u64,
    ) -> Result<Arc<GardenWettings>, Unavailable> {
        let PlaceReader { record, site, shown } = reader;
        let from = shown.from.saturating_sub(LOOK_BACK).unwrap_or(shown.from);
        let key = (garden.site.id.clone(), from, shown.to);
        let now = CacheMoment { at: shown.now, changed };
        let find = || self.kept.get(&key, now).filter(|found| found.log == log);
        if let Some(found) = find() {
            return Ok(found);
        }
        let _one = self.reading.lock().await;
        // Another request may have read the same one.
        if let Some(found) = find() {
            return Ok(found);
        }
        let sensors: Vec<(&Sensor, bool)> = telling(garden).collect();
        let ids = sensors.iter().map(|(sensor, _)| sensor.id.as_str().to_owned()).collect();
        let bins = record.bins_in_halves(site, ids, from, shown.to, BinWidth::Hour).await?;
        let hours = sensors.iter().zip(&bins);
        let readings: BTreeMap<Id, Vec<Point>> =
            hours.map(|((sensor, sums), bins)| (sensor.id.clone(), hourly(bins, *sums))).collect();
        let beds = rises(&by_the_hour(garden), &readings, log);
        Ok(self.kept.keep(key, now, 0, GardenWettings { log: log.to_vec(), beds }))
    }
}

/// The sensors that tell of wettings, and whether their values add up.
pub(super) fn telling(garden: &Garden) -> impl Iterator<Item = (&Sensor, bool)> {
    garden.sensors.iter().filter_map(|sensor| Some((sensor, adds_up(sensor)?)))
}

/// Whether the values of a sensor add up; `None` where it says nothing of wettings.
fn adds_up(sensor: &Sensor) -> Option<bool> {
    match sensor.measures {
        Quantity::Rain | Quantity::WaterFlow => Some(true),
        Quantity::SoilMoisture | Quantity::SoilTemperature => Some(false),
        _ => None,
    }
}

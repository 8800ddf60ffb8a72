//! The own record, with readings from the longer record where it has only figures.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use tokio::time::Instant;

use super::older::{NotRead, OlderSensor};
use super::{RecordReader, Unavailable};
use crate::garden::plan::Sensor;
use crate::history::{Bin, BinWidth, Point};
use crate::store::OlderFill;
use crate::text::spoken;

/// Of what a record is to be filled.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct FillWanted {
    site: String,
    sensors: Vec<OlderSensor>,
    /// From when on readings are looked at, from when on each of them is needed, and up to when.
    times: (Timestamp, Timestamp, Timestamp),
}

impl FillWanted {
    pub(super) fn new<'a>(
        site: &str,
        sensors: impl Iterator<Item = &'a Sensor>,
        times: (Timestamp, Timestamp, Timestamp),
    ) -> Self {
        let sensors = sensors.map(|it| OlderSensor { id: it.id.to_string(), every_s: it.every_s }).collect();
        Self { site: site.to_owned(), sensors, times }
    }

    /// Of one sensor, which promises a reading every `every_s` seconds.
    pub(super) fn of_one(site: &str, sensor: &str, every_s: u32, (from, to): (Timestamp, Timestamp)) -> Self {
        let sensors = vec![OlderSensor { id: sensor.to_owned(), every_s }];
        Self { site: site.to_owned(), sensors, times: (from, from, to) }
    }
}

/// A record with what the longer record has of before.
#[derive(Debug)]
pub(super) struct FilledRecord {
    pub(super) record: RecordReader,
    /// From when on the own store has every single reading.
    pub(super) single: Timestamp,
    pub(super) fault: Option<NotRead>,
    /// Readings that the days' figures count, and how many of them are not here.
    pub(super) counted: u64,
    pub(super) lacking: u64,
}

impl FilledRecord {
    /// Whether every reading is here that the days' figures count.
    pub(super) fn is_whole(&self) -> bool {
        self.fault.is_none() && self.lacking == 0
    }

    /// Whose readings a month or a term is made from, or why it is not; nothing where there are
    /// none.
    pub(super) fn words(&self, zone: &TimeZone) -> Option<String> {
        let has = self.counted.saturating_sub(self.lacking);
        match self.fault {
            _ if self.counted == 0 => None,
            Some(fault) => Some(fault.words().to_owned()),
            None if self.lacking == 0 => Some(spoken::from_longer_record(self.single, zone)),
            None if has == 0 => Some("The longer record has no reading of that time.".to_owned()),
            None => Some(format!(
                "The longer record has {has} of the {} readings of that time, which is too few for more.",
                self.counted
            )),
        }
    }
}

impl RecordReader {
    /// The record with what the longer record has of some sensors, as far as it is
    /// needed; `None` where it is not, or there is none. It takes little more than `wait`.
    ///
    /// # Errors
    /// [`Unavailable`] when the own store cannot be read just now.
    pub(super) async fn filled(
        &self,
        wanted: FillWanted,
        wait: Duration,
    ) -> Result<Option<FilledRecord>, Unavailable> {
        let until = Instant::now() + wait;
        let FillWanted { site, sensors, times: (look_from, from, to) } = wanted;
        let Some(server) = self.older().filter(|_| !sensors.is_empty()) else { return Ok(None) };
        let of = site.clone();
        let single = self.read("days", move |reader| reader.single_readings_from(&of)).await?;
        let Some(single) = single.filter(|single| from < *single) else { return Ok(None) };
        let found = server.read(&site, &sensors, (look_from, to.min(single)), until).await;
        let fault = found.as_ref().err().copied();
        let zone = self.garden(&site).map_or(TimeZone::UTC, |garden| garden.site.time_zone.clone());
        let readings = Arc::new(found.unwrap_or_default());
        let fill = OlderFill { site, from: look_from, until: to.min(single), whole: false, readings };
        let (counted, lacking, filled) = self
            .read("days", move |reader| {
                let ids: Vec<&str> = sensors.iter().map(|it| it.id.as_str()).collect();
                let (site, until) = (fill.site.clone(), fill.until);
                let filled = reader.filled(fill.clone());
                let days = reader.bins_of(&site, &ids, from, until, BinWidth::Day, &zone)?;
                let (mut counted, mut lacks) = (0, 0);
                // One sensor's at a time are copied.
                for (id, days) in ids.into_iter().zip(days) {
                    let points = filled.points_of(&site, &[id], from, until, usize::MAX)?;
                    counted += days.iter().map(|day| u64::from(day.readings)).sum::<u64>();
                    lacks += lacking(&days, points.first().map_or(&[], Vec::as_slice));
                }
                let whole = fault.is_none() && lacks == 0;
                // Up to the first that the own store has all of, also where less was asked for.
                let fill = OlderFill { whole, until: single, ..fill };
                Ok((counted, lacks, if fault.is_none() { reader.filled(fill) } else { reader.clone() }))
            })
            .await?;
        Ok(Some(FilledRecord { record: self.by(filled), single, fault, counted, lacking }))
    }
}

/// How many of the readings that days count are not among `points`.
fn lacking(days: &[Bin], points: &[Point]) -> u64 {
    let before = |at: Timestamp| points.partition_point(|point| point.at < at);
    days.iter()
        .map(|day| {
            let here = before(day.end).saturating_sub(before(day.start));
            u64::from(day.readings).saturating_sub(here as u64)
        })
        .sum()
}

//! What the pages of places read of the record.

use jiff::Timestamp;

use super::events::PlaceEvents;
use super::series::SensorSeries;
use super::span::ShownSpan;
use crate::garden::plan::Sensor;
use crate::history::BinWidth;
use crate::page::RecordReader;
use crate::page::problem::Problem;
use crate::page::wait::ask;

/// Readings of one sensor in a day that are read: one every five seconds.
const POINTS_MAX: usize = 17_280;

/// Reads the record of one site over the time that a page shows.
#[derive(Clone, Copy, Debug)]
pub(super) struct PlaceReader<'a> {
    pub(super) record: &'a RecordReader,
    pub(super) site: &'a str,
    pub(super) shown: &'a ShownSpan,
}

impl PlaceReader<'_> {
    /// The readings of a sensor.
    pub(super) async fn series(&self, sensor: &Sensor) -> Result<SensorSeries, Problem> {
        let mut all = self.series_of(&[sensor]).await?;
        Ok(all.pop().unwrap_or_else(|| SensorSeries::new(self.shown, sensor.every_s, Vec::new(), Vec::new())))
    }

    /// The readings of some sensors, in their order, in as few passes as it takes.
    pub(super) async fn series_of(&self, sensors: &[&Sensor]) -> Result<Vec<SensorSeries>, Problem> {
        let Self { record, site, shown } = *self;
        let (from, to) = (shown.from, shown.to);
        let ids = sensors.iter().map(|it| it.id.as_str().to_owned()).collect();
        let every_s = sensors.iter().map(|it| it.every_s);
        Ok(match shown.length.step() {
            BinWidth::Raw => {
                let points = ask(record.points_of(site, ids, from, to, POINTS_MAX)).await?;
                every_s
                    .zip(points)
                    .map(|(every_s, it)| SensorSeries::new(shown, every_s, it, Vec::new()))
                    .collect()
            }
            step => {
                let bins = ask(record.bins_in_halves(site, ids, from, to, step)).await?;
                every_s
                    .zip(bins)
                    .map(|(every_s, it)| SensorSeries::new(shown, every_s, Vec::new(), it))
                    .collect()
            }
        })
    }

    /// The log up to the present, and the steps of alarms.
    pub(super) async fn events(&self) -> Result<PlaceEvents, Problem> {
        let Self { record, site, shown } = *self;
        ask(async {
            let log = record.log(site, Timestamp::MIN, shown.now.max(shown.to)).await?;
            let steps = record.alarm_steps(site, shown.from, shown.to).await?;
            Ok(PlaceEvents { log, steps })
        })
        .await
    }

    /// From when on single readings are kept, where some have gone into days' figures.
    pub(super) async fn single_readings_from(&self) -> Result<Option<Timestamp>, Problem> {
        let site = self.site.to_owned();
        ask(self.record.read("days", move |reader| reader.single_readings_from(&site))).await
    }

    /// The same where the time shown goes back beyond it.
    pub(super) async fn only_daily_before(&self) -> Result<Option<Timestamp>, Problem> {
        Ok(self.single_readings_from().await?.filter(|from| self.shown.from < *from))
    }

    /// The time of the first reading of any of some sensors.
    pub(super) async fn first_reading(&self, sensors: &[&Sensor]) -> Result<Option<Timestamp>, Problem> {
        let (site, now) = (self.site.to_owned(), self.shown.now);
        let ids: Vec<String> = sensors.iter().map(|it| it.id.as_str().to_owned()).collect();
        ask(self.record.read("the first reading", move |reader| reader.first_heard(&site, &ids, now))).await
    }
}

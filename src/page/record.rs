//! The stored record as the page and its interface ask for it.

use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Unavailable;
use super::older::OlderRecord;
use crate::garden::log::LogEntry;
use crate::garden::plan::Garden;
use crate::history::{Bin, BinWidth, Point};
use crate::model::Id;
use crate::store::{AlarmRow, LogRow, Reader, StoreError};

/// Reads the store off the threads that serve. Clones share it.
#[derive(Clone, Debug)]
pub struct RecordReader {
    reader: Reader,
    gardens: Arc<[Arc<Garden>]>,
    older: Option<Arc<OlderRecord>>,
}

impl RecordReader {
    pub fn new(reader: Reader, gardens: Arc<[Arc<Garden>]>) -> Self {
        Self { reader, gardens, older: None }
    }

    /// The same, with where readings are asked for that the store has put into their days'
    /// figures.
    #[must_use]
    pub fn with_older(self, older: Option<OlderRecord>) -> Self {
        Self { older: older.map(Arc::new), ..self }
    }

    /// Where older readings are asked for.
    pub(super) fn older(&self) -> Option<&OlderRecord> {
        self.older.as_deref()
    }

    /// The same gardens by another reader.
    pub(super) fn by(&self, reader: Reader) -> Self {
        Self { reader, ..self.clone() }
    }

    /// The store itself, for what waits anyway.
    pub fn reader(&self) -> &Reader {
        &self.reader
    }

    /// Every garden.
    pub fn gardens(&self) -> &[Arc<Garden>] {
        &self.gardens
    }

    /// The garden of a site.
    pub fn garden(&self, site: &str) -> Option<&Arc<Garden>> {
        self.gardens.iter().find(|garden| garden.site.id.as_str() == site)
    }

    /// The readings of a sensor with `from` <= time < `to`, oldest first, at most `limit`.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be read just now.
    pub async fn points(
        &self,
        site: &str,
        sensor: &str,
        from: Timestamp,
        to: Timestamp,
        limit: usize,
    ) -> Result<Vec<Point>, Unavailable> {
        let (site, sensor) = (site.to_owned(), sensor.to_owned());
        self.read("readings", move |reader| reader.points(&site, &sensor, from, to, limit)).await
    }

    /// The same of several sensors, in one pass: one list for each, in the order of
    /// `sensors`, at most `limit` in each.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be read just now.
    pub async fn points_of(
        &self,
        site: &str,
        sensors: Vec<String>,
        from: Timestamp,
        to: Timestamp,
        limit: usize,
    ) -> Result<Vec<Vec<Point>>, Unavailable> {
        let site = site.to_owned();
        self.read("readings", move |reader| reader.points_of(&site, &sensors, from, to, limit)).await
    }

    /// The bins of a sensor with `from` <= start < `to`, oldest first; empty ones are
    /// left out. They begin on the hours or days of the site's clock.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be read just now.
    pub async fn bins(
        &self,
        site: &str,
        sensor: &str,
        from: Timestamp,
        to: Timestamp,
        step: BinWidth,
    ) -> Result<Vec<Bin>, Unavailable> {
        let zone = self.garden(site).map_or(TimeZone::UTC, |garden| garden.site.time_zone.clone());
        let (site, sensor) = (site.to_owned(), sensor.to_owned());
        self.read("bins", move |reader| reader.bins(&site, &sensor, from, to, step, &zone)).await
    }

    /// The bins of several sensors, such as a bed's probes: one list for each, in the
    /// order of `sensors`, each as [`RecordReader::bins`] gives it. All are of one moment.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be read just now.
    pub async fn bins_of(
        &self,
        site: &str,
        sensors: Vec<String>,
        from: Timestamp,
        to: Timestamp,
        step: BinWidth,
    ) -> Result<Vec<Vec<Bin>>, Unavailable> {
        let zone = self.garden(site).map_or(TimeZone::UTC, |garden| garden.site.time_zone.clone());
        let site = site.to_owned();
        self.read("bins", move |reader| reader.bins_of(&site, &sensors, from, to, step, &zone)).await
    }

    /// The same, read in two halves at one time, each of one moment: where there are many
    /// sensors or long times, the read is most of a page.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be read just now.
    pub async fn bins_in_halves(
        &self,
        site: &str,
        mut sensors: Vec<String>,
        from: Timestamp,
        to: Timestamp,
        step: BinWidth,
    ) -> Result<Vec<Vec<Bin>>, Unavailable> {
        let others = sensors.split_off(sensors.len().div_ceil(2));
        if others.is_empty() {
            return self.bins_of(site, sensors, from, to, step).await;
        }
        let (mut all, others) = tokio::try_join!(
            self.bins_of(site, sensors, from, to, step),
            self.bins_of(site, others, from, to, step)
        )?;
        all.extend(others);
        Ok(all)
    }

    /// The steps of a site's alarms with `from` <= time < `to`, oldest first.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be read just now.
    pub async fn alarm_steps(
        &self,
        site: &str,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<AlarmRow>, Unavailable> {
        let site = site.to_owned();
        self.read("alarms", move |reader| reader.alarm_changes(from, to, Some(&site))).await
    }

    /// What was logged at a site with `from` <= time < `to`, in order of time.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be read just now.
    pub async fn log(&self, site: &str, from: Timestamp, to: Timestamp) -> Result<Vec<LogRow>, Unavailable> {
        let site = site.to_owned();
        self.read("the log", move |reader| reader.log_of(&site, from, to)).await
    }

    /// The same with the entries that were struck.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be read just now.
    pub async fn log_with_struck(
        &self,
        site: &str,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<LogRow>, Unavailable> {
        let site = site.to_owned();
        self.read("the log", move |reader| reader.log_with_struck(&site, from, to)).await
    }

    /// An entry of the log by its number, struck or not.
    ///
    /// # Errors
    /// [`Unavailable`] when the store cannot be read just now.
    pub async fn log_entry(&self, site: &str, number: i64) -> Result<Option<LogRow>, Unavailable> {
        let site = site.to_owned();
        self.read("the log", move |reader| reader.log_entry(&site, number)).await
    }

    /// Adds an entry to the log, in place of the entry `wrong` if there is one; the daemon
    /// judges it within seconds. Returns whether there was such an entry to be put right.
    ///
    /// # Errors
    /// [`Unavailable`] when it is not known whether it was written.
    pub async fn write_log(
        &self,
        entry: LogEntry,
        wrong: Option<i64>,
        now: Timestamp,
    ) -> Result<bool, Unavailable> {
        self.read("writing the log", move |reader| {
            written(match wrong {
                None => crate::store::write_log(reader.path(), &entry, now),
                Some(wrong) => crate::store::correct_log(reader.path(), &entry, wrong, now),
            })
        })
        .await
    }

    /// Strikes an entry of the log. Returns whether there was one to be struck.
    ///
    /// # Errors
    /// [`Unavailable`] when it is not known whether it was written.
    pub async fn strike_log(
        &self,
        site: &Id,
        wrong: i64,
        why: String,
        now: Timestamp,
    ) -> Result<bool, Unavailable> {
        let site = site.clone();
        self.read("writing the log", move |reader| {
            written(crate::store::strike_log(reader.path(), &site, wrong, &why, now))
        })
        .await
    }

    /// Runs one read on a thread that may wait.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        what: &'static str,
        read: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, Unavailable> {
        let reader = self.reader.clone();
        tokio::task::spawn_blocking(move || read(&reader))
            .await
            .map_err(|e| Unavailable(format!("{what}: {e}")))?
            .map_err(|e| Unavailable(format!("{what}: {e}")))
    }
}

/// `false` where the entry that was to be struck is none, or is struck already.
fn written<T>(outcome: Result<T, StoreError>) -> Result<bool, StoreError> {
    match outcome {
        Ok(_) => Ok(true),
        Err(StoreError::NoSuchEntry { .. } | StoreError::StruckAlready { .. }) => Ok(false),
        Err(fault) => Err(fault),
    }
}

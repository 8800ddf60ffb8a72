//! The last month of a garden's sensors by the day, kept for a while: of forty sensors
//! they take as long as all the rest of their page.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::cache::{CacheMoment, FreshCache};
use super::spark::LineDays;
use super::{RecordReader, Unavailable};
use crate::garden::view::SiteView;
use crate::history::{Bin, BinWidth};
use crate::model::Id;

/// Gardens that are kept.
const KEPT_MAX: usize = 16;
/// How long they are kept while readings come in: a line of a month is told by the day.
const FRESH: SignedDuration = SignedDuration::from_mins(10);

/// The days of each sensor, in the order of the view's.
pub(super) type DaysOfSensors = Vec<Vec<Bin>>;

/// The days that were read last, by site and first day.
#[derive(Debug)]
pub(super) struct SensorDayCache {
    kept: FreshCache<(Id, Timestamp), DaysOfSensors>,
    /// One garden is read at a time: another request for the same one waits for it.
    reading: tokio::sync::Mutex<()>,
}

impl Default for SensorDayCache {
    fn default() -> Self {
        Self { kept: FreshCache::new(KEPT_MAX, usize::MAX, FRESH), reading: tokio::sync::Mutex::default() }
    }
}

impl SensorDayCache {
    /// The days of every sensor of a garden in the month up to the view's present.
    pub(super) async fn of(
        &self,
        record: &RecordReader,
        view: &SiteView,
        now: CacheMoment,
    ) -> Result<Arc<DaysOfSensors>, Unavailable> {
        let days = LineDays::until(view.now, &view.time_zone);
        let key = (view.id.clone(), days.from());
        if let Some(found) = self.kept.get(&key, now) {
            return Ok(found);
        }
        let _one = self.reading.lock().await;
        // Another request may have read the same one.
        if let Some(found) = self.kept.get(&key, now) {
            return Ok(found);
        }
        let sensors: Vec<String> = view.sensors.iter().map(|it| it.id.as_str().to_owned()).collect();
        let to = view.now.checked_add(SignedDuration::from_secs(1)).unwrap_or(view.now);
        let all = record.bins_in_halves(view.id.as_str(), sensors, days.from(), to, BinWidth::Day).await?;
        Ok(self.kept.keep(key, now, 0, all))
    }
}

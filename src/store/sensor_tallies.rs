//! How each sensor did lately.

use jiff::Timestamp;

use super::columns::{millis, time_from_number};
use super::error::StoreError;
use super::reader::Reader;
use crate::model::TimeFrom;
use crate::quality::Flag;

/// The readings of one sensor since some moment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SensorTally {
    pub site: String,
    pub sensor: String,
    pub readings: u64,
    /// Those that failed quality.
    pub bad: u64,
    /// Those that came too late to be judged.
    pub late: u64,
    /// Those that stand under the time of their arrival.
    pub by_arrival: u64,
}

impl Reader {
    /// How each sensor did since `from`, those with a reading since then.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn sensor_tallies(&self, from: Timestamp) -> Result<Vec<SensorTally>, StoreError> {
        self.list(
            "how the sensors did",
            "SELECT s.site, s.sensor, count(*), sum(r.flag = ?2), sum(r.late), sum(r.time_from = ?3)
             FROM reading r JOIN series s ON s.id = r.series
             WHERE r.at >= ?1 GROUP BY s.site, s.sensor ORDER BY s.site, s.sensor",
            [millis(from), i64::from(Flag::Fail.number()), time_from_number(TimeFrom::Arrival)],
            |row| {
                let count = |column| row.get::<_, i64>(column).map(i64::unsigned_abs);
                Ok(SensorTally {
                    site: row.get(0)?,
                    sensor: row.get(1)?,
                    readings: count(2)?,
                    bad: count(3)?,
                    late: count(4)?,
                    by_arrival: count(5)?,
                })
            },
        )
    }
}

//! A sensor's record as it is drawn and handed out: single readings, or bins of an
//! hour or a day with how good they are.
//!
//! Pure: bins are filled with readings in any order and can be put together.

mod edges;
mod older;
mod quarter;
mod root_zone;

use jiff::Timestamp;

pub use edges::bin_of;
pub use older::{OlderReadings, bins_of_points};
pub use quarter::{Edges, QUARTER_MS, quarter_of};
pub use root_zone::{ProbeBins, RootZoneBin, root_zone_bins};

use crate::model::names;
use crate::quality::Flag;

/// How finely a record is read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum BinWidth {
    /// Each reading.
    #[default]
    Raw,
    /// Hours of the site's clock.
    Hour,
    /// Days of the site's calendar.
    Day,
}

names!(BinWidth {
    Raw = "raw",
    Hour = "hour",
    Day = "day",
});

/// One stored reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    pub at: Timestamp,
    pub raw: f64,
    /// In the quantity's unit; `None` where the calibration gives none.
    pub value: Option<f64>,
    pub flag: Flag,
    pub late: bool,
}

impl Point {
    /// Its value, where it may be believed: neither doubtful nor bad.
    pub fn good(&self) -> Option<f64> {
        self.value.filter(|value| is_good(self.flag) && value.is_finite())
    }
}

/// Whether what has this flag may be believed. What was not checked counts.
pub fn is_good(flag: Flag) -> bool {
    matches!(flag, Flag::Pass | Flag::NotEvaluated)
}

/// What a stretch of time holds of one sensor. Sum, least, greatest and last are of
/// the good readings only.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bin {
    pub start: Timestamp,
    /// The first moment that does not belong to it.
    pub end: Timestamp,
    pub readings: u32,
    pub good: u32,
    pub suspect: u32,
    /// Failed, or without a value.
    pub bad: u32,
    pub sum: f64,
    pub min: f64,
    pub max: f64,
    pub last: f64,
    /// When the last good reading was taken.
    pub last_at: Timestamp,
}

impl Bin {
    /// A bin without a reading.
    pub fn empty(start: Timestamp, end: Timestamp) -> Self {
        Self {
            start,
            end,
            readings: 0,
            good: 0,
            suspect: 0,
            bad: 0,
            sum: 0.0,
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
            last: f64::NAN,
            last_at: Timestamp::MIN,
        }
    }

    /// Counts a reading of its time.
    pub fn add(&mut self, point: &Point) {
        self.readings += 1;
        match (point.good(), point.flag) {
            (Some(value), _) => {
                self.good += 1;
                self.sum += value;
                self.min = self.min.min(value);
                self.max = self.max.max(value);
                if point.at >= self.last_at {
                    (self.last, self.last_at) = (value, point.at);
                }
            }
            (None, Flag::Suspect) => self.suspect += 1,
            (None, _) => self.bad += 1,
        }
    }

    /// Counts all of another bin that lies within this one.
    pub fn merge(&mut self, other: &Self) {
        self.readings += other.readings;
        self.good += other.good;
        self.suspect += other.suspect;
        self.bad += other.bad;
        self.sum += other.sum;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        if other.good > 0 && other.last_at >= self.last_at {
            (self.last, self.last_at) = (other.last, other.last_at);
        }
    }

    /// The mean of the good readings; `None` where there is none.
    pub fn mean(&self) -> Option<f64> {
        (self.good > 0).then(|| self.sum / f64::from(self.good))
    }

    /// Mean, least, greatest and total of the good readings: the total of a quantity that
    /// adds up, else the other three; `None` where there is none.
    pub fn figures(&self, adds_up: bool) -> [Option<f64>; 4] {
        let (min, max) = self.range().unzip();
        let level = |figure: Option<f64>| figure.filter(|_| !adds_up);
        [level(self.mean()), level(min), level(max), (adds_up && self.good > 0).then_some(self.sum)]
    }

    /// The least and the greatest good reading.
    pub fn range(&self) -> Option<(f64, f64)> {
        (self.good > 0).then_some((self.min, self.max))
    }
}

//! A month of a garden in figures: what a class works with.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::{Comparison, Summary, TooFew};
use crate::garden::log::LogEntry;
use crate::garden::plan::{Garden, Id, Quantity};
use crate::history::Point;

/// What a month is made from.
#[derive(Clone, Debug, Default)]
pub struct Input {
    /// Readings of each sensor, oldest first, from some days before the month to its
    /// end: what came before shows how a drying began.
    pub readings: BTreeMap<Id, Vec<Point>>,
    /// The site's log up to the end of the month, in order of time.
    pub log: Vec<LogEntry>,
    /// Alarms raised in the month: when, the kind's words, the place's name.
    pub alarms: Vec<(Timestamp, String, String)>,
}

/// Which month.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Which {
    pub year: i16,
    /// 1 to 12.
    pub month: i8,
}

/// A month of one garden.
#[derive(Clone, Debug)]
pub struct Month {
    pub site: Id,
    pub name: String,
    pub time_zone: TimeZone,
    pub which: Which,
    /// The first moment of the month on the site's clock, and the first after it.
    pub from: Timestamp,
    pub to: Timestamp,
    /// The last moment that was known when it was made, where the month was not over.
    pub until: Option<Timestamp>,
    pub sensors: Vec<SensorMonth>,
    pub rain: Option<RainMonth>,
    pub beds: Vec<BedMonth>,
    pub tanks: Vec<TankMonth>,
    pub comparisons: Vec<Beside>,
    pub log: Vec<LogEntry>,
    pub alarms: Vec<(Timestamp, String, String)>,
    pub questions: Vec<Question>,
}

/// How complete and how good a sensor's month is.
#[derive(Clone, Debug)]
pub struct SensorMonth {
    pub id: Id,
    pub place: String,
    pub measures: Quantity,
    /// How many readings its interval promises in the time that has passed.
    pub expected: u32,
    pub readings: u32,
    pub good: u32,
    pub suspect: u32,
    pub bad: u32,
    /// The longest time without a good reading.
    pub longest_gap: Option<(Timestamp, Timestamp)>,
    /// Of the good readings.
    pub summary: Option<Summary>,
    pub days: Vec<DayOf>,
}

/// A day of one sensor, of its good readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DayOf {
    pub date: Date,
    pub readings: u32,
    pub good: u32,
    pub mean: Option<f64>,
    pub min: Option<f64>,
    pub max: Option<f64>,
    /// The sum, where the quantity adds up: rain, water used.
    pub total: Option<f64>,
}

/// Rain of the month, by rain days (9 am to 9 am, named by the day they end).
#[derive(Clone, Debug)]
pub struct RainMonth {
    pub gauge: Id,
    /// Each rain day of the month: mm, and whether a gap may hide some.
    pub days: Vec<(Date, Option<f64>, bool)>,
    pub total_mm: f64,
    /// Days with at least 0.2 mm, and with at least 1 mm.
    pub wet_days: u32,
    pub days_of_1mm: u32,
    pub wettest: Option<(Date, f64)>,
    /// The longest run of days without rain, where every one is known.
    pub longest_dry: Option<(Date, u32)>,
}

/// What water came.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Cause {
    Rain,
    Watering,
    Both,
    Unknown,
}

/// One wetting of a bed.
#[derive(Clone, Debug)]
pub struct BedWetting {
    pub from: Timestamp,
    pub to: Timestamp,
    /// What the root zone gained, mm.
    pub gain_mm: f64,
    pub cause: Cause,
    /// Rain of the gauge in that time, mm; `None` where it is not known.
    pub rain_mm: Option<f64>,
}

/// How a bed dried after a wetting: an exponential approach to a lower limit, and the
/// plain loss a day beside it.
#[derive(Clone, Debug)]
pub struct Drying {
    pub from: Timestamp,
    pub to: Timestamp,
    /// Water content at the beginning and the end, m³/m³.
    pub start: f64,
    pub end: f64,
    /// Mean loss of the root zone, mm a day.
    pub loss_mm_day: f64,
    /// Days after which 37 % of what can be lost is left; `None` where no curve fits.
    pub time_constant_days: Option<f64>,
    /// How far the curve is from the readings, root mean square, m³/m³.
    pub error: Option<f64>,
}

/// Between which marks of the soil a bed's water lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum WaterBand {
    /// Below the wilting point.
    BelowWilting,
    /// Between wilting point and refill point.
    Dry,
    /// Between refill point and field capacity.
    Moist,
    /// Above field capacity.
    Wet,
}

/// A day of a bed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BedDay {
    pub date: Date,
    /// Mean water content of the root zone, m³/m³.
    pub water_content: Option<f64>,
    /// Part of total available water that was left, of the mean.
    pub available: Option<f64>,
    pub band: Option<WaterBand>,
    /// What the crop needed, mm; `None` where the weather is not known.
    pub need_mm: Option<f64>,
    pub rain_mm: Option<f64>,
    /// What waterings brought to the root zone, mm.
    pub watering_mm: f64,
}

/// A bed's month.
#[derive(Clone, Debug)]
pub struct BedMonth {
    pub id: Id,
    pub name: String,
    pub area_m2: f64,
    pub root_depth_m: f64,
    /// m³/m³.
    pub wilting_point: f64,
    pub refill_point: f64,
    pub field_capacity: f64,
    /// Mulch that lay on it, mm, as the log says; `None`: bare, as far as it says.
    pub mulch_mm: Option<f64>,
    pub days: Vec<BedDay>,
    pub wettings: Vec<BedWetting>,
    pub dryings: Vec<Drying>,
    /// What it needed and what it got over the days on which both are known, mm, and
    /// how many days those were.
    pub need_mm: Option<f64>,
    pub got_mm: Option<f64>,
    pub balance_days: u32,
    /// Why the need is not known, where it is not.
    pub need_unknown: Option<String>,
}

/// A tank's day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TankDay {
    pub date: Date,
    pub mean_c: Option<f64>,
    pub min_c: Option<f64>,
    pub max_c: Option<f64>,
    /// Hours outside the range that suits the fish, of the hours that are known.
    pub hours_cold: f64,
    pub hours_warm: f64,
    pub hours_known: f64,
}

/// A tank's month.
#[derive(Clone, Debug)]
pub struct TankMonth {
    pub id: Id,
    pub name: String,
    pub cold_c: f64,
    pub warm_c: f64,
    pub days: Vec<TankDay>,
    /// The day with the greatest swing, and °C.
    pub widest: Option<(Date, f64)>,
}

/// Two places beside each other.
#[derive(Clone, Debug)]
pub struct Beside {
    pub first: Id,
    pub second: Id,
    pub first_name: String,
    pub second_name: String,
    /// What is compared: "Loss of water while drying".
    pub what: String,
    pub unit: &'static str,
    /// What one value is: "each drying", "each day".
    pub each: &'static str,
    pub first_values: Vec<f64>,
    pub second_values: Vec<f64>,
    pub outcome: Result<Comparison, TooFew>,
    /// What the data do and do not show, in plain words.
    pub says: String,
    /// What must be known beside it: that days depend on each other, that the beds
    /// differ in more than the mulch.
    pub caution: String,
}

/// Something for the class to find out with this month's data.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Question {
    pub ask: String,
    /// The sheet and columns that it can be answered from.
    pub look_at: String,
    /// How one may begin.
    pub begin: String,
}

/// Works out a month. `compare`: the beds to put beside each other; `None`: the pair
/// that says most (mulched and bare, if there is one).
pub fn month(
    garden: &Garden,
    which: Which,
    input: &Input,
    until: Option<Timestamp>,
    compare: Option<(&Id, &Id)>,
) -> Month {
    let _ = (garden, which, input, until, compare);
    todo!("analysis")
}

//! A month of a garden in figures: what a class works with.

mod content;

use std::collections::BTreeMap;

use jiff::Timestamp;

pub use content::{
    BedDay, BedMonth, BedWetting, Beside, Cause, DayOf, Drying, Effect, Month, MulchOn, Pairing, Question,
    RainDayOf, RainMonth, SensorMonth, TankDay, TankMonth, WaterBand, Which,
};

use crate::garden::log::LogEntry;
use crate::garden::plan::{Garden, Id};
use crate::history::Point;

/// What a month is made from.
#[derive(Clone, Debug, Default)]
pub struct Input {
    /// Readings of each sensor, oldest first, from some days before the month to its
    /// end: what came before shows how a drying began. Fifteen days let the wettings
    /// be found as the daemon finds them.
    pub readings: BTreeMap<Id, Vec<Point>>,
    /// The site's log up to the end of the month, in order of time.
    pub log: Vec<LogEntry>,
    /// Alarms raised in the month: when, the kind's words, the place's name.
    pub alarms: Vec<(Timestamp, String, String)>,
}

/// Works out a month. `until`: the newest moment that is known, where the month is not
/// over. `compare`: the beds to put beside each other; `None`: the pair that says most
/// (mulched and bare, if there is one).
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

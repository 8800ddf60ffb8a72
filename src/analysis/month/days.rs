//! A month of which only daily figures are kept.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::SensorMonth;
use super::sensors::sensor_days;
use super::span::MonthSpan;
use crate::garden::log::LogEntry;
use crate::garden::plan::{Garden, place_called};
use crate::history::Bin;
use crate::model::{CalendarMonth, Id};
use crate::text::labels;
use crate::text::locale::LocalText;

/// What such a month is made from.
#[derive(Clone, Debug, Default)]
pub struct DaysInput {
    /// The days of each sensor, of the site's calendar, oldest first.
    pub days: BTreeMap<Id, Vec<Bin>>,
    /// The site's log, in order of time.
    pub log: Vec<LogEntry>,
    /// Alarms raised in the month: when, the kind's words, the place's name.
    pub alarms: Vec<(Timestamp, String, String)>,
}

/// A month as its days have it: each sensor's figures, what people wrote down, what was
/// told. Nothing of it is judged.
#[derive(Clone, Debug)]
pub struct DaysMonth {
    pub name: String,
    pub time_zone: TimeZone,
    pub local: LocalText,
    pub which: CalendarMonth,
    pub from: Timestamp,
    pub to: Timestamp,
    /// The last moment that was known when it was made, where the month was not over.
    pub until: Option<Timestamp>,
    /// In the order of the garden's file; without hours, gaps and quartiles.
    pub sensors: Vec<SensorMonth>,
    /// Entries of the month, each with the name of its place.
    pub log: Vec<(String, LogEntry)>,
    pub alarms: Vec<(Timestamp, String, String)>,
}

impl DaysMonth {
    /// The places that have sensors, each once, in the order of the garden's file.
    pub fn places(&self) -> Vec<&str> {
        let mut names: Vec<&str> = Vec::new();
        for sensor in &self.sensors {
            if !names.contains(&sensor.place.as_str()) {
                names.push(&sensor.place);
            }
        }
        names
    }
}

/// Puts a month together from its days. `until`: the newest moment that is known, where the
/// month is not over. A month that no calendar has is taken for the nearest that it has.
pub fn days_month(
    garden: &Garden,
    which: CalendarMonth,
    input: &DaysInput,
    until: Option<Timestamp>,
) -> DaysMonth {
    let span = MonthSpan::new(which, &garden.site.time_zone, until);
    let none = Vec::new();
    let of = |id: &Id| input.days.get(id).unwrap_or(&none);
    let of_month = |at: Timestamp| span.from <= at && at < span.to;
    let place = |entry: &LogEntry| {
        entry.place.as_ref().map_or_else(|| labels::name(&garden.site.name), |id| place_called(garden, id))
    };
    DaysMonth {
        name: labels::name(&garden.site.name),
        time_zone: garden.site.time_zone.clone(),
        local: garden.local_text(),
        which: CalendarMonth { year: span.first.year(), month: span.first.month() },
        from: span.from,
        to: span.to,
        until: until.filter(|until| *until < span.to),
        sensors: garden.sensors.iter().map(|it| sensor_days(garden, it, of(&it.id), &span)).collect(),
        log: input.log.iter().filter(|it| of_month(it.at)).map(|it| (place(it), it.clone())).collect(),
        alarms: input.alarms.iter().filter(|it| of_month(it.0)).cloned().collect(),
    }
}

//! The water that came to a bed: rain, waterings, and when its soil grew wetter.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use super::asked::{Asked, Span};
use super::hours::Found;
use super::series::Heard;
use crate::analysis::month::Rise;
use crate::chart::Bar;
use crate::garden::log::{LogEntry, Seen};
use crate::garden::plan::{Bed, Garden, Sensor};
use crate::history::{Bin, Point, Step, bin_of};
use crate::model::{Place, Quantity};
use crate::quality::Flag;

/// An hour, seconds.
const HOUR_S: u32 = 3600;
/// Of the readings that a sensor promises, so many must have come.
const WHOLE_PART: f64 = 0.8;

/// The rises of a bed within a span.
pub(super) fn rises_of(found: &Found, bed: usize, asked: &Asked) -> Vec<Rise> {
    let found = found.get(bed).into_iter().flatten();
    found.filter(|it| asked.from <= it.onset && it.onset < asked.to).cloned().collect()
}

/// The garden as it looks by one reading an hour.
pub(super) fn by_the_hour(garden: &Garden) -> Garden {
    let mut coarse = garden.clone();
    for sensor in &mut coarse.sensors {
        sensor.every_s = sensor.every_s.max(HOUR_S);
    }
    coarse
}

/// One reading for each hour: its last good one, or its sum.
pub(super) fn hourly(bins: &[Bin], sums: bool) -> Vec<Point> {
    let point = |bin: &Bin| {
        let point = |at, value, flag| Point { at, raw: value, value: Some(value), flag, late: false };
        let last = bin.end.checked_sub(SignedDuration::from_secs(1)).unwrap_or(bin.end);
        match sums {
            false if bin.good == 0 => None,
            false => Some(point(bin.last_at, bin.last, Flag::Pass)),
            // A part of it is not known, so the whole is not.
            true if bin.suspect + bin.bad > 0 => Some(point(last, bin.sum, Flag::Fail)),
            true => Some(point(last, bin.sum, Flag::Pass)),
        }
    };
    bins.iter().filter_map(point).collect()
}

/// Sums of a sensor whose values add up: hours of a day, three hours of a week, days of
/// the calendar else; each times `scale`.
pub(super) fn amounts(heard: &Heard, sensor: &Sensor, asked: &Asked, name: &str, scale: f64) -> Vec<Bar> {
    let bins = if heard.hours.is_empty() { &heard.bins } else { &heard.hours };
    let part = |bin: &Bin| {
        let local = asked.zone.to_datetime(bin.start);
        match asked.span {
            Span::Day => bin_of(bin.start, Step::Hour, &asked.zone).0,
            Span::Week => {
                let hours = i64::from(local.hour() % 3);
                let start = bin_of(bin.start, Step::Hour, &asked.zone).0;
                start.checked_sub(SignedDuration::from_hours(hours)).unwrap_or(start)
            }
            Span::Month | Span::Year => bin_of(bin.start, Step::Day, &asked.zone).0,
        }
    };
    let bar = |bins: &[Bin]| {
        let mut all = bins[0];
        for bin in &bins[1..] {
            all.merge(bin);
        }
        let from = part(&bins[0]);
        let to = match asked.span {
            Span::Day => bin_of(from, Step::Hour, &asked.zone).1,
            Span::Week => from.checked_add(SignedDuration::from_hours(3)).unwrap_or(from),
            Span::Month | Span::Year => bin_of(from, Step::Day, &asked.zone).1,
        };
        let known_to = to.min(asked.end());
        let expected = (known_to.as_second() - from.as_second()) as f64 / f64::from(sensor.every_s.max(1));
        let doubt = if all.suspect + all.bad > 0 {
            Some(MARRED.to_owned())
        } else if f64::from(all.readings) < (expected * WHOLE_PART).floor() {
            Some(NOT_ALL.to_owned())
        } else {
            None
        };
        Bar { from, to, value: all.sum * scale, name: name.to_owned(), doubt }
    };
    bins.chunk_by(|a, b| part(a) == part(b)).map(bar).collect()
}

/// Waterings that somebody wrote down with their litres, in mm over the bed. Several in
/// one stretch add up.
pub(super) fn logged_bars(log: &[&LogEntry], bed: &Bed, asked: &Asked) -> Vec<Bar> {
    let step = match asked.span {
        Span::Day | Span::Week => Step::Hour,
        Span::Month | Span::Year => Step::Day,
    };
    let mut sums: BTreeMap<(Timestamp, Timestamp), f64> = BTreeMap::new();
    for entry in log.iter().filter(|entry| asked.from <= entry.at && entry.at < asked.to) {
        if let Seen::Watered { litres: Some(litres) } = entry.what {
            *sums.entry(bin_of(entry.at, step, &asked.zone)).or_default() += litres / bed.area_m2;
        }
    }
    let bar = |((from, to), value)| Bar { from, to, value, name: LOGGED.to_owned(), doubt: None };
    sums.into_iter().map(bar).collect()
}

/// What a bar's doubt says. Under the chart each stands once.
pub(super) const MARRED: &str =
    "Some sums leave out readings that were doubtful or bad: it may have been more, or less.";
pub(super) const NOT_ALL: &str =
    "Some sums are of a time from which not all readings came: it may have been more.";

/// What bars of waterings are called.
pub(super) const LOGGED: &str = "Watered, as written down";
pub(super) const METERED: &str = "Watered, by the meter";

/// A bed's own water meters.
pub(super) fn meters(garden: &Garden, bed: usize) -> impl Iterator<Item = &Sensor> {
    garden.sensors.iter().filter(move |sensor| {
        sensor.measures == Quantity::WaterFlow
            && matches!(sensor.place, Place::Bed(index) if usize::from(index) == bed)
    })
}

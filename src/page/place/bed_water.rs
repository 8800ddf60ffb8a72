//! The water that came to a bed: rain, waterings, and when its soil grew wetter.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use super::series::SensorSeries;
use super::span::{ShownSpan, SpanLength};
use crate::chart::Bar;
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::plan::{Bed, Garden, Sensor};
use crate::history::{Bin, BinWidth, Point, bin_of};
use crate::model::{Place, Quantity};
use crate::quality::Flag;

/// An hour, seconds.
const HOUR_S: u32 = 3600;
/// Of the readings that a sensor promises, so many must have come.
const WHOLE_PART: f64 = 0.8;

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
pub(super) fn amounts(
    series: &SensorSeries,
    sensor: &Sensor,
    shown: &ShownSpan,
    name: &str,
    scale: f64,
) -> Vec<Bar> {
    let bins = if series.hours.is_empty() { &series.bins } else { &series.hours };
    // The stretch of a bin's bar.
    let stretch = |bin: &Bin| match shown.length {
        SpanLength::Day => bin_of(bin.start, BinWidth::Hour, &shown.zone),
        SpanLength::Week => {
            let hours = |hours: i8| SignedDuration::from_hours(i64::from(hours));
            let start = bin_of(bin.start, BinWidth::Hour, &shown.zone).0;
            let passed = hours(shown.zone.to_datetime(bin.start).hour() % 3);
            let from = start.checked_sub(passed).unwrap_or(start);
            (from, from.checked_add(hours(3)).unwrap_or(from))
        }
        SpanLength::Month | SpanLength::Year => bin_of(bin.start, BinWidth::Day, &shown.zone),
    };
    let bar = |bins: &[Bin]| {
        let mut all = bins[0];
        for bin in &bins[1..] {
            all.merge(bin);
        }
        let (from, to) = stretch(&bins[0]);
        let known_to = to.min(shown.end());
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
    bins.chunk_by(|a, b| stretch(a).0 == stretch(b).0).map(bar).collect()
}

/// Waterings that somebody wrote down with their litres, in mm over the bed. Several in
/// one stretch add up.
pub(super) fn logged_bars(log: &[&LogEntry], bed: &Bed, shown: &ShownSpan) -> Vec<Bar> {
    let step = match shown.length {
        SpanLength::Day | SpanLength::Week => BinWidth::Hour,
        SpanLength::Month | SpanLength::Year => BinWidth::Day,
    };
    let mut sums: BTreeMap<(Timestamp, Timestamp), f64> = BTreeMap::new();
    for entry in log.iter().filter(|entry| shown.holds(entry.at)) {
        if let LogEvent::Watered { litres: Some(litres) } = entry.what {
            *sums.entry(bin_of(entry.at, step, &shown.zone)).or_default() += litres / bed.area_m2;
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
pub(super) const LOGGED: &str = "Watered, by the Garden log";
pub(super) const METERED: &str = "Watered, by the meter";

/// A bed's own water meters.
pub(super) fn meters(garden: &Garden, bed: usize) -> impl Iterator<Item = &Sensor> {
    garden.sensors.iter().filter(move |sensor| {
        sensor.measures == Quantity::WaterFlow
            && matches!(sensor.place, Place::Bed(index) if usize::from(index) == bed)
    })
}

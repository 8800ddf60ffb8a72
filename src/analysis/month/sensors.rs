//! How complete and how good each sensor's month is.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::span::{DaySpan, MonthSpan, seconds};
use super::{DayOf, SensorMonth};
use crate::analysis::Summary;
use crate::garden::patience_s;
use crate::garden::plan::{Garden, Sensor};
use crate::history::{Bin, BinWidth, Point, bin_of};
use crate::text::labels;

/// The hours of the site's clock that have a reading; points in order of time.
pub(super) fn hours(points: &[Point], zone: &TimeZone) -> Vec<Bin> {
    let mut bins: Vec<Bin> = Vec::new();
    for point in points {
        match bins.last_mut() {
            Some(bin) if bin.start <= point.at && point.at < bin.end => bin.add(point),
            _ => {
                let (start, end) = bin_of(point.at, BinWidth::Hour, zone);
                let mut bin = Bin::empty(start, end);
                bin.add(point);
                bins.push(bin);
            }
        }
    }
    bins
}

/// A sensor's month. `points` are those of the month, `hours` its bins.
pub(super) fn sensor_month(
    garden: &Garden,
    sensor: &Sensor,
    points: &[Point],
    hours: Vec<Bin>,
    span: &MonthSpan,
) -> SensorMonth {
    let (mut whole, mut rest) = (Bin::empty(span.from, span.to), points);
    let mut values = Vec::with_capacity(points.len());
    let days = span
        .days
        .iter()
        .map(|day| {
            let (own, later) = rest.split_at(rest.partition_point(|point| point.at < day.to));
            rest = later;
            let mut bin = Bin::empty(day.from, day.to);
            for point in own {
                bin.add(point);
                values.extend(point.good());
            }
            whole.merge(&bin);
            day_of(day, &bin, sensor)
        })
        .collect();
    SensorMonth {
        longest_gap: longest_gap(points, span, patience_s(sensor.every_s)),
        summary: Summary::of(&values),
        hours,
        ..of_days(garden, sensor, span, whole, days)
    }
}

/// The same of its days alone: bins of the site's calendar, in order of time.
pub(super) fn sensor_days(garden: &Garden, sensor: &Sensor, bins: &[Bin], span: &MonthSpan) -> SensorMonth {
    let mut whole = Bin::empty(span.from, span.to);
    let days = span
        .days
        .iter()
        .map(|day| {
            let mut bin = Bin::empty(day.from, day.to);
            bins.iter().filter(|it| day.from <= it.start && it.start < day.to).for_each(|it| bin.merge(it));
            whole.merge(&bin);
            day_of(day, &bin, sensor)
        })
        .collect();
    of_days(garden, sensor, span, whole, days)
}

fn day_of(day: &DaySpan, bin: &Bin, sensor: &Sensor) -> DayOf {
    DayOf {
        date: day.date,
        readings: bin.readings,
        good: bin.good,
        suspect: bin.suspect,
        bad: bin.bad,
        mean: bin.mean(),
        min: bin.range().map(|range| range.0),
        max: bin.range().map(|range| range.1),
        total: (sensor.measures.adds_up() && bin.good > 0).then_some(bin.sum),
    }
}

/// What is known of a sensor's month by its days.
fn of_days(garden: &Garden, sensor: &Sensor, span: &MonthSpan, whole: Bin, days: Vec<DayOf>) -> SensorMonth {
    SensorMonth {
        id: sensor.id.clone(),
        place: labels::name(garden.place_name(sensor)),
        measures: sensor.measures,
        every_s: sensor.every_s,
        expected: u32::try_from(seconds(span.from, span.end) / i64::from(sensor.every_s.max(1)))
            .unwrap_or(u32::MAX),
        readings: whole.readings,
        good: whole.good,
        suspect: whole.suspect,
        bad: whole.bad,
        longest_gap: None,
        summary: None,
        hours: Vec::new(),
        days,
    }
}

/// The longest time without a good reading, from the month's beginning to its end, if
/// it is longer than the sensor may be silent. Of equals the first.
fn longest_gap(points: &[Point], span: &MonthSpan, patience_s: i64) -> Option<(Timestamp, Timestamp)> {
    let good = points.iter().filter(|point| point.good().is_some()).map(|point| point.at);
    let mut before = span.from;
    let mut longest = None;
    let mut most_s = patience_s;
    for at in good.chain([span.end]) {
        if seconds(before, at) > most_s {
            (longest, most_s) = (Some((before, at)), seconds(before, at));
        }
        before = at;
    }
    longest
}

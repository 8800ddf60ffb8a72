//! The rain of the month.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::span::{MonthSpan, seconds};
use super::{RainDayOf, RainMonth};
use crate::garden::plan::Sensor;
use crate::garden::{caught, patience_s};
use crate::history::Point;
use crate::rain::{DRY_DAY_MM, Gauge, GaugeMessage, RainDays, Total, rain_day_bounds};

/// One gauge's month; points in order of time, from before the month on.
pub(super) fn rain_month(sensor: &Sensor, points: &[Point], span: &MonthSpan) -> RainMonth {
    // What came before the month shows only whether its first day is whole.
    let early = points.partition_point(|point| seconds(point.at, span.from) > 2 * 86_400);
    let of_month = points[early..].iter().take_while(|point| point.at < span.to && point.at <= span.end);
    let patience_s = patience_s(sensor.every_s);
    let heard = of_month.map(|point| (point.at, caught_by(sensor, point)));
    summed(rain_days(heard, patience_s, &span.zone, (span.first, span.last), span.end))
}

/// What a reading of a gauge brings; `None` where it cannot be believed.
pub fn caught_by(sensor: &Sensor, point: &Point) -> Option<GaugeMessage> {
    let mm = point.good().filter(|mm| *mm >= 0.0)?;
    Some(caught(sensor, point.at, point.raw, mm))
}

/// The rain days from `first` to `last` that have ended by `end`, at most the newest
/// 399. `heard`: the gauge's messages in order of time, from a day before or more;
/// those that cannot be believed bring `None`. A longer silence than `patience_s` is a
/// gap.
pub fn rain_days(
    heard: impl Iterator<Item = (Timestamp, Option<GaugeMessage>)>,
    patience_s: i64,
    zone: &TimeZone,
    (first, last): (Date, Date),
    end: Timestamp,
) -> Vec<RainDayOf> {
    let mut gauge = Gauge::default();
    for (at, caught) in heard {
        match caught {
            Some(caught) => gauge.push_day(caught, patience_s, zone),
            None => gauge.miss_day(at, zone),
        }
    }
    let record = gauge.days().as_of(end, patience_s);
    let dates = first.series(jiff::ToSpan::days(1)).take_while(|date| *date <= last);
    let ended = dates.take_while(|date| rain_day_bounds(*date, zone).1 <= end);
    ended.map(|date| day(&record, date)).collect()
}

fn day(record: &RainDays, date: Date) -> RainDayOf {
    let (mm, gap) = match record.day(date).map(|day| day.total) {
        Some(Total::Whole(mm)) => (Some(mm), false),
        Some(Total::Accumulated { mm, .. } | Total::AtLeast { mm, .. }) => (Some(mm), true),
        Some(Total::InLater) | None => (None, true),
    };
    RainDayOf { date, mm, gap }
}

fn summed(days: Vec<RainDayOf>) -> RainMonth {
    let count = |holds: &dyn Fn(&RainDayOf) -> bool| {
        u32::try_from(days.iter().filter(|day| holds(day)).count()).unwrap_or(u32::MAX)
    };
    let known = || days.iter().filter_map(|day| Some((day.date, day.whole_mm()?)));
    let mut longest_dry = None;
    for run in days.chunk_by(|a, b| dry(a) == dry(b)).filter(|run| dry(&run[0])) {
        let length = u32::try_from(run.len()).unwrap_or(u32::MAX);
        if longest_dry.is_none_or(|(_, longest)| length > longest) {
            longest_dry = Some((run[0].date, length));
        }
    }
    RainMonth {
        total_mm: days.iter().filter_map(|day| day.mm).fold(0.0, |sum, mm| sum + mm),
        days_unknown: count(&|day| day.gap),
        // A part of a tip is rounding: sums of 0.2 need not be whole.
        days_of_1mm: count(&|day| day.whole_mm().is_some_and(|mm| mm >= DRY_DAY_MM - 1e-6)),
        wettest: known().filter(|day| day.1 > 0.0).reduce(|a, b| if b.1 > a.1 { b } else { a }),
        longest_dry,
        days,
    }
}

fn dry(day: &RainDayOf) -> bool {
    day.whole_mm().is_some_and(|mm| mm < DRY_DAY_MM - 1e-6)
}

//! The moments of a month on the site's clock.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::history::Point;
use crate::model::CalendarMonth;

/// A local day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct DaySpan {
    pub(super) date: Date,
    /// Its first moment, and the first after it.
    pub(super) from: Timestamp,
    pub(super) to: Timestamp,
}

/// A month, as far as it has passed.
#[derive(Clone, Debug)]
pub(super) struct MonthSpan {
    pub(super) zone: TimeZone,
    pub(super) from: Timestamp,
    pub(super) to: Timestamp,
    /// The end of what can be known: that of the month, or sooner.
    pub(super) end: Timestamp,
    /// Whether it has begun.
    pub(super) begun: bool,
    /// The days that have begun.
    pub(super) days: Vec<DaySpan>,
    pub(super) first: Date,
    pub(super) last: Date,
}

impl MonthSpan {
    /// A month that no calendar has is taken for the nearest that it has.
    pub(super) fn new(which: CalendarMonth, zone: &TimeZone, until: Option<Timestamp>) -> Self {
        let first = Date::new(which.year.clamp(1, 9998), which.month.clamp(1, 12), 1)
            .expect("the first of a month between the years 1 and 9998 is a date");
        let last = first.last_of_month();
        let midnight = |date: Date| {
            zone.to_timestamp(date.at(0, 0, 0, 0)).expect("these years are all within a timestamp")
        };
        let after = last.tomorrow().expect("years end at 9999");
        let (from, to) = (midnight(first), midnight(after));
        let end = until.map_or(to, |until| until.clamp(from, to));
        let begun = until.is_none_or(|until| from <= until);
        let days = first
            .series(jiff::ToSpan::days(1))
            .take_while(|date| *date <= last)
            .map(|date| DaySpan {
                date,
                from: midnight(date),
                to: midnight(date.tomorrow().expect("years end at 9999")),
            })
            .take_while(|day| begun && day.from <= end)
            .collect();
        Self { zone: zone.clone(), from, to, end, begun, days, first, last }
    }

    /// Whether a moment belongs to it, as far as it has passed.
    pub(super) fn holds(&self, at: Timestamp) -> bool {
        self.begun && self.from <= at && at < self.to && at <= self.end
    }

    /// The readings of the month among some that are in order of time.
    pub(super) fn part<'a>(&self, points: &'a [Point]) -> &'a [Point] {
        let from = points.partition_point(|point| point.at < self.from);
        let to = points.partition_point(|point| self.holds(point.at) || point.at < self.from);
        &points[from..to.max(from)]
    }

    /// The day of a moment.
    pub(super) fn day_of(&self, at: Timestamp) -> Option<usize> {
        let after = self.days.partition_point(|day| day.from <= at);
        let index = after.checked_sub(1)?;
        (at < self.days[index].to).then_some(index)
    }
}

/// Seconds from one moment to another.
pub(super) fn seconds(from: Timestamp, to: Timestamp) -> i64 {
    to.as_second() - from.as_second()
}

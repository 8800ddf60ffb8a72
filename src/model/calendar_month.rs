//! A month of the calendar.

use std::fmt;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// Years of which a month may be asked.
const YEARS: std::ops::RangeInclusive<i16> = 1970..=9998;

/// A month of a year, shown as `2026-04`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CalendarMonth {
    pub year: i16,
    /// 1 to 12.
    pub month: i8,
}

impl CalendarMonth {
    /// What is accepted where a month is asked for.
    pub const ACCEPTED: &'static str = "a year and a month such as 2026-04, from 1970-01 on";

    /// The month of a text such as `2026-04`; `None` where it is none.
    pub fn parse(text: &str) -> Option<Self> {
        let (year, month) = text.split_once('-')?;
        let digits = |text: &str, count| text.len() == count && text.bytes().all(|b| b.is_ascii_digit());
        if !digits(year, 4) || !digits(month, 2) {
            return None;
        }
        let it = Self { year: year.parse().ok()?, month: month.parse().ok()? };
        (YEARS.contains(&it.year) && (1..=12).contains(&it.month)).then_some(it)
    }

    /// The month of the site's calendar in which a moment lies; `None` beyond the years
    /// that may be asked for.
    pub fn of(at: Timestamp, zone: &TimeZone) -> Option<Self> {
        let date = zone.to_datetime(at).date();
        YEARS.contains(&date.year()).then_some(Self { year: date.year(), month: date.month() })
    }

    /// The month after; `None` after the last.
    pub fn next(self) -> Option<Self> {
        let (year, month) = if self.month < 12 { (self.year, self.month + 1) } else { (self.year + 1, 1) };
        YEARS.contains(&year).then_some(Self { year, month })
    }

    /// The month before; `None` before the first.
    pub fn previous(self) -> Option<Self> {
        let (year, month) = if self.month > 1 { (self.year, self.month - 1) } else { (self.year - 1, 12) };
        YEARS.contains(&year).then_some(Self { year, month })
    }

    /// The first moment of the month on a clock, and the first after it; `None` for a month
    /// that no calendar has.
    pub fn span(self, zone: &TimeZone) -> Option<(Timestamp, Timestamp)> {
        let first = Date::new(self.year, self.month, 1).ok()?;
        let midnight = |date: Date| zone.to_timestamp(date.at(0, 0, 0, 0)).ok();
        Some((midnight(first)?, midnight(first.last_of_month().tomorrow().ok()?)?))
    }
}

impl fmt::Display for CalendarMonth {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}", self.year, self.month)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_month_is_four_digits_and_two() {
        let april = CalendarMonth { year: 2026, month: 4 };
        assert_eq!(CalendarMonth::parse("2026-04"), Some(april));
        assert_eq!(april.to_string(), "2026-04");
        assert_eq!(CalendarMonth::parse("9998-12"), Some(CalendarMonth { year: 9998, month: 12 }));
        for text in [
            "",
            "2026",
            "2026-4",
            "2026-00",
            "2026-13",
            "0000-01",
            "1969-12",
            "9999-01",
            "-026-04",
            "2026-04-01",
            "+026-04",
            "2026-٠٤",
            "april",
            "2026-04 ",
            "20260-4",
        ] {
            assert_eq!(CalendarMonth::parse(text), None, "{text:?}");
        }
    }

    /// Clocks in Adelaide went back on 5 April 2026 and forward on 4 October 2026 (IANA
    /// time zone database): April had an hour more, October one less.
    #[test]
    fn a_month_with_a_change_of_the_clock_is_an_hour_longer_or_shorter() {
        let zone = TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database");
        let hours = |month| {
            let (from, to) = CalendarMonth { year: 2026, month }.span(&zone).expect("a month");
            to.duration_since(from).as_hours()
        };
        assert_eq!([4, 5, 10].map(hours), [30 * 24 + 1, 31 * 24, 31 * 24 - 1]);
        assert_eq!(CalendarMonth { year: 2026, month: 13 }.span(&zone), None);
        let december = CalendarMonth { year: 2026, month: 12 };
        assert_eq!(december.next(), Some(CalendarMonth { year: 2027, month: 1 }));
        assert_eq!(CalendarMonth { year: 9998, month: 12 }.next(), None);
    }
}

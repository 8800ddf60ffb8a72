//! Between the wall clock, the weather's standard time and Unix seconds.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime, Time, date};
use jiff::tz::TimeZone;

/// The instant of a wall-clock time; one that a clock change skips or doubles is
/// taken as clocks do, by the offset before the change.
pub(crate) fn instant_s(zone: &TimeZone, local: DateTime) -> i64 {
    zone.to_ambiguous_zoned_datetime(local).compatible().map_or(0, |z| z.timestamp().as_second())
}

/// Local midnight of a date.
pub(crate) fn midnight_s(zone: &TimeZone, day: Date) -> i64 {
    instant_s(zone, day.to_datetime(Time::midnight()))
}

/// The local date of an instant.
pub(crate) fn date_at(zone: &TimeZone, at_s: i64) -> Date {
    timestamp(at_s * 1000).to_zoned_datetime(zone.clone()).date()
}

/// An instant from Unix milliseconds.
pub(crate) fn timestamp(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(ms).unwrap_or(Timestamp::MAX)
}

/// The date that lies so many days after 1970 began.
pub(crate) fn date_of_day(day: i64) -> Date {
    date(1970, 1, 1).saturating_add(jiff::Span::new().days(day))
}

/// Standard time, seconds east of UTC: the smaller of a year's two offsets.
pub(crate) fn standard_offset_s(zone: &TimeZone, year: i16) -> i64 {
    [1, 7]
        .into_iter()
        .map(|month| {
            let noon = date(year, month, 1).at(12, 0, 0, 0);
            instant_s(&TimeZone::UTC, noon) - instant_s(zone, noon)
        })
        .min()
        .unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Central Standard Time is UTC+09:30; clocks are an hour ahead until the
    /// first Sunday of April, in 2026 the fifth (from memory of the state's rule).
    #[test]
    fn adelaide_ends_daylight_saving_on_the_fifth_of_april() {
        let zone = TimeZone::get("Australia/Adelaide").unwrap();
        assert_eq!(standard_offset_s(&zone, 2026), 34_200);
        let day = |d| midnight_s(&zone, date(2026, 4, d));
        assert_eq!(day(5) - day(4), 24 * 3600);
        assert_eq!(day(6) - day(5), 25 * 3600);
        assert_eq!(date_at(&zone, day(6) - 1), date(2026, 4, 5));
    }

    #[test]
    fn days_since_1970_are_dates() {
        assert_eq!(date_of_day(0), date(1970, 1, 1));
        assert_eq!(date_of_day(20_454), date(2026, 1, 1));
    }
}

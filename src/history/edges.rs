//! Where bins begin and end: on the hours and days of the site's clock.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::BinWidth;

/// The start and end of the hour or day in which a moment lies. Hours are an hour
/// long, also where the clock is put back; days run from midnight to midnight and are
/// 23 or 25 hours long where it is changed. Of single readings: the moment itself.
pub fn bin_of(at: Timestamp, step: BinWidth, zone: &TimeZone) -> (Timestamp, Timestamp) {
    const HOUR: SignedDuration = SignedDuration::from_hours(1);
    match step {
        BinWidth::Raw => (at, at),
        BinWidth::Hour => {
            // Before 1970 a part of a second counts backwards: down to the full one.
            let second = at.as_second() - i64::from(at.subsec_nanosecond() < 0);
            let local = second + i64::from(zone.to_offset(at).seconds());
            let start = second - local.rem_euclid(3600);
            let start = Timestamp::from_second(start).unwrap_or(Timestamp::MIN);
            (start, start.checked_add(HOUR).unwrap_or(Timestamp::MAX))
        }
        BinWidth::Day => {
            let date = zone.to_datetime(at).date();
            let midnight = |date: jiff::civil::Date| zone.to_timestamp(date.at(0, 0, 0, 0)).ok();
            let start = midnight(date).unwrap_or(Timestamp::MIN);
            let end = date.tomorrow().ok().and_then(midnight).unwrap_or(Timestamp::MAX);
            (start, end)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Clocks in Adelaide went back on 5 April 2026 (IANA time zone database); the
    /// zone is half an hour off the full hours of UTC.
    #[test]
    fn bins_begin_on_the_site_s_own_clock() {
        let zone = TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database");
        let at = |text: &str| text.parse::<Timestamp>().expect("a time");
        let hour = bin_of(at("2026-04-17T05:45:10Z"), BinWidth::Hour, &zone);
        assert_eq!(hour, (at("2026-04-17T05:30:00Z"), at("2026-04-17T06:30:00Z")));
        let early = bin_of(at("1969-12-31T11:59:59.5Z"), BinWidth::Hour, &TimeZone::UTC);
        assert_eq!(early, (at("1969-12-31T11:00:00Z"), at("1969-12-31T12:00:00Z")));
        let day = bin_of(at("2026-04-05T05:00:00Z"), BinWidth::Day, &zone);
        assert_eq!(day, (at("2026-04-04T13:30:00Z"), at("2026-04-05T14:30:00Z")));
    }
}

//! The rain day.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::why::{Check, Equation};

/// Which rain a day has.
pub const RAIN_DAY: Equation = Equation {
    gives: "rain day",
    form: "from 9 am of the day before to 9 am, local clock time, dated by its end",
    source: "Bureau of Meteorology, rainfall definitions, read; that a tip at 9:00:00 belongs to the day that ends \
             then is from memory",
    check: Check::Table("rain_day_9am.csv"),
};

/// The last 9 am of the local clock at or before `now`: rain is read at 9 am
/// for the 24 hours before (Bureau of Meteorology practice). On days when the
/// clock changes the interval has 23 or 25 hours.
pub fn nine_am_before(now: Timestamp, zone: &TimeZone) -> Timestamp {
    let local = zone.to_datetime(now);
    let today = nine_am(local.date(), zone);
    if today <= now { today } else { nine_am(local.date().yesterday().unwrap_or(local.date()), zone) }
}

/// The date of the rain day to which rain of the moment `at` belongs: after 9 am
/// it is tomorrow's ([`RAIN_DAY`]).
pub fn rain_day(at: Timestamp, zone: &TimeZone) -> Date {
    let date = zone.to_datetime(at).date();
    if at <= nine_am(date, zone) { date } else { date.tomorrow().unwrap_or(date) }
}

/// Begin (excluded) and end (included) of the rain day of a date: 24 hours, or
/// 23 or 25 where the clock changes.
pub fn rain_day_bounds(date: Date, zone: &TimeZone) -> (Timestamp, Timestamp) {
    (nine_am(date.yesterday().unwrap_or(date), zone), nine_am(date, zone))
}

/// No clock is changed at 9 am; where one were, this is the later of two.
fn nine_am(date: Date, zone: &TimeZone) -> Timestamp {
    zone.to_timestamp(date.at(9, 0, 0, 0)).unwrap_or(Timestamp::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn t(text: &str) -> Timestamp {
        text.parse().expect("a timestamp")
    }

    /// Lengths of rain days: computed with the IANA tz database (Python zoneinfo).
    #[test]
    fn nine_am_follows_the_local_clock() {
        for (zone, now, expected) in [
            ("Australia/Adelaide", "2026-04-04T22:00:00Z", "2026-04-03T22:30:00Z"),
            ("Australia/Adelaide", "2026-04-04T23:30:00Z", "2026-04-04T23:30:00Z"),
            ("Australia/Sydney", "2024-10-05T22:00:00Z", "2024-10-05T22:00:00Z"),
            ("Australia/Sydney", "2024-10-05T21:59:59Z", "2024-10-04T23:00:00Z"),
        ] {
            let zone = TimeZone::get(zone).expect("bundled");
            assert_eq!(nine_am_before(t(now), &zone), t(expected), "{now}");
        }
    }

    #[test]
    fn every_moment_is_within_the_bounds_of_its_own_day() {
        let zone = TimeZone::get("Australia/Adelaide").expect("bundled");
        let start = t("2026-03-28T00:00:00Z").as_second();
        for half_hour in 0..(15 * 48) {
            for off in [-1, 0, 1] {
                let at = Timestamp::from_second(start + half_hour * 1800 + off).expect("in range");
                let (from, to) = rain_day_bounds(rain_day(at, &zone), &zone);
                assert!(from < at && at <= to, "{at}: {from} {to}");
            }
        }
    }

    #[test]
    fn the_ends_of_the_calendar_are_no_trouble() {
        let zone = TimeZone::get("Australia/Adelaide").expect("bundled");
        for at in [Timestamp::MIN, Timestamp::MAX] {
            let (date, local) = (rain_day(at, &zone), zone.to_datetime(at).date());
            assert!(date == local || local.tomorrow().is_ok_and(|next| date == next), "{date} for {at}");
            let _ = (rain_day_bounds(date, &zone), nine_am_before(at, &zone));
        }
    }
}

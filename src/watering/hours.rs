//! The hours when water may run, on the site's own clock.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::watering::AllowedHours;

/// Step of the scan for allowed minutes, seconds.
const STEP_S: i64 = 300;

/// Whether no allowed minute lies between `from` and `to` (both included), so
/// that water which ran at any moment between them ran outside the hours.
/// Looked at every five minutes; more than two days count as not outside.
pub fn wholly_outside(hours: AllowedHours<'_>, zone: &TimeZone, from: Timestamp, to: Timestamp) -> bool {
    let length_s = to.as_second() - from.as_second();
    if !(0..=2 * 86_400).contains(&length_s) {
        return false;
    }
    let allowed = |at: Timestamp| hours.contains(zone.to_datetime(at));
    let mut second = 0;
    while second < length_s {
        if allowed(from + jiff::SignedDuration::from_secs(second)) {
            return false;
        }
        second += STEP_S;
    }
    !allowed(to)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{LocalHours, minute_of_day};
    use crate::watering::WateringRules;
    use jiff::civil::DateTime;

    fn adelaide() -> TimeZone {
        TimeZone::get("Australia/Adelaide").expect("bundled")
    }

    fn usual() -> LocalHours {
        LocalHours::new(vec![(0, 540), (1080, 1440)])
    }

    fn local(text: &str) -> DateTime {
        text.parse().expect("a date-time")
    }

    fn at(text: &str) -> Timestamp {
        adelaide().to_timestamp(local(text)).expect("unambiguous")
    }

    #[test]
    fn nine_is_outside_and_a_minute_before_is_inside() {
        assert!(usual().contains(539));
        assert!(!usual().contains(540));
        assert!(!usual().contains(1079));
        assert!(usual().contains(1080));
    }

    #[test]
    fn only_an_interval_without_any_allowed_minute_is_outside() {
        let outside = |from: &str, to: &str| {
            wholly_outside((&WateringRules::from(usual())).into(), &adelaide(), at(from), at(to))
        };
        assert!(outside("2026-04-07T10:15:00", "2026-04-07T11:30:00"));
        assert!(!outside("2026-04-07T08:55:00", "2026-04-07T10:10:00"));
        assert!(!outside("2026-04-07T17:00:00", "2026-04-07T18:00:00"));
        assert!(!outside("2026-04-07T11:30:00", "2026-04-07T10:15:00"));
    }

    /// On 5 April 2026 the clock in Adelaide goes back at 3 am: 9 am standard
    /// time is half past eleven at night, UTC.
    #[test]
    fn the_hours_follow_the_clock_across_its_change() {
        let zone = adelaide();
        let before: Timestamp = "2026-04-04T22:29:00Z".parse().expect("valid");
        let after: Timestamp = "2026-04-04T23:31:00Z".parse().expect("valid");
        assert_eq!(minute_of_day(zone.to_datetime(before)), 7 * 60 + 59);
        assert!(usual().contains(minute_of_day(zone.to_datetime(before))));
        assert!(!usual().contains(minute_of_day(zone.to_datetime(after))));
    }
}

//! When a group may be told: the ends of quiet hours and the times of summaries.
//!
//! Both are times of the site's own clock. Where that clock jumps over a summary's
//! time, the summary comes as long after the jump as it would have come after the
//! jump's beginning (02:30 becomes 03:30), as RFC 5545, section 3.3.5, reads such a
//! time; a time that comes twice in a day counts the first time. Quiet hours end at
//! the first moment at which the clock shows a minute outside them.

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, TimeZone};
use jiff::{SignedDuration, Timestamp, ToSpan as _};

use crate::alarms::Kind;
use crate::garden::plan::{Garden, Tell};
use crate::model::LocalHours;
use crate::watering::minute_of_day;

/// How long what is not of high priority waits for company, seconds: what falls out
/// of one cause comes within moments.
const GATHER_S: i64 = 60;

/// Minutes of the day at which what is of the day waits for no summary.
const DAY: std::ops::Range<u16> = 7 * 60..21 * 60;

/// How late a summary may be: beyond it the next one tells of it.
const SUMMARY_LATE: SignedDuration = SignedDuration::from_hours(12);

/// Steps that the search for the end of quiet hours takes at most: intervals of one
/// day after another, and a clock that is set back.
const STEPS_MAX: usize = 64;

/// When and how a group may be told.
#[derive(Clone, Copy, Debug)]
pub(super) struct TellingHours<'a> {
    pub(super) zone: &'a TimeZone,
    pub(super) quiet: Option<&'a LocalHours>,
    /// Minutes after local midnight.
    pub(super) summary: Option<u16>,
}

impl<'a> TellingHours<'a> {
    /// Those of a group of a garden.
    pub(super) fn of(garden: &'a Garden, group: Option<&'a Tell>) -> Self {
        Self {
            zone: &garden.site.time_zone,
            quiet: group.and_then(|group| group.quiet.as_ref()),
            summary: group.and_then(|group| group.summary),
        }
    }

    /// Those in which a group is told at `now` of an alarm of `kind`: by day, from 7 am to
    /// 9 pm (ours), what is of the day waits for no summary.
    pub(super) fn of_kind(self, kind: Kind, now: Timestamp) -> Self {
        let by_day = DAY.contains(&minute_of_day(self.zone.to_datetime(now)));
        let waits = !(kind.row().of_the_day && by_day);
        Self { summary: self.summary.filter(|_| waits), ..self }
    }

    /// When something that comes at `now` and is not of high priority is told.
    pub(super) fn gathered(&self, now: Timestamp) -> Timestamp {
        self.free(plus(now, SignedDuration::from_secs(GATHER_S)), now)
    }

    /// The same for what has already waited and needs no company.
    pub(super) fn at_once(&self, now: Timestamp) -> Timestamp {
        self.free(now, now)
    }

    fn free(&self, from: Timestamp, now: Timestamp) -> Timestamp {
        let due = match self.summary {
            Some(minute) => next_at(self.zone, minute, now),
            None => self.loud(from),
        };
        whole_millis(due)
    }

    /// What to do at `now` with something whose time was `due`: `None`, tell it;
    /// otherwise the time to which it is put off.
    pub(super) fn put_off(&self, due: Timestamp, now: Timestamp) -> Option<Timestamp> {
        let quiet = self.loud(now) > now;
        let late = self.summary.is_some() && now.duration_since(due) > SUMMARY_LATE;
        (quiet || late).then(|| self.at_once(now))
    }

    /// The first moment from `at` on that is not in the quiet hours. Where there is
    /// none (settings allow no such hours) `at` itself, so that nothing is lost.
    pub(super) fn loud(&self, at: Timestamp) -> Timestamp {
        let Some(quiet) = self.quiet else { return at };
        let mut moment = at;
        for _ in 0..STEPS_MAX {
            let local = self.zone.to_datetime(moment);
            let minute = minute_of_day(local);
            let Some(&(_, to)) = quiet.intervals().iter().find(|&&(from, to)| from <= minute && minute < to)
            else {
                return moment;
            };
            match self.first_showing(local.date(), to, moment) {
                Some(later) if later > moment => moment = later,
                _ => return at,
            }
        }
        at
    }

    /// The first moment after `after` at which the clock shows the minute `minute`
    /// of `date`, or has just jumped over it.
    fn first_showing(&self, date: Date, minute: u16, after: Timestamp) -> Option<Timestamp> {
        let ambiguous = self.zone.to_ambiguous_timestamp(civil(date, minute)?);
        match ambiguous.offset() {
            AmbiguousOffset::Unambiguous { .. } => ambiguous.compatible().ok(),
            AmbiguousOffset::Gap { .. } => self.zone.following(after).next().map(|jump| jump.timestamp()),
            AmbiguousOffset::Fold { .. } => {
                let first = ambiguous.earlier().ok()?;
                if first > after { Some(first) } else { ambiguous.later().ok() }
            }
        }
    }
}

/// The first moment after `now` at which the clock shows `minute`, once a day.
fn next_at(zone: &TimeZone, minute: u16, now: Timestamp) -> Timestamp {
    let today = zone.to_datetime(now).date();
    // A day on which the zone's own calendar left one out is passed over.
    (0..4)
        .filter_map(|days| today.checked_add(days.days()).ok())
        .filter_map(|date| zone.to_ambiguous_timestamp(civil(date, minute)?).compatible().ok())
        .find(|&at| at > now)
        .unwrap_or(now)
}

/// A minute of a day, 1440 being the next midnight.
fn civil(date: Date, minute: u16) -> Option<DateTime> {
    let midnight = date.to_datetime(Time::midnight());
    midnight.checked_add(i64::from(minute).minutes()).ok()
}

pub(super) fn plus(at: Timestamp, by: SignedDuration) -> Timestamp {
    at.saturating_add(by).unwrap_or(at)
}

/// As the store keeps it.
pub(super) fn whole_millis(at: Timestamp) -> Timestamp {
    Timestamp::from_millisecond(at.as_millisecond()).unwrap_or(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    fn zone(name: &str) -> TimeZone {
        TimeZone::get(name).expect("a zone")
    }

    fn check_loud(zone: &TimeZone, quiet: &[(u16, u16)], cases: &[(&str, &str)]) {
        let quiet = LocalHours::new(quiet.to_vec());
        let hours = TellingHours { zone, quiet: Some(&quiet), summary: None };
        for (now, expected) in cases {
            assert_eq!(hours.loud(at(now)), at(expected), "{now}");
        }
    }

    /// Adelaide is 9.5 hours ahead of UTC, 10.5 in summer (IANA time zone database).
    #[test]
    fn quiet_hours_over_midnight_end_in_the_morning() {
        check_loud(
            &zone("Australia/Adelaide"),
            &[(0, 390), (1260, 1440)],
            &[
                ("2026-06-10T11:29:59Z", "2026-06-10T11:29:59Z"),
                ("2026-06-10T11:30:00Z", "2026-06-10T21:00:00Z"),
                ("2026-06-10T14:30:00Z", "2026-06-10T21:00:00Z"),
                ("2026-06-10T20:59:59.999Z", "2026-06-10T21:00:00Z"),
                ("2026-06-10T21:00:00Z", "2026-06-10T21:00:00Z"),
            ],
        );
    }

    /// 2026-04-05 03:00 became 02:00 and 2026-10-04 02:00 becomes 03:00 in Adelaide
    /// (first Sundays of April and October; IANA time zone database).
    #[test]
    fn quiet_hours_end_by_the_clock_on_days_of_23_and_25_hours() {
        let adelaide = zone("Australia/Adelaide");
        check_loud(
            &adelaide,
            &[(0, 390), (1260, 1440)],
            &[
                ("2026-04-04T12:00:00Z", "2026-04-04T21:00:00Z"),
                ("2026-10-03T12:00:00Z", "2026-10-03T20:00:00Z"),
            ],
        );
        // Until 02:30: shown twice in April, and again quiet after the clock went back.
        check_loud(
            &adelaide,
            &[(0, 150)],
            &[
                ("2026-04-04T15:50:00Z", "2026-04-04T16:00:00Z"),
                ("2026-04-04T16:10:00Z", "2026-04-04T16:10:00Z"),
                ("2026-04-04T16:30:00Z", "2026-04-04T17:00:00Z"),
                ("2026-04-04T16:59:00Z", "2026-04-04T17:00:00Z"),
            ],
        );
        // Jumped over in October: they end with the jump.
        check_loud(&adelaide, &[(0, 150)], &[("2026-10-03T16:00:00Z", "2026-10-03T16:30:00Z")]);
    }

    #[test]
    fn hours_that_never_end_tell_at_once() {
        let zone = TimeZone::UTC;
        check_loud(&zone, &[(0, 1440)], &[("2026-06-10T11:30:00Z", "2026-06-10T11:30:00Z")]);
    }

    #[test]
    fn a_summary_comes_once_a_day_by_the_clock() {
        let adelaide = zone("Australia/Adelaide");
        for (minute, now, expected) in [
            (420, "2026-06-10T21:29:59.999Z", "2026-06-10T21:30:00Z"),
            (420, "2026-06-10T21:30:00Z", "2026-06-11T21:30:00Z"),
            // The day of 25 hours and the day of 23.
            (420, "2026-04-03T20:30:00Z", "2026-04-04T21:30:00Z"),
            (420, "2026-10-02T21:30:00Z", "2026-10-03T20:30:00Z"),
            // 02:30 comes twice: the first counts, and only once.
            (150, "2026-04-04T15:00:00Z", "2026-04-04T16:00:00Z"),
            (150, "2026-04-04T16:00:00Z", "2026-04-05T17:00:00Z"),
            // 02:30 does not come: 03:30 counts.
            (150, "2026-10-03T15:00:00Z", "2026-10-03T17:00:00Z"),
            (150, "2026-10-03T17:00:00Z", "2026-10-04T16:00:00Z"),
        ] {
            assert_eq!(next_at(&adelaide, minute, at(now)), at(expected), "{minute} after {now}");
        }
        // Apia left out 2011-12-30 altogether (IANA time zone database).
        let apia = zone("Pacific/Apia");
        assert_eq!(next_at(&apia, 420, at("2011-12-29T18:00:00Z")), at("2011-12-30T17:00:00Z"));
    }

    #[test]
    fn a_summary_may_be_late_but_not_by_half_a_day() {
        let zone = TimeZone::UTC;
        let hours = TellingHours { zone: &zone, quiet: None, summary: Some(420) };
        let due = at("2026-06-10T07:00:00Z");
        assert_eq!(hours.put_off(due, at("2026-06-10T19:00:00Z")), None);
        assert_eq!(hours.put_off(due, at("2026-06-10T19:00:01Z")), Some(at("2026-06-11T07:00:00Z")));
    }

    #[test]
    fn what_comes_is_gathered_for_a_minute_and_not_into_the_quiet_hours() {
        let zone = TimeZone::UTC;
        let quiet = LocalHours::new(vec![(0, 390), (1260, 1440)]);
        let hours = TellingHours { zone: &zone, quiet: Some(&quiet), summary: None };
        assert_eq!(hours.gathered(at("2026-06-10T12:00:00.0005Z")), at("2026-06-10T12:01:00Z"));
        assert_eq!(hours.gathered(at("2026-06-10T20:59:30Z")), at("2026-06-11T06:30:00Z"));
        assert_eq!(hours.at_once(at("2026-06-10T20:59:30Z")), at("2026-06-10T20:59:30Z"));
        assert_eq!(
            hours.put_off(at("2026-06-10T20:59:00Z"), at("2026-06-10T21:10:00Z")),
            Some(at("2026-06-11T06:30:00Z"))
        );
    }
}

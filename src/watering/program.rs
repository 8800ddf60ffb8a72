//! When the programs of a watering timer run, on the site's own clock.
//!
//! A start that the clock skips in spring runs when that much time has passed; one
//! that the clock shows twice in autumn runs the first time.
//!
//! # Where it stops holding
//!
//! Few tap timers follow the change of the clock by themselves, and somebody may set
//! them days later. So for a fortnight after a change a run by the old clock counts
//! as a run, too. The fortnight is this project's own.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

use crate::model::add_seconds;
use crate::watering::AllowedHours;

const DAY_S: i64 = 86_400;
/// Within this time of a change of the clock a timer may not have been set yet.
const CLOCK_SET_WITHIN_S: i64 = 14 * DAY_S;
const DAY_MIN: i64 = 1440;
/// Days that are looked at from each beginning: the longest interval of a program is
/// sixty.
const LOOKED_AT_D: i64 = 63;

/// The days on which a timer's program runs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ProgramDays {
    /// Days of the week, Monday first.
    Week([bool; 7]),
    /// Every so many days, 1 or more, counted from a day on which it runs.
    Every { days: u16, from: Date },
}

/// When a timer's program runs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Timetable {
    pub days: ProgramDays,
    /// Minutes after local midnight, 0 to 1439, sorted, each once; never empty.
    pub starts: Vec<u16>,
    /// How long each run takes, minutes, 1 to 720.
    pub minutes: u16,
    /// The first and the last day, in the site's own calendar.
    pub from: Option<Date>,
    pub to: Option<Date>,
    /// First and last days of the times in which it is off.
    pub off: Vec<(Date, Date)>,
}

/// One run of a program.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct TimerRun {
    pub start: Timestamp,
    pub end: Timestamp,
    /// By the clock as it was before its last change.
    pub old_clock: bool,
}

impl Timetable {
    /// Whether it runs on a local day.
    pub fn runs_on(&self, date: Date) -> bool {
        self.planned_on(date) && !self.off.iter().any(|(from, to)| (*from..=*to).contains(&date))
    }

    /// The same, holidays or not.
    fn planned_on(&self, date: Date) -> bool {
        let within = self.from.is_none_or(|from| from <= date) && self.to.is_none_or(|to| date <= to);
        within
            && match &self.days {
                ProgramDays::Week(days) => {
                    days.get(usize::try_from(date.weekday().to_monday_zero_offset()).unwrap_or(7))
                        == Some(&true)
                }
                ProgramDays::Every { days, from } => {
                    date >= *from && days_from(*from, date) % i64::from(*days).max(1) == 0
                }
            }
    }

    /// How many minutes of the run at `start` lie within some hours, from its beginning,
    /// on whichever of its days fewest do; and that day, where they are not all.
    pub fn minutes_within(&self, start: u16, hours: AllowedHours<'_>) -> (u16, Option<Date>) {
        let mut least = (self.minutes, None);
        for date in self.days_to_look_at(hours) {
            let allowed = |minute: u16| {
                let minutes = i64::from(start) + i64::from(minute);
                let local = date.at(0, 0, 0, 0).checked_add(jiff::ToSpan::minutes(minutes));
                local.is_ok_and(|local| hours.contains(local))
            };
            if let Some(outside) = (0..least.0).find(|minute| !allowed(*minute)) {
                least = (outside, Some(date));
            }
        }
        least
    }

    /// Days on which it runs, so that each that some hours can tell apart has one like
    /// it: nine weeks from where it begins, and before and after each day on which a
    /// rule begins or ends. Where all days are alike, one.
    fn days_to_look_at(&self, hours: AllowedHours<'_>) -> Vec<Date> {
        if hours.same_every_day().is_some() {
            return vec![A_MONDAY];
        }
        let begins = match self.days {
            ProgramDays::Every { from, .. } => Some(self.from.map_or(from, |own| own.max(from))),
            ProgramDays::Week(_) => self.from,
        };
        let before = |edge: Date| edge.checked_sub(jiff::ToSpan::days(LOOKED_AT_D)).unwrap_or(edge);
        let edges = hours.edges().flat_map(|edge| [before(edge), edge]);
        let mut days: Vec<Date> = std::iter::once(begins.unwrap_or(A_MONDAY))
            .chain(edges)
            .flat_map(|first| {
                (0..LOOKED_AT_D).filter_map(move |day| first.checked_add(jiff::ToSpan::days(day)).ok())
            })
            .filter(|date| self.planned_on(*date))
            .collect();
        days.sort_unstable();
        days.dedup();
        days
    }

    /// Every start from `from` to `to`, both included, in order.
    pub fn starts_between(&self, zone: &TimeZone, from: Timestamp, to: Timestamp) -> Vec<Timestamp> {
        let mut found = Vec::new();
        let last = zone.to_datetime(to).date();
        // A start that the clock skips may fall on the day after its own.
        let mut day = zone.to_datetime(from).date().yesterday().ok();
        while let Some(date) = day.filter(|date| *date <= last) {
            if self.runs_on(date) {
                found.extend(
                    self.starts
                        .iter()
                        .filter_map(|minute| zone.to_timestamp(at_minute(date, *minute)?).ok())
                        .filter(|at| (from..=to).contains(at)),
                );
            }
            day = date.tomorrow().ok();
        }
        found.sort_unstable();
        found
    }

    /// The first start from `from` on, if there is one within so many days.
    pub fn next_start(&self, zone: &TimeZone, from: Timestamp, days: i64) -> Option<Timestamp> {
        let mut searched = 0;
        while searched < days {
            let (begin, end) =
                (add_seconds(from, searched * DAY_S), add_seconds(from, (searched + 1) * DAY_S));
            if let Some(start) = self.starts_between(zone, begin, end).first() {
                return Some(*start);
            }
            searched += 1;
        }
        None
    }

    /// The last run of which any moment lies between `from` and `to`, both included;
    /// for a fortnight after a change of the clock also one by the old clock.
    pub fn run_between(&self, zone: &TimeZone, from: Timestamp, to: Timestamp) -> Option<TimerRun> {
        let length_s = i64::from(self.minutes) * 60;
        let find = |shift_s: i64| {
            let starts =
                self.starts_between(zone, add_seconds(from, -length_s - shift_s), add_seconds(to, -shift_s));
            let start = add_seconds(*starts.last()?, shift_s);
            Some(TimerRun { start, end: add_seconds(start, length_s), old_clock: shift_s != 0 })
        };
        let offset_s = |at: Timestamp| i64::from(zone.to_offset(at).seconds());
        let gone_forward_s = offset_s(to) - offset_s(add_seconds(to, -CLOCK_SET_WITHIN_S));
        find(0).or_else(|| if gone_forward_s == 0 { None } else { find(gone_forward_s) })
    }

    /// The first day, counting from any Monday where neither has a beginning, on which
    /// this one and another run at one moment, with the starts of both; of itself,
    /// two of its own starts.
    pub fn overlap(&self, other: &Self) -> Option<(Date, u16, u16)> {
        let same = std::ptr::eq(self, other);
        let pairs: Vec<(i64, u16, u16)> = (-1..=1)
            .flat_map(|shift| self.starts.iter().map(move |one| (shift, *one)))
            .flat_map(|(shift, one)| other.starts.iter().map(move |two| (shift, one, *two)))
            .filter(|(shift, one, two)| !(same && *shift == 0 && one == two))
            .filter(|(shift, one, two)| {
                let (one, two) = (i64::from(*one), i64::from(*two) + shift * DAY_MIN);
                one < two + i64::from(other.minutes) && two < one + i64::from(self.minutes)
            })
            .collect();
        if pairs.is_empty() {
            return None;
        }
        let begins = |table: &Self| match table.days {
            ProgramDays::Every { from, .. } => Some(table.from.map_or(from, |own| own.max(from))),
            ProgramDays::Week(_) => table.from,
        };
        let mut day = begins(self).max(begins(other)).unwrap_or(A_MONDAY);
        let (one, two) = (self.period_d(), other.period_d());
        // The day before: a run may pass midnight into the other's first day.
        day = day.yesterday().unwrap_or(day);
        for _ in 0..=one * two + 2 {
            if self.planned_on(day) {
                for (shift, one, two) in &pairs {
                    let there = match shift {
                        -1 => day.yesterday(),
                        0 => Ok(day),
                        _ => day.tomorrow(),
                    };
                    if there.is_ok_and(|there| other.planned_on(there)) {
                        return Some((day, *one, *two));
                    }
                }
            }
            day = day.tomorrow().ok()?;
        }
        None
    }

    /// After so many days its days come again.
    fn period_d(&self) -> u32 {
        match self.days {
            ProgramDays::Week(_) => 7,
            ProgramDays::Every { days, .. } => u32::from(days),
        }
    }
}

/// Where programs that have no beginning are compared from.
const A_MONDAY: Date = jiff::civil::date(2024, 1, 1);

fn at_minute(date: Date, minute: u16) -> Option<DateTime> {
    let (hour, minute) = (i8::try_from(minute / 60).ok()?, i8::try_from(minute % 60).ok()?);
    (hour < 24).then(|| date.at(hour, minute, 0, 0))
}

fn days_from(from: Date, to: Date) -> i64 {
    to.since(from).map_or(0, |span| i64::from(span.get_days()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adelaide() -> TimeZone {
        TimeZone::get("Australia/Adelaide").expect("bundled")
    }

    fn at(local: &str) -> Timestamp {
        let local: DateTime = local.parse().expect("a date-time");
        adelaide().to_timestamp(local).expect("a time")
    }

    fn date(text: &str) -> Date {
        text.parse().expect("a date")
    }

    fn every_day(starts: &[u16], minutes: u16) -> Timetable {
        let days = ProgramDays::Week([true; 7]);
        Timetable { days, starts: starts.to_vec(), minutes, from: None, to: None, off: Vec::new() }
    }

    fn local(found: &[Timestamp]) -> Vec<String> {
        found.iter().map(|at| adelaide().to_datetime(*at).strftime("%d %H:%M").to_string()).collect()
    }

    #[test]
    fn starts_keep_to_days_dates_and_holidays() {
        // 30 March 2026 is a Monday.
        let week = ProgramDays::Week([true, false, true, false, false, false, false]);
        let table = Timetable {
            days: week,
            from: Some(date("2026-03-31")),
            to: Some(date("2026-04-20")),
            off: vec![(date("2026-04-08"), date("2026-04-12"))],
            ..every_day(&[360, 1140], 20)
        };
        let found = table.starts_between(&adelaide(), at("2026-03-28T00:00"), at("2026-05-01T00:00"));
        let days: Vec<_> = local(&found).iter().map(|it| it[..2].to_owned()).collect();
        assert_eq!(days, ["01", "01", "06", "06", "13", "13", "15", "15", "20", "20"]);
        let both = table.starts_between(&adelaide(), at("2026-04-01T06:00"), at("2026-04-01T19:00"));
        assert_eq!(both.len(), 2, "both ends are included");
        let days = ProgramDays::Every { days: 3, from: date("2026-04-02") };
        let table = Timetable { days, ..every_day(&[0], 20) };
        let found = table.starts_between(&adelaide(), at("2026-03-28T00:00"), at("2026-04-11T12:00"));
        assert_eq!(local(&found), ["02 00:00", "05 00:00", "08 00:00", "11 00:00"]);
    }

    /// Adelaide's clock goes back from 3 to 2 am on 5 April 2026 and forward from 2 to
    /// 3 am on 4 October.
    #[test]
    fn starts_follow_the_clock_across_its_change() {
        let table = every_day(&[150, 360], 20);
        let found = table.starts_between(&adelaide(), at("2026-04-04T00:00"), at("2026-04-06T00:00"));
        let hours: Vec<_> =
            found.windows(2).map(|it| it[1].duration_since(it[0]).as_secs_f64() / 3600.0).collect();
        assert_eq!(local(&found), ["04 02:30", "04 06:00", "05 02:30", "05 06:00"]);
        assert_eq!(hours, [3.5, 20.5, 4.5], "half past two comes twice, and the first counts");
        let found = table.starts_between(&adelaide(), at("2026-10-04T00:00"), at("2026-10-05T00:00"));
        assert_eq!(local(&found), ["04 03:30", "04 06:00"], "there is no half past two");
    }

    #[test]
    fn a_timer_that_nobody_has_set_runs_by_the_old_clock() {
        let run = |from: &str, to: &str| every_day(&[360], 20).run_between(&adelaide(), at(from), at(to));
        let found = run("2026-10-06T06:50", "2026-10-06T08:10").expect("by the old clock");
        assert_eq!((found.start, found.old_clock), (at("2026-10-06T07:00"), true));
        let found = run("2026-10-06T05:50", "2026-10-06T07:10").expect("by the new clock");
        assert_eq!((found.start, found.old_clock), (at("2026-10-06T06:00"), false));
        assert_eq!(run("2026-10-20T06:50", "2026-10-20T08:10"), None, "a fortnight is over");
        assert_eq!(run("2026-09-20T06:50", "2026-09-20T08:10"), None, "it has not changed yet");
        assert!(run("2026-04-06T04:50", "2026-04-06T05:10").is_some_and(|run| run.old_clock));
    }

    #[test]
    fn a_run_past_midnight_is_one_run() {
        let run = |from: &str, to: &str| every_day(&[1430], 30).run_between(&adelaide(), at(from), at(to));
        let start = Some(at("2026-06-01T23:50"));
        assert_eq!(run("2026-06-02T00:20", "2026-06-02T01:00").map(|run| run.start), start);
        assert_eq!(run("2026-06-02T00:21", "2026-06-02T01:00"), None);
        assert_eq!(run("2026-06-01T23:00", "2026-06-01T23:50").map(|run| run.start), start);
        assert_eq!(run("2026-06-01T23:00", "2026-06-01T23:49"), None);
    }

    #[test]
    fn programs_overlap_only_on_days_that_both_have() {
        let week = |days: [u8; 7]| ProgramDays::Week(days.map(|day| day == 1));
        let monday = Timetable { days: week([1, 0, 0, 0, 0, 0, 0]), ..every_day(&[360], 30) };
        let tuesday = Timetable { days: week([0, 1, 0, 0, 0, 0, 0]), ..every_day(&[370], 30) };
        assert_eq!(monday.overlap(&tuesday), None);
        assert_eq!(monday.overlap(&every_day(&[389], 5)).map(|it| (it.1, it.2)), Some((360, 389)));
        assert_eq!(monday.overlap(&every_day(&[390, 350], 10)), None, "one after the other");
        let late = Timetable { starts: vec![1430], ..monday.clone() };
        let early = Timetable { starts: vec![0], ..tuesday.clone() };
        assert_eq!(late.overlap(&early).map(|it| (it.1, it.2)), Some((1430, 0)), "past midnight");
        assert_eq!(early.overlap(&late).map(|it| (it.1, it.2)), Some((0, 1430)));
        let of = |days, from: &str| Timetable {
            days: ProgramDays::Every { days, from: date(from) },
            ..every_day(&[360], 30)
        };
        assert_eq!(of(2, "2026-04-01").overlap(&of(4, "2026-04-02")), None, "odd and even days");
        assert_eq!(
            of(2, "2026-04-01").overlap(&of(3, "2026-04-02")).map(|it| it.0),
            Some(date("2026-04-05"))
        );
        let ended = Timetable { to: Some(date("2026-04-04")), ..of(2, "2026-04-01") };
        assert_eq!(ended.overlap(&of(3, "2026-04-02")), None);
        let twice = every_day(&[360, 380], 30);
        assert_eq!(twice.overlap(&twice).map(|it| (it.1, it.2)), Some((360, 380)));
        let once = every_day(&[360], 30);
        assert_eq!(once.overlap(&once), None);
        assert!(once.overlap(&once.clone()).is_some(), "two programs that are alike");
    }
}

//! The time axis: ticks that people expect, on the site's own clock.

use jiff::civil::{Date, DateTime, Time, Weekday};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

/// Width in pixels of a letter of 12 px, as an upper mean over figures and letters.
const LETTER: f64 = 6.7;
/// Pixels that stay free between two labels.
const FREE: f64 = 7.0;
/// More ticks than this are never tried.
const TICKS_MAX: i64 = 60;
const HOUR: i64 = 3600;
const DAY: i64 = 24 * HOUR;

/// A label and its line.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Tick {
    pub(super) at: Timestamp,
    /// Where its line stands on the axis, from 0 to 1.
    pub(super) part: f64,
    /// Where its words stand: a day's name in the middle of the day.
    pub(super) words_at: f64,
    /// Empty: a line without words.
    pub(super) label: String,
}

/// Whether a label's text begins with the axis, ends with it, or has its middle where
/// it stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

impl Tick {
    /// Labels at the ends stay inside the chart.
    pub(super) fn anchor(&self, width: f64) -> Anchor {
        let half = width_of(&self.label) / 2.0;
        match self.words_at * width {
            x if x < half => Anchor::Start,
            x if x > width - half => Anchor::End,
            _ => Anchor::Middle,
        }
    }

    /// From where to where its label reaches, in pixels.
    fn reach(&self, width: f64) -> (f64, f64) {
        let (x, long) = (self.words_at * width, width_of(&self.label));
        match self.anchor(width) {
            Anchor::Start => (0.0, long),
            Anchor::Middle => (x - long / 2.0, x + long / 2.0),
            Anchor::End => (width - long, width),
        }
    }
}

/// About how wide a text of 12 px is, in pixels.
pub(super) fn width_of(text: &str) -> f64 {
    text.chars().count() as f64 * LETTER
}

#[derive(Clone, Copy, Debug)]
enum Every {
    Minutes(i64),
    Hours(i64),
    Days(i64),
    Monday,
    /// With the month's whole name, or its short one.
    Months(i64, bool),
    Years(i64),
}

const STEPS: [Every; 24] = [
    Every::Minutes(1),
    Every::Minutes(5),
    Every::Minutes(15),
    Every::Minutes(30),
    Every::Hours(1),
    Every::Hours(2),
    Every::Hours(3),
    Every::Hours(6),
    Every::Hours(12),
    Every::Days(1),
    Every::Days(2),
    Every::Monday,
    Every::Months(1, true),
    Every::Months(1, false),
    Every::Months(3, true),
    Every::Months(3, false),
    Every::Years(1),
    Every::Years(2),
    Every::Years(5),
    Every::Years(10),
    Every::Years(50),
    Every::Years(100),
    Every::Years(500),
    Every::Years(5000),
];

impl Every {
    fn seconds(self) -> i64 {
        match self {
            Self::Minutes(n) => n * 60,
            Self::Hours(n) => n * HOUR,
            Self::Days(n) => n * DAY,
            Self::Monday => 7 * DAY,
            Self::Months(n, _) => n * 30 * DAY,
            Self::Years(n) => n * 365 * DAY,
        }
    }

    /// The days on which it has ticks.
    fn falls_on(self, date: Date) -> bool {
        match self {
            Self::Minutes(_) | Self::Hours(_) => true,
            // Counted from a Monday.
            Self::Days(n) => days_since_monday(date).rem_euclid(n) == 0,
            Self::Monday => date.weekday() == Weekday::Monday,
            Self::Months(n, _) => date.day() == 1 && i64::from(date.month() - 1) % n == 0,
            Self::Years(n) => date.day_of_year() == 1 && i64::from(date.year()) % n == 0,
        }
    }

    /// The day to look at after one.
    fn next(self, date: Date) -> Option<Date> {
        match self {
            Self::Months(..) => date.first_of_month().checked_add(1.month()).ok(),
            Self::Years(_) => date.first_of_year().checked_add(1.year()).ok(),
            _ => date.tomorrow().ok(),
        }
    }

    /// Whether its words name the whole of what follows the line.
    fn names_what_follows(self) -> bool {
        matches!(self, Self::Days(_) | Self::Months(1, _))
    }

    fn label(self, at: DateTime, long: bool) -> String {
        let midnight = at.time() == Time::midnight();
        let format = match self {
            Self::Minutes(_) | Self::Hours(_) if midnight => "%a %-d",
            Self::Hours(_) if at.time() == Time::constant(12, 0, 0, 0) => return "noon".to_owned(),
            Self::Hours(_) => "%-I %P",
            Self::Minutes(_) => "%-I:%M %P",
            Self::Days(_) if !long => "%a %-d",
            Self::Days(_) | Self::Monday => "%-d %b",
            Self::Months(_, _) if at.month() == 1 => "%b %Y",
            Self::Months(_, true) => "%B",
            Self::Months(_, false) => "%b",
            Self::Years(_) => "%Y",
        };
        at.strftime(format).to_string()
    }
}

fn days_since_monday(date: Date) -> i64 {
    // 5 January 1970 was a Monday.
    let monday = Date::constant(1970, 1, 5);
    date.since(monday).map_or(0, |span| i64::from(span.get_days()))
}

/// A time axis of the site.
#[derive(Clone, Copy, Debug)]
pub(super) struct TimeAxis<'a> {
    pub(super) from: Timestamp,
    pub(super) to: Timestamp,
    pub(super) zone: &'a TimeZone,
}

impl TimeAxis<'_> {
    /// Seconds shown, at least one.
    fn seconds(&self) -> i64 {
        (self.to.as_second() - self.from.as_second()).max(1)
    }

    /// Where a moment stands on the axis; from 0 to 1 for what is on it.
    fn part(&self, at: Timestamp) -> f64 {
        (at.as_second() - self.from.as_second()) as f64 / self.seconds() as f64
    }

    fn holds(&self, at: Timestamp) -> bool {
        self.from <= at && at <= self.to
    }

    fn local(&self, at: Timestamp) -> DateTime {
        self.zone.to_datetime(at)
    }

    /// A day's first moment, also where the clock jumps over midnight.
    fn start(&self, date: Date) -> Option<Timestamp> {
        self.zone.to_timestamp(date.at(0, 0, 0, 0)).ok()
    }

    fn every(&self, every: Every) -> Option<Vec<Tick>> {
        if self.seconds() / every.seconds() > TICKS_MAX {
            return None;
        }
        let long = self.seconds() > 12 * DAY;
        let mut ticks = Vec::new();
        let mut next = Some(self.local(self.from).date());
        while let Some(date) = next {
            let Some(start) = self.start(date) else { break };
            if start > self.to {
                break;
            }
            if every.falls_on(date) {
                self.of_day(every, date, start, &mut |at, local| {
                    if self.holds(at) {
                        let part = self.part(at);
                        ticks.push(Tick { at, part, words_at: part, label: every.label(local, long) });
                    }
                });
            }
            next = every.next(date);
        }
        if every.names_what_follows() {
            let step = if let Every::Days(n) = every { n } else { 1 };
            Self::name_what_follows(&mut ticks, step as f64);
        }
        Some(ticks)
    }

    /// Words go into the middle of what they name. The last may be cut off by the
    /// axis' end; with less than half of its length left it has none. Of `step` days
    /// between two ticks it is the first that is named.
    fn name_what_follows(ticks: &mut [Tick], step: f64) {
        let parts: Vec<f64> = ticks.iter().map(|tick| tick.part).collect();
        let most = parts.windows(2).map(|pair| pair[1] - pair[0]).fold(0.0, f64::max) / step;
        for (number, tick) in ticks.iter_mut().enumerate() {
            let mut end = parts.get(number + 1).copied().unwrap_or(1.0);
            if step > 1.0 {
                end = end.min(tick.part + most);
            }
            tick.words_at = f64::midpoint(tick.part, end);
            if end - tick.part <= most / 2.0 {
                tick.label.clear();
            }
        }
    }

    /// The moments of a day. An hour that the clock leaves out has none; of one that
    /// it shows twice, the first counts.
    fn of_day(&self, every: Every, date: Date, start: Timestamp, take: &mut dyn FnMut(Timestamp, DateTime)) {
        take(start, date.at(0, 0, 0, 0));
        if let Every::Minutes(_) | Every::Hours(_) = every {
            let step = every.seconds() / 60;
            for minute in (1..).map(|n| n * step).take_while(|minute| *minute < DAY / 60) {
                let local = date.at((minute / 60) as i8, (minute % 60) as i8, 0, 0);
                let Ok(at) = self.zone.to_timestamp(local) else { continue };
                if self.local(at) == local {
                    take(at, local);
                }
            }
        }
    }

    /// The finest ticks whose labels do not touch on so many pixels.
    pub(super) fn ticks(&self, width: f64) -> Vec<Tick> {
        let mut last = Vec::new();
        for every in STEPS {
            let Some(mut ticks) = self.every(every).filter(|ticks| !ticks.is_empty()) else { continue };
            // The label at the axis' very end is the one that can be missed.
            if let [.., before, end] = ticks.as_mut_slice()
                && end.anchor(width) == Anchor::End
                && before.reach(width).1 + FREE > end.reach(width).0
            {
                end.label.clear();
            }
            let labelled = ticks.iter().filter(|tick| !tick.label.is_empty()).count();
            if !apart(&ticks, width) {
                last = ticks;
            } else if labelled > 1 || last.is_empty() {
                return ticks;
            } else {
                // One word tells little: rather some of the finer ones.
                break;
            }
        }
        let mut free = f64::NEG_INFINITY;
        last.retain(|tick| {
            let (from, to) = tick.reach(width);
            let fits = from >= free && !tick.label.is_empty();
            if fits {
                free = to + FREE;
            }
            fits
        });
        last
    }

    /// The first moment of each day on the axis, for an axis of at most sixteen days.
    pub(super) fn midnights(&self) -> Vec<Timestamp> {
        if self.seconds() > 16 * DAY {
            return Vec::new();
        }
        self.every(Every::Days(1)).unwrap_or_default().into_iter().map(|tick| tick.at).collect()
    }

    /// Days on which the clock is changed, and how many hours each has; at most four.
    pub(super) fn clock_changes(&self) -> Vec<(Date, f64)> {
        let mut changes = Vec::new();
        for change in self.zone.following(self.from).take_while(|change| change.timestamp() < self.to).take(8)
        {
            let date = self.local(change.timestamp()).date();
            let tomorrow = date.tomorrow().ok().and_then(|date| self.start(date));
            let (Some(from), Some(to)) = (self.start(date), tomorrow) else { continue };
            let seconds = to.as_second() - from.as_second();
            if seconds != DAY && changes.len() < 4 {
                changes.push((date, seconds as f64 / HOUR as f64));
            }
        }
        changes
    }
}

fn apart(ticks: &[Tick], width: f64) -> bool {
    let mut free = f64::NEG_INFINITY;
    ticks.iter().filter(|tick| !tick.label.is_empty()).all(|tick| {
        let (from, to) = tick.reach(width);
        let fits = from >= free;
        free = to + FREE;
        fits
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn zone(name: &str) -> TimeZone {
        TimeZone::get(name).expect("the zone is in the database")
    }

    fn labels(from: &str, to: &str, width: f64) -> Vec<String> {
        let zone = zone("Australia/Sydney");
        let hours = TimeAxis { from: from.parse().unwrap(), to: to.parse().unwrap(), zone: &zone };
        hours.ticks(width).into_iter().map(|tick| tick.label).collect()
    }

    #[test]
    fn ticks_are_those_that_people_expect() {
        for (from, to, width, expected) in [
            (
                "2026-05-03T14:00:00Z",
                "2026-05-04T14:00:00Z",
                270.0,
                vec!["Mon 4", "6 am", "noon", "6 pm", "Tue 5"],
            ),
            (
                "2026-05-03T22:00:00Z",
                "2026-05-04T00:00:00Z",
                600.0,
                vec!["8:00 am", "8:30 am", "9:00 am", "9:30 am", "10:00 am"],
            ),
            (
                "2026-05-03T14:00:00Z",
                "2026-05-10T14:00:00Z",
                600.0,
                vec!["Mon 4", "Tue 5", "Wed 6", "Thu 7", "Fri 8", "Sat 9", "Sun 10", ""],
            ),
            (
                "2026-04-30T14:00:00Z",
                "2026-05-31T14:00:00Z",
                270.0,
                vec!["4 May", "11 May", "18 May", "25 May", "1 Jun"],
            ),
        ] {
            assert_eq!(labels(from, to, width), expected, "{from} to {to}");
        }
        // A month that ends with a Monday's first moment.
        assert_eq!(
            labels("2026-03-26T13:00:00Z", "2026-04-26T14:00:00Z", 280.0),
            ["30 Mar", "6 Apr", "13 Apr", "20 Apr", ""]
        );
        let year = labels("2025-06-30T14:00:00Z", "2026-06-30T14:00:00Z", 600.0);
        assert_eq!(year.len(), 13, "{year:?}");
        assert_eq!((year[0].as_str(), year[6].as_str()), ("Jul", "Jan 2026"));
    }

    /// From the IANA database (file `australasia`, rules AN): Sydney's clocks go back
    /// on the first Sunday of April at 2 am standard time, so that 5 April 2026 has 25
    /// hours, and forward on the first Sunday of October, so that 4 October 2026 has 23.
    #[test]
    fn days_of_23_and_25_hours_have_their_ticks_at_the_true_moments() {
        let zone = zone("Australia/Sydney");
        for (from, to, hours, noon) in [
            ("2026-04-04T13:00:00Z", "2026-04-05T14:00:00Z", 25.0, "2026-04-05T02:00:00Z"),
            ("2026-10-03T14:00:00Z", "2026-10-04T13:00:00Z", 23.0, "2026-10-04T01:00:00Z"),
        ] {
            let axis = TimeAxis { from: from.parse().unwrap(), to: to.parse().unwrap(), zone: &zone };
            let ticks = axis.ticks(270.0);
            let found = ticks.iter().find(|tick| tick.label == "noon").expect("a tick at noon");
            assert_eq!(found.at, noon.parse::<Timestamp>().unwrap());
            assert_eq!(axis.midnights(), vec![axis.from, axis.to]);
            let changes = axis.clock_changes();
            assert_eq!(changes.len(), 1);
            assert!((changes[0].1 - hours).abs() < 1e-9, "{changes:?}");
            // Every hour but the one left out, and none twice.
            let all = axis.every(Every::Hours(1)).unwrap();
            assert_eq!(all.len(), if hours > 24.0 { 25 } else { 24 });
            assert!(all.windows(2).all(|pair| pair[0].at < pair[1].at));
        }
    }

    proptest! {
        #[test]
        fn ticks_lie_inside_and_apart(
            from in -2_000_000_000i64..4_000_000_000,
            seconds in 0i64..2_000_000_000,
            width in 150.0..1200.0,
            zone_name in prop::sample::select(vec![
                "Australia/Sydney", "Australia/Lord_Howe", "America/Sao_Paulo", "Pacific/Apia", "UTC", "Asia/Kathmandu",
            ]),
        ) {
            let zone = zone(zone_name);
            let from = Timestamp::from_second(from).unwrap();
            let to = Timestamp::from_second(from.as_second() + seconds).unwrap();
            let axis = TimeAxis { from, to, zone: &zone };
            let ticks = axis.ticks(width);
            for tick in &ticks {
                prop_assert!((0.0..=1.0).contains(&tick.part), "{tick:?}");
            }
            let labelled: Vec<_> = ticks.iter().filter(|tick| !tick.label.is_empty()).collect();
            for pair in labelled.windows(2) {
                prop_assert!(pair[0].reach(width).1 <= pair[1].reach(width).0, "{pair:?}");
            }
            for tick in labelled {
                let (from, to) = tick.reach(width);
                prop_assert!(from >= -0.1 && to <= width + 0.1, "{tick:?}");
            }
        }
    }
}

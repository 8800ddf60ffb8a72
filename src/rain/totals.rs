//! Totals of rain days, kept for about 13 months.
//!
//! What is missing from a record stays missing: a day with a gap in it has no
//! total, and never counts as dry. Where the gauge goes on counting while nobody
//! reads it, the next reading holds the rain of the whole pause; across 9 am that
//! is an accumulated total of several days, which says nothing about any one of
//! them and stays out of daily records (Bureau of Meteorology practice, read).

use std::collections::VecDeque;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::day::{rain_day, rain_day_bounds};
use super::rate::{Intensity, RainRate};

/// Rain days that are kept: the last twelve months whole, and the one that runs.
pub const DAYS_MAX: usize = 400;

/// How a reading of the gauge follows on the one before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Follows {
    /// Without a pause that is longer than the gauge is allowed.
    At,
    /// After a pause, and it holds the rain of the pause: the gauge kept counting.
    Catching,
    /// After a pause whose rain is not known whole, or as the very first.
    Broken,
}

/// What is known of a rain day's rain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Total {
    /// The day's rain, mm.
    Whole(f64),
    /// Read after a pause: the rain of this day and of the days before it that
    /// have [`Total::InLater`], `days` of them together, mm.
    Accumulated { mm: f64, days: u16 },
    /// The record has a gap: this much fell in what was heard (mm), in this day
    /// or in this and the days before it that have [`Total::InLater`].
    AtLeast { mm: f64, days: u16 },
    /// Its rain is in the total of a later day.
    InLater,
}

/// A rain day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Day {
    pub date: Date,
    pub total: Total,
    /// Whether it has not ended yet: its total is what has fallen so far.
    pub runs: bool,
    /// Largest mean intensity over half an hour that ended in the day; `None`
    /// where half an hour was never heard without a break.
    pub peak: Option<Intensity>,
}

/// A day as it is kept: 20 bytes.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Kept {
    date: Date,
    mm: f32,
    /// NaN: not known.
    peak_mm_h: f32,
    /// At most 65,535.
    peak_s: u16,
    /// Whether nothing of it is missing.
    whole: bool,
    /// Days that the rain is of; 0: it is in a later day's.
    days: u16,
}

/// The day that runs.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Running {
    kept: Kept,
    mm: f64,
    ends: Timestamp,
}

/// The rain days of one gauge.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct RainDays {
    /// Finished days, in order and without a hole between them.
    finished: VecDeque<Kept>,
    running: Option<Running>,
    last_at: Option<Timestamp>,
    /// End of the last interval, counted or not.
    interval_at: Option<Timestamp>,
    rate: RainRate,
}

impl RainDays {
    /// Adds what fell since the reading before (mm, 0 for a dry interval), in
    /// order of time; what is not later than the last is left out. Rain of an
    /// interval across 9 am goes to the day in which it was read.
    pub fn push(&mut self, at: Timestamp, mm: f64, follows: Follows, zone: &TimeZone) {
        if self.last_at.is_some_and(|last| at <= last) {
            return;
        }
        let follows = if self.last_at.is_none() { Follows::Broken } else { follows };
        let counted = self.open(at, follows, mm, zone);
        if follows != Follows::At {
            self.rate.break_off();
        }
        let from = if follows == Follows::Broken { None } else { self.interval_at };
        let rate = from.and_then(|from| self.rate.push(from, at, mm));
        (self.last_at, self.interval_at) = (Some(at), Some(at));
        let Some(day) = self.running.as_mut().filter(|_| counted) else { return };
        day.mm += mm;
        if let Some(Intensity { mm_h, over_s }) = rate
            && (day.kept.peak_mm_h.is_nan() || f64::from(day.kept.peak_mm_h) < mm_h)
        {
            day.kept.peak_mm_h = mm_h as f32;
            day.kept.peak_s = u16::try_from(over_s).unwrap_or(u16::MAX);
        }
    }

    /// A reading at `at` could not be counted: the day has no total.
    pub fn miss(&mut self, at: Timestamp, zone: &TimeZone) {
        if self.last_at.is_some_and(|last| at <= last) {
            return;
        }
        self.rate.break_off();
        self.open(at, Follows::Broken, 0.0, zone);
        self.interval_at = self.interval_at.max(Some(at));
    }

    /// What the gauge says now is not to be believed: the day has no total.
    pub fn doubt(&mut self) {
        if let Some(day) = &mut self.running {
            day.kept.whole = false;
        }
    }

    /// Makes the day of `at` the running one. Returns whether what was read at `at`
    /// is of days that are kept.
    fn open(&mut self, at: Timestamp, follows: Follows, mm: f64, zone: &TimeZone) -> bool {
        let broken = follows == Follows::Broken;
        if let Some(day) = self.running.as_mut().filter(|day| at <= day.ends) {
            day.kept.whole &= !broken;
            return true;
        }
        let date = rain_day(at, zone);
        let mut day = Kept { date, mm: 0.0, peak_mm_h: f32::NAN, peak_s: 0, whole: !broken, days: 1 };
        let (mut carried_mm, mut counted) = (0.0, true);
        if let Some(before) = self.running.take() {
            // What is read after a pause may have fallen in any day of the pause.
            let joins = follows == Follows::Catching || (broken && mm > 0.0);
            let ended = self.last_at == Some(before.ends);
            let mut kept = Kept { mm: before.mm as f32, ..before.kept };
            kept.whole &= ended || !broken;
            if joins && !ended {
                carried_mm = before.mm;
                day.days += kept.days;
                day.whole &= kept.whole;
                kept.days = 0;
            }
            let mut next = kept.date.tomorrow().ok();
            self.keep(kept);
            while let Some(missed) = next.filter(|next| *next < date) {
                if usize::from(day.days) >= DAYS_MAX {
                    // So long a pause leaves nothing behind that is kept.
                    self.finished.clear();
                    day = Kept { days: 1, whole: false, ..day };
                    (carried_mm, counted) = (0.0, false);
                    break;
                }
                day.days += u16::from(joins);
                self.keep(Kept {
                    date: missed,
                    mm: 0.0,
                    peak_mm_h: f32::NAN,
                    peak_s: 0,
                    whole: false,
                    days: u16::from(!joins),
                });
                next = missed.tomorrow().ok();
            }
        }
        self.running = Some(Running { kept: day, mm: carried_mm, ends: rain_day_bounds(date, zone).1 });
        counted
    }

    fn keep(&mut self, day: Kept) {
        if self.finished.len() + 1 >= DAYS_MAX {
            self.finished.pop_front();
        }
        self.finished.push_back(day);
    }

    /// The days, newest first, the one that runs at its head.
    pub fn newest_first(&self) -> impl Iterator<Item = Day> {
        let running = self.running.map(|day| Kept { mm: day.mm as f32, ..day.kept });
        let running = running.map(|day| Day { runs: true, ..day.day() });
        running.into_iter().chain(self.finished.iter().rev().copied().map(Kept::day))
    }

    /// A day by its date.
    pub fn day(&self, date: Date) -> Option<Day> {
        self.newest_first().take_while(|day| day.date >= date).find(|day| day.date == date)
    }

    /// The record as it stands at `now`: a day that has ended since the last
    /// reading is finished, and has a gap if the gauge has been silent for more
    /// than `patience_s`.
    #[must_use]
    pub fn as_of(&self, now: Timestamp, patience_s: i64) -> Self {
        let mut days = self.clone();
        let Some(last) = self.last_at else { return days };
        let silent = now.as_second() - last.as_second() > patience_s;
        if let Some(day) = &mut days.running {
            day.kept.whole &= !silent || last == day.ends;
            if day.ends < now {
                let kept = Kept { mm: day.mm as f32, ..day.kept };
                days.running = None;
                days.keep(kept);
            }
        }
        days
    }

    /// Time of the last reading that was counted.
    pub fn last_at(&self) -> Option<Timestamp> {
        self.last_at
    }
}

impl Kept {
    fn day(self) -> Day {
        // To the micrometre: what 32 bits keep of a day's rain, finer than any gauge.
        let mm = (f64::from(self.mm) * 1000.0).round() / 1000.0;
        let total = match (self.days, self.whole) {
            (0, _) => Total::InLater,
            (1, true) => Total::Whole(mm),
            (days, true) => Total::Accumulated { mm, days },
            (days, false) => Total::AtLeast { mm, days },
        };
        let peak = (!self.peak_mm_h.is_nan())
            .then(|| Intensity { mm_h: self.peak_mm_h.into(), over_s: self.peak_s.into() });
        Day { date: self.date, total, runs: false, peak }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use jiff::civil::date;

    use super::*;

    pub(in crate::rain) fn adelaide() -> TimeZone {
        TimeZone::get("Australia/Adelaide").unwrap()
    }

    /// A moment of the garden's clock in April 2026, after the clock change.
    pub(in crate::rain) fn t(text: &str) -> Timestamp {
        format!("2026-04-{text}:00+09:30").parse().unwrap()
    }

    /// Dry hours from after `from` up to `to`, both of them full hours.
    pub(in crate::rain) fn dry(days: &mut RainDays, from: &str, to: &str) {
        let (mut at, to) = (t(from), t(to));
        while at < to {
            at = Timestamp::from_second(at.as_second() + 3600).unwrap();
            days.push(at, 0.0, Follows::At, &adelaide());
        }
    }

    fn total(days: &RainDays, day: i8) -> Total {
        days.day(date(2026, 4, day)).unwrap_or_else(|| panic!("no day {day}")).total
    }

    fn started() -> RainDays {
        let mut days = RainDays::default();
        days.push(t("10T09:00"), 0.0, Follows::Broken, &adelaide());
        dry(&mut days, "10T09:00", "12T09:00");
        days
    }

    #[test]
    fn a_day_takes_what_was_read_up_to_its_9_am() {
        let mut days = started();
        days.push(t("12T09:30"), 2.0, Follows::At, &adelaide());
        days.push(t("13T09:00"), 3.5, Follows::At, &adelaide());
        days.push(t("13T09:15"), 7.0, Follows::At, &adelaide());
        assert_eq!(
            total(&days, 10),
            Total::AtLeast { mm: 0.0, days: 1 },
            "nothing is known before the first"
        );
        assert_eq!(total(&days, 12), Total::Whole(0.0));
        assert_eq!(total(&days, 13), Total::Whole(5.5));
        assert_eq!(total(&days, 14), Total::Whole(7.0));
        assert_eq!(days.day(date(2026, 4, 15)), None);
    }

    #[test]
    fn a_missed_reading_accumulates() {
        let mut days = started();
        days.push(t("12T20:00"), 4.0, Follows::At, &adelaide());
        // Nobody reads until two days later; the gauge has counted on.
        days.push(t("14T22:00"), 11.0, Follows::Catching, &adelaide());
        dry(&mut days, "14T22:00", "16T12:00");
        assert_eq!(total(&days, 13), Total::InLater);
        assert_eq!(total(&days, 14), Total::InLater);
        assert_eq!(total(&days, 15), Total::Accumulated { mm: 15.0, days: 3 });
        assert_eq!(total(&days, 16), Total::Whole(0.0));
    }

    #[test]
    fn a_pause_within_a_day_leaves_its_total_whole_if_the_gauge_counted_on() {
        for (follows, expected) in
            [(Follows::Catching, Total::Whole(5.0)), (Follows::Broken, Total::AtLeast { mm: 5.0, days: 1 })]
        {
            let mut days = started();
            dry(&mut days, "12T09:00", "12T11:00");
            days.push(t("12T20:00"), 5.0, follows, &adelaide());
            assert_eq!(total(&days, 13), expected);
        }
    }

    #[test]
    fn a_pause_from_9_am_to_9_am_takes_nothing_from_the_day_before() {
        let mut days = started();
        days.push(t("13T09:00"), 6.0, Follows::At, &adelaide());
        days.push(t("15T09:00"), 8.0, Follows::Catching, &adelaide());
        assert_eq!(total(&days, 13), Total::Whole(6.0));
        assert_eq!(total(&days, 14), Total::InLater);
        assert_eq!(total(&days, 15), Total::Accumulated { mm: 8.0, days: 2 });
    }

    #[test]
    fn a_gap_is_never_a_dry_day() {
        let mut days = started();
        dry(&mut days, "12T09:00", "12T12:00");
        days.push(t("14T12:00"), 0.0, Follows::Broken, &adelaide());
        dry(&mut days, "14T12:00", "16T09:00");
        for day in [13, 14, 15] {
            assert_eq!(total(&days, day), Total::AtLeast { mm: 0.0, days: 1 }, "{day}");
        }
        assert_eq!(total(&days, 16), Total::Whole(0.0));
        // Rain that is read after it may be of any of its days.
        let mut days = started();
        days.push(t("12T12:00"), 1.0, Follows::At, &adelaide());
        days.push(t("14T12:00"), 2.0, Follows::Broken, &adelaide());
        assert_eq!(total(&days, 13), Total::InLater);
        assert_eq!(total(&days, 15), Total::AtLeast { mm: 3.0, days: 3 });
    }

    #[test]
    fn a_reading_that_could_not_be_counted_leaves_no_total() {
        let mut days = started();
        days.push(t("12T10:00"), 1.0, Follows::At, &adelaide());
        days.miss(t("12T11:00"), &adelaide());
        days.push(t("12T12:00"), 1.0, Follows::At, &adelaide());
        assert_eq!(total(&days, 13), Total::AtLeast { mm: 2.0, days: 1 });
        // One of long ago changes nothing.
        let before = total(&days, 12);
        days.miss(t("12T08:00"), &adelaide());
        assert_eq!((total(&days, 12), total(&days, 13)), (before, Total::AtLeast { mm: 2.0, days: 1 }));
    }

    #[test]
    fn the_largest_intensity_is_that_of_half_an_hour() {
        let mut days = started();
        for (at, mm) in [("12T14:00", 0.0), ("12T14:15", 4.0), ("12T14:30", 2.0), ("12T14:45", 0.2)] {
            days.push(t(at), mm, Follows::At, &adelaide());
        }
        assert_eq!(days.day(date(2026, 4, 13)).unwrap().peak, Some(Intensity { mm_h: 12.0, over_s: 1800 }));
        let dry = days.day(date(2026, 4, 12)).unwrap().peak;
        assert_eq!(dry, Some(Intensity { mm_h: 0.0, over_s: 3600 }));
    }

    #[test]
    fn a_day_ends_by_the_clock_and_a_silent_gauge_leaves_it_open() {
        let zone = adelaide();
        let mut days = started();
        days.push(t("12T09:30"), 2.0, Follows::At, &zone);
        dry(&mut days, "12T09:30", "13T08:30");
        let runs = |days: &RainDays| days.day(date(2026, 4, 13)).map(|day| (day.total, day.runs));
        assert_eq!(runs(&days), Some((Total::Whole(2.0), true)));
        let soon = days.as_of(t("13T09:20"), 3600);
        assert_eq!(runs(&soon), Some((Total::Whole(2.0), false)));
        let long = days.as_of(t("13T11:00"), 3600);
        assert_eq!(runs(&long), Some((Total::AtLeast { mm: 2.0, days: 1 }, false)));
        assert_eq!(RainDays::default().as_of(t("13T11:00"), 3600).newest_first().count(), 0);
    }

    #[test]
    fn years_and_long_pauses_stay_bounded() {
        let zone = adelaide();
        let mut days = RainDays::default();
        let start = t("01T12:00").as_second();
        let at = |day: i64| Timestamp::from_second(start + day * 86_400).unwrap();
        for day in 0..1000 {
            days.push(at(day), 1.0, Follows::At, &zone);
        }
        assert_eq!(days.newest_first().count(), DAYS_MAX);
        assert!(days.newest_first().all(|day| day.total == Total::Whole(1.0)));
        days.push(at(5000), 400.0, Follows::Catching, &zone);
        assert!(days.newest_first().count() <= DAYS_MAX);
        let newest = days.newest_first().next().unwrap();
        assert_eq!(newest.total, Total::AtLeast { mm: 0.0, days: 1 }, "most of it fell long ago");
        days.push(at(9000), 0.0, Follows::Broken, &zone);
        assert!(days.newest_first().count() <= DAYS_MAX);
    }
}

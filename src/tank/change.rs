//! How far a tank's temperature rose and fell within windows of time.

use std::collections::VecDeque;

use jiff::Timestamp;

use crate::why::{Check, Equation};

/// One hour, in seconds.
pub const HOUR_S: i64 = 3600;
/// One day, in seconds.
pub const DAY_S: i64 = 86_400;
/// Of one minute the lowest and the highest reading are kept: a probe that
/// speaks every second keeps a whole day too.
const MINUTE_S: i64 = 60;
const KEPT_MAX: usize = 2 * (DAY_S / MINUTE_S) as usize + 4;

/// A change within a window.
pub const CHANGE: Equation = Equation {
    gives: "largest change within a window of time",
    form: "the largest rise, and the largest fall, from any reading of the window to a later one",
    source: "definition; the limits name their own sources",
    check: Check::Arithmetic,
};

/// A window of time that ends with the newest reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Window {
    QuarterHour,
    HalfHour,
    Hour,
    SixHours,
    Day,
}

/// Every window, shortest first.
pub const WINDOWS: [Window; 5] =
    [Window::QuarterHour, Window::HalfHour, Window::Hour, Window::SixHours, Window::Day];

impl Window {
    /// Its length.
    pub const fn seconds(self) -> i64 {
        match self {
            Self::QuarterHour => 900,
            Self::HalfHour => 1800,
            Self::Hour => HOUR_S,
            Self::SixHours => 6 * HOUR_S,
            Self::Day => DAY_S,
        }
    }

    /// "an hour".
    pub const fn words(self) -> &'static str {
        match self {
            Self::QuarterHour => "a quarter of an hour",
            Self::HalfHour => "half an hour",
            Self::Hour => "an hour",
            Self::SixHours => "six hours",
            Self::Day => "a day",
        }
    }
}

/// One change.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct TemperatureChange {
    /// °C; negative where the water cooled.
    pub by_c: f64,
    /// The two readings, in order of time.
    pub from_c: f64,
    pub to_c: f64,
    pub from_at: Timestamp,
    pub to_at: Timestamp,
    /// The readings are farther apart than the window: `by_c` is the mean over
    /// that time, and the window's own change was at least that.
    pub mean: bool,
}

/// The largest changes of a window; not below 0 and not above 0 each.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moves {
    pub rise: TemperatureChange,
    pub fall: TemperatureChange,
}

impl Moves {
    /// The larger of both.
    pub fn larger(&self) -> TemperatureChange {
        if self.rise.by_c > -self.fall.by_c { self.rise } else { self.fall }
    }
}

/// The last day's temperatures of one probe.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct TemperatureRecord {
    kept: VecDeque<(Timestamp, f64)>,
    newest: Option<(Timestamp, f64)>,
}

impl TemperatureRecord {
    /// Adds a reading that is later than all before it.
    pub fn push(&mut self, at: Timestamp, value_c: f64) {
        // The newest stay whatever their age: a slow probe has no others.
        while self.kept.len() > 2
            && let Some(&(first, _)) = self.kept.front()
            && (at.as_second() - first.as_second() > DAY_S || self.kept.len() >= KEPT_MAX)
        {
            self.kept.pop_front();
        }
        self.newest = Some((at, value_c));
        let minute = |at: Timestamp| at.as_second().div_euclid(MINUTE_S);
        let of_minute = self.kept.iter().rev().take_while(|(t, _)| minute(*t) == minute(at)).count();
        if of_minute >= 2 {
            let (a, b) = (self.kept.len() - 2, self.kept.len() - 1);
            let (low, high) = if self.kept[a].1 <= self.kept[b].1 { (a, b) } else { (b, a) };
            if value_c < self.kept[low].1 {
                self.kept.remove(low);
            } else if value_c > self.kept[high].1 {
                self.kept.remove(high);
            } else {
                return;
            }
        }
        self.kept.push_back((at, value_c));
    }

    /// Takes back the reading of that time: its neighbour has shown it to be false.
    pub fn take_back(&mut self, at: Timestamp) {
        if let Some(i) = self.kept.iter().rposition(|&(t, _)| t == at) {
            self.kept.remove(i);
        }
        if self.newest.is_some_and(|(t, _)| t == at) {
            self.newest = self.kept.back().copied();
        }
    }

    /// Forgets the readings before a time: another instrument made them.
    pub fn forget_before(&mut self, at: Timestamp) {
        self.kept.retain(|(t, _)| *t >= at);
    }

    /// The newest reading.
    pub fn newest(&self) -> Option<(Timestamp, f64)> {
        self.newest
    }

    /// The readings of the last `seconds`, counted back from the newest, oldest
    /// first, without those of the stretches that `aside` names (from and to,
    /// the end not included).
    pub fn recent(&self, seconds: i64, aside: &[(Timestamp, Timestamp)]) -> Vec<(Timestamp, f64)> {
        let Some((newest, _)) = self.newest else { return Vec::new() };
        let mut points: Vec<_> = self
            .backwards(aside)
            .take_while(|(at, _)| newest.as_second() - at.as_second() <= seconds)
            .collect();
        points.reverse();
        points
    }

    /// Newest first.
    fn backwards<'a>(
        &'a self,
        aside: &'a [(Timestamp, Timestamp)],
    ) -> impl Iterator<Item = (Timestamp, f64)> + 'a {
        // The newest is not kept where the minute's lowest and highest enclose it.
        let last = self.newest.filter(|newest| self.kept.back().is_none_or(|k| k.0 != newest.0));
        last.into_iter()
            .chain(self.kept.iter().rev().copied())
            .filter(|(at, _)| !aside.iter().any(|(from, to)| from <= at && at < to))
    }

    /// Largest rise and fall of each window, in the order of [`WINDOWS`]. `None`
    /// with fewer than two readings. Where a window holds only the newest
    /// reading, its share of the latest steps between readings.
    pub fn moves(&self, aside: &[(Timestamp, Timestamp)]) -> [Option<Moves>; WINDOWS.len()] {
        let mut out = [None; WINDOWS.len()];
        let latest: Vec<_> = self.backwards(aside).take(3).collect();
        let mut readings = self.backwards(aside);
        let Some(newest) = readings.next() else { return out };
        let still = change(newest, newest);
        let mut so_far = Moves { rise: still, fall: still };
        let (mut low_later, mut high_later) = (newest, newest);
        let mut two = false;
        let mut at = 0;
        for point in readings {
            let age_s = newest.0.as_second() - point.0.as_second();
            while at < WINDOWS.len() && age_s > WINDOWS[at].seconds() {
                out[at] = if two { Some(so_far) } else { shares(&latest, WINDOWS[at]) };
                at += 1;
            }
            if at == WINDOWS.len() {
                break;
            }
            let (rise, fall) = (change(point, high_later), change(point, low_later));
            if rise.by_c > so_far.rise.by_c {
                so_far.rise = rise;
            }
            if fall.by_c < so_far.fall.by_c {
                so_far.fall = fall;
            }
            if point.1 > high_later.1 {
                high_later = point;
            }
            if point.1 < low_later.1 {
                low_later = point;
            }
            two = true;
        }
        if two {
            for window in &mut out[at..] {
                *window = Some(so_far);
            }
        }
        out
    }
}

/// What a window that holds only the newest reading has at least seen: its share
/// of the two latest steps between readings. The step before counts too, so that
/// what one reading showed still stands when the next one confirms it.
fn shares(latest: &[(Timestamp, f64)], window: Window) -> Option<Moves> {
    let share = |pair: &[(Timestamp, f64)]| {
        let &[late, early] = pair else { return None };
        let apart_s = late.0.as_second() - early.0.as_second();
        let whole = change(early, late);
        let part = window.seconds() as f64 / apart_s.max(window.seconds()) as f64;
        Some(TemperatureChange { by_c: rounded(whole.by_c * part), mean: true, ..whole })
    };
    let of: Vec<TemperatureChange> = latest.windows(2).filter_map(share).collect();
    let none = TemperatureChange { by_c: 0.0, ..*of.first()? };
    let rise = of.iter().copied().fold(none, |most, c| if c.by_c > most.by_c { c } else { most });
    let fall = of.iter().copied().fold(none, |most, c| if c.by_c < most.by_c { c } else { most });
    Some(Moves { rise, fall })
}

fn change(from: (Timestamp, f64), to: (Timestamp, f64)) -> TemperatureChange {
    TemperatureChange {
        by_c: rounded(to.1 - from.1),
        from_c: from.1,
        to_c: to.1,
        from_at: from.0,
        to_at: to.0,
        mean: false,
    }
}

/// Readings are decimal numbers: from 20.1 to 22.1 is 2, and not a hair more.
fn rounded(c: f64) -> f64 {
    (c * 1e6).round() / 1e6
}

#[cfg(test)]
mod tests {
    use super::*;

    fn second(s: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_000 + s).expect("in range")
    }

    fn filled(values: &[(i64, f64)]) -> TemperatureRecord {
        let mut kept = TemperatureRecord::default();
        for &(minute, value) in values {
            kept.push(second(minute * 60), value);
        }
        kept
    }

    fn hour(kept: &TemperatureRecord) -> Option<(f64, f64)> {
        kept.moves(&[])[2].map(|m| (m.rise.by_c, m.fall.by_c))
    }

    #[test]
    fn rises_and_falls_are_told_apart() {
        assert_eq!(hour(&filled(&[(0, 22.0), (30, 19.5)])), Some((0.0, -2.5)));
        assert_eq!(hour(&filled(&[(0, 19.5), (30, 22.0)])), Some((2.5, 0.0)));
        assert_eq!(hour(&filled(&[(0, 20.0), (10, 22.5), (20, 21.0)])), Some((2.5, -1.5)));
        assert_eq!(hour(&filled(&[(0, 20.1), (10, 22.1)])), Some((2.0, 0.0)));
        assert_eq!(hour(&filled(&[(0, 20.0)])), None);
    }

    #[test]
    fn readings_an_hour_apart_count_and_later_ones_as_a_mean() {
        let of =
            |minute| filled(&[(0, 20.0), (minute, 23.0)]).moves(&[])[2].map(|m| (m.rise.by_c, m.rise.mean));
        assert_eq!(of(60), Some((3.0, false)));
        assert_eq!(of(120), Some((1.5, true)));
        // A probe that speaks every two hours still shows a shock of 6 °C.
        let slow = filled(&[(0, 20.0), (120, 20.0), (240, 14.0)]);
        let moves = slow.moves(&[]);
        assert_eq!(moves[2].map(|m| m.fall.by_c), Some(-3.0));
        assert_eq!(moves[4].map(|m| (m.fall.by_c, m.fall.mean)), Some((-6.0, false)));
        // The next reading confirms it, the one after has seen nothing of it.
        let hour = |values: &[(i64, f64)]| filled(values).moves(&[])[2].map(|m| m.fall.by_c);
        assert_eq!(hour(&[(120, 20.0), (240, 14.0), (360, 14.1)]), Some(-3.0));
        assert_eq!(hour(&[(120, 20.0), (240, 14.0), (360, 14.1), (480, 14.1)]), Some(0.0));
    }

    #[test]
    fn each_window_looks_back_as_far_as_it_is_long() {
        let kept = filled(&[(0, 30.0), (1300, 20.0), (1370, 22.0), (1410, 23.0), (1430, 23.5), (1440, 23.7)]);
        let rises: Vec<_> = kept.moves(&[]).iter().map(|m| m.map(|m| m.rise.by_c)).collect();
        assert_eq!(rises, [Some(0.2), Some(0.7), Some(0.7), Some(3.7), Some(3.7)]);
        assert_eq!(kept.moves(&[])[4].map(|m| m.fall.by_c), Some(-10.0));
    }

    #[test]
    fn a_reading_taken_back_or_set_aside_leaves_no_trace() {
        let mut kept = filled(&[(0, 20.0), (5, 31.0), (10, 20.5)]);
        assert_eq!(kept.moves(&[(second(300), second(600))])[2].map(|m| m.rise.by_c), Some(0.5));
        kept.take_back(second(300));
        assert_eq!(hour(&kept), Some((0.5, 0.0)));
    }

    /// A probe that speaks every second: a day is kept, and no extreme is lost.
    #[test]
    fn memory_stays_bounded_and_a_day_stays_a_day() {
        let mut kept = TemperatureRecord::default();
        for s in 0..200_000 {
            let value = if s == 140_030 { 17.0 } else { 20.0 + f64::from(s % 7) * 0.01 };
            kept.push(second(i64::from(s)), value);
        }
        assert!(kept.kept.len() <= KEPT_MAX, "{}", kept.kept.len());
        let day = kept.moves(&[])[4].expect("two readings");
        assert_eq!((day.rise.by_c, day.rise.from_at), (3.06, second(140_030)));
        assert!(kept.recent(DAY_S, &[]).first().is_some_and(|(at, _)| *at <= second(113_700)));
    }

    /// The same against every pair of readings.
    #[test]
    fn one_pass_finds_what_all_pairs_hold() {
        let values: Vec<(i64, f64)> = (0..120)
            .map(|i| (i * 17, 20.0 + f64::from(u8::try_from(i * i % 37).expect("below 37")) * 0.1))
            .collect();
        let kept = filled(&values);
        let newest = values[119].0;
        for (window, got) in WINDOWS.iter().zip(kept.moves(&[])) {
            let inside: Vec<_> = values.iter().filter(|v| (newest - v.0) * 60 <= window.seconds()).collect();
            if inside.len() < 2 {
                assert!(got.is_some_and(|m| m.rise.mean));
                continue;
            }
            let mut rise: f64 = 0.0;
            let mut fall: f64 = 0.0;
            for (i, a) in inside.iter().enumerate() {
                for b in &inside[i..] {
                    rise = rise.max(b.1 - a.1);
                    fall = fall.min(b.1 - a.1);
                }
            }
            let got = got.expect("two readings");
            assert!((got.rise.by_c - rise).abs() < 1e-6 && (got.fall.by_c - fall).abs() < 1e-6, "{window:?}");
        }
    }
}

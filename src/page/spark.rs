//! A sensor's last month as a small line: of each day the least and the greatest reading.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, ToSpan};
use maud::{Markup, PreEscaped, html};

use crate::history::Bin;
use crate::model::Quantity;
use crate::text::labels;
use crate::text::spoken::counted;

/// Days that are shown, today among them.
const DAYS: i64 = 31;
/// Units of the drawing's height, and of the width of a day.
const HIGH: f64 = 100.0;
const DAY: usize = 10;
/// Room over the greatest and under the least reading.
const ROOM: f64 = 12.0;

/// The days that a small line shows, on the garden's clock.
#[derive(Clone, Debug)]
pub(super) struct LineDays {
    /// The first moment of each.
    days: Vec<Timestamp>,
    pub(super) now: Timestamp,
}

impl LineDays {
    /// The days up to the present one.
    pub(super) fn until(now: Timestamp, zone: &TimeZone) -> Self {
        let today = zone.to_datetime(now).date();
        let day = |before: i64| {
            let date = today.checked_sub(before.days()).ok()?;
            zone.to_timestamp(date.at(0, 0, 0, 0)).ok()
        };
        Self { days: (0..DAYS).rev().filter_map(day).collect(), now }
    }

    /// The first moment that is shown.
    pub(super) fn from(&self) -> Timestamp {
        self.days.first().copied().unwrap_or(self.now)
    }

    /// Where a moment's day stands.
    fn day_of(&self, at: Timestamp) -> Option<usize> {
        self.days.partition_point(|day| *day <= at).checked_sub(1)
    }
}

/// A sensor's month; `bins` are of days, oldest first. Rain and other amounts are bars.
pub(super) fn month(measures: Quantity, bins: &[Bin], days: &LineDays) -> Markup {
    let mut of_day: Vec<Option<(f64, f64)>> = vec![None; days.days.len()];
    for bin in bins {
        let range = if measures.adds_up() { (bin.good > 0).then_some((0.0, bin.sum)) } else { bin.range() };
        if let (Some(day), Some(range)) = (days.day_of(bin.start).and_then(|day| of_day.get_mut(day)), range)
        {
            *day = Some(range);
        }
    }
    let known = || of_day.iter().flatten();
    let low = known().map(|range| range.0).fold(f64::INFINITY, f64::min);
    let high = known().map(|range| range.1).fold(f64::NEG_INFINITY, f64::max);
    if !(low.is_finite() && high.is_finite()) {
        return html! { "no reading in the last month" };
    }
    let words = if measures.adds_up() {
        let sum = known().map(|range| range.1).sum();
        format!("{} in all", labels::value(measures, sum))
    } else {
        range_words(measures, low, high)
    };
    let missing = of_day.iter().filter(|day| day.is_none()).count();
    let said = match missing {
        0 => format!("The last month: {words}."),
        some => format!("The last month: {words}; {} without readings.", counted(some, "day", "days")),
    };
    let y = |value: f64| {
        let part = if high > low { (value - low) / (high - low) } else { 0.5 };
        (HIGH - ROOM - part * (HIGH - 2.0 * ROOM)).round() as i64
    };
    let path = if measures.adds_up() { bars(&of_day, y) } else { ribbon(&of_day, y) };
    let wide = DAY * of_day.len();
    html! {
        svg class="spark" viewBox=(format!("0 0 {wide} {HIGH:.0}")) preserveAspectRatio="none" role="img" aria-label=(said) {
            path class="not-read" d=(PreEscaped(hatched(&of_day))) {}
            path class=(if measures.adds_up() { "amounts" } else { "range" }) d=(PreEscaped(path)) {}
        }
        span class="spark-words" { (words) }
    }
}

/// "12.3 to 21.4 % by volume".
fn range_words(measures: Quantity, low: f64, high: f64) -> String {
    let high = labels::value(measures, high);
    let low = labels::value(measures, low);
    let number = |text: &str| text.split([' ', '\u{a0}']).next().unwrap_or_default().to_owned();
    if low == high { high } else { format!("{} to {high}", number(&low)) }
}

/// From the greatest of each day along, and back along the least; a day alone is a stroke.
fn ribbon(days: &[Option<(f64, f64)>], y: impl Fn(f64) -> i64) -> String {
    let mut path = String::new();
    let middle = |day: usize| DAY * day + DAY / 2;
    let mut day = 0;
    while day < days.len() {
        let run = days[day..].iter().map_while(|it| *it).collect::<Vec<_>>();
        let there = || run.iter().enumerate();
        match run.as_slice() {
            [] => {}
            [(low, high)] => {
                let _ = write!(path, "M{} {}V{}", middle(day), y(*high) - 1, y(*low) + 1);
            }
            _ => {
                for (number, (_, high)) in there() {
                    let step = if number == 0 { 'M' } else { 'L' };
                    let _ = write!(path, "{step}{} {}", middle(day + number), y(*high));
                }
                for (number, (low, _)) in there().rev() {
                    let _ = write!(path, "L{} {}", middle(day + number), y(*low));
                }
                path.push('z');
            }
        }
        day += run.len().max(1);
    }
    path
}

fn bars(days: &[Option<(f64, f64)>], y: impl Fn(f64) -> i64) -> String {
    let foot = y(0.0);
    let fell =
        days.iter().enumerate().filter_map(|(day, range)| Some((day, range.filter(|it| it.1 > 0.0)?.1)));
    fell.fold(String::new(), |mut path, (day, amount)| {
        let _ = write!(path, "M{} {foot}V{}h{}V{foot}z", DAY * day + 1, y(amount).min(foot - 4), DAY - 2);
        path
    })
}

/// Slanting strokes over the days without a reading.
fn hatched(days: &[Option<(f64, f64)>]) -> String {
    let missing = days.iter().enumerate().filter(|(_, day)| day.is_none());
    missing.fold(String::new(), |mut path, (day, _)| {
        let _ = write!(path, "M{} {HIGH:.0}l{DAY}-{HIGH:.0}", DAY * day);
        path
    })
}

/// How long ago a reading was: "10 hours ago"; "just now" within a minute.
pub(super) fn age(at: Timestamp, now: Timestamp) -> String {
    let age: SignedDuration = now.duration_since(at);
    if age.as_secs() < 60 {
        "just now".to_owned()
    } else {
        format!("{} ago", crate::text::spoken::duration(age.as_secs()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    fn bin(start: &str, low: f64, high: f64) -> Bin {
        let start = at(start);
        let mut bin = Bin::empty(start, start + SignedDuration::from_hours(24));
        (bin.readings, bin.good, bin.sum, bin.min, bin.max) = (2, 2, low + high, low, high);
        bin
    }

    /// The days of the garden's own clock: Adelaide is nine and a half hours before UTC.
    #[test]
    fn a_day_without_readings_parts_the_line_and_is_hatched() {
        let zone = TimeZone::get("Australia/Adelaide").expect("bundled");
        let days = LineDays::until(at("2026-06-30T05:00:00Z"), &zone);
        assert_eq!(days.from(), at("2026-05-30T14:30:00Z"));
        let bins = [
            bin("2026-06-26T14:30:00Z", 10.0, 12.0),
            bin("2026-06-27T14:30:00Z", 11.0, 14.0),
            bin("2026-06-29T14:30:00Z", 12.0, 12.0),
        ];
        let drawn = month(Quantity::WaterTemperature, &bins, &days).into_string();
        assert!(drawn.contains("The last month: 10.0 to 14.0 °C; 28 days without readings."), "{drawn}");
        // 27 and 28 June as one ribbon, 30 June as a stroke of its own: worked by hand.
        assert!(drawn.contains("d=\"M275 50L285 12L285 69L275 88zM305 49V51\""), "{drawn}");
        assert_eq!(drawn.matches("l10-100").count(), 28);
        let rain = month(Quantity::Rain, &bins[1..], &days).into_string();
        assert!(rain.contains("49.0 mm in all") && rain.contains("class=\"amounts\""), "{rain}");
        assert!(month(Quantity::Ph, &[], &days).into_string().contains("no reading in the last month"));
    }

    /// Forty of them are a third of what a page may weigh.
    #[test]
    fn a_month_is_light() {
        let days = LineDays::until(at("2026-06-30T05:00:00Z"), &TimeZone::UTC);
        let bin = |(day, start): (usize, &Timestamp)| {
            bin(&start.to_string(), day as f64, 40.0 + (day * 7 % 31) as f64)
        };
        let bins: Vec<Bin> = days.days.iter().enumerate().map(bin).collect();
        for measures in [Quantity::WaterTemperature, Quantity::Rain] {
            let drawn = month(measures, &bins, &days).into_string();
            assert!(drawn.len() < 850, "{} bytes: {drawn}", drawn.len());
        }
    }

    #[test]
    fn an_age_is_one_figure() {
        let now = at("2026-06-30T05:00:00Z");
        let before = |seconds| age(now - SignedDuration::from_secs(seconds), now);
        assert_eq!(
            [30, 3000, 36_000, 259_200].map(before),
            ["just now", "50 minutes ago", "10 hours ago", "3 days ago"]
        );
        assert_eq!(age(now + SignedDuration::from_secs(50), now), "just now");
    }
}

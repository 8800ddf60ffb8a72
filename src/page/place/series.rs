//! From a sensor's readings to the lines, marks and bars of a chart.

use jiff::{SignedDuration, Timestamp};

use super::span::{ShownSpan, SpanLength};
use crate::chart::{Flagged, ReadingTimes, Stroke, Trace};
use crate::garden::patience_s;
use crate::history::{Bin, Point};
use crate::text::labels;
use crate::text::spoken;

/// Readings of a day that are drawn one by one; more are drawn by quarter hours.
const SINGLE_MAX: usize = 200;
/// Marks of doubtful and bad readings of one sensor; more are put together.
const FLAGS_MAX: usize = 30;
/// Seconds of a quarter hour.
const QUARTER_S: i64 = 900;

/// The readings of one sensor in the time shown.
#[derive(Clone, Debug)]
pub(super) struct SensorSeries {
    /// Single readings, where the span is a day.
    points: Vec<Point>,
    /// Quarter hours of a day, hours of a week, three hours of a month, days of a year.
    pub(super) bins: Vec<Bin>,
    /// Hours where they were read.
    pub(super) hours: Vec<Bin>,
    patience_s: i64,
}

impl SensorSeries {
    /// From what was read: single readings of a day, else bins.
    pub(super) fn new(shown: &ShownSpan, every_s: u32, points: Vec<Point>, bins: Vec<Bin>) -> Self {
        let (bins, hours) = match shown.length {
            SpanLength::Day => (quarters(&points), Vec::new()),
            SpanLength::Week => (bins.clone(), bins),
            SpanLength::Month => (three_hours(&bins, shown), bins),
            SpanLength::Year => (bins, Vec::new()),
        };
        Self { points, bins, hours, patience_s: patience_s(every_s) }
    }

    /// Whether there is no reading.
    pub(super) fn is_empty(&self) -> bool {
        self.bins.is_empty()
    }

    /// Readings, and those that can be believed, are doubtful, are bad.
    pub(super) fn counts(&self) -> [u32; 4] {
        self.bins.iter().fold([0; 4], |sum, bin| {
            [sum[0] + bin.readings, sum[1] + bin.good, sum[2] + bin.suspect, sum[3] + bin.bad]
        })
    }

    /// When it sent readings.
    pub(super) fn read_time(&self) -> ReadingTimes {
        let bins = if self.hours.is_empty() { &self.bins } else { &self.hours };
        ReadingTimes {
            stretches: bins.iter().map(|bin| (bin.start, bin.end)).collect(),
            gap: SignedDuration::from_secs(self.patience_s),
        }
    }

    /// Its good readings as a line, each times `scale`; `None` where there is none.
    pub(super) fn trace(&self, name: String, stroke: Stroke, scale: f64) -> Option<Trace> {
        let mut trace = Trace::new(name, stroke, Vec::new(), SignedDuration::from_secs(self.patience_s));
        if !self.points.is_empty() && self.points.len() <= SINGLE_MAX {
            trace.points.extend(self.points.iter().filter_map(|it| Some((it.at, it.good()? * scale))));
        } else {
            trace.gap = gap(self.bins.iter().map(|bin| seconds(bin.start, bin.end)), self.patience_s);
            for bin in &self.bins {
                if let (Some(mean), Some((min, max))) = (bin.mean(), bin.range()) {
                    trace.points.push((middle(bin.start, bin.end), mean * scale));
                    trace.spread.push((min * scale, max * scale));
                }
            }
        }
        (!trace.points.is_empty()).then_some(trace)
    }

    /// Its doubtful and bad readings; `whose` stands before each mark's words.
    pub(super) fn flagged(&self, whose: &str, scale: f64) -> Vec<Flagged> {
        let single: Vec<Flagged> = self
            .points
            .iter()
            .filter(|point| point.good().is_none())
            .map(|point| Flagged {
                at: point.at,
                value: point.value.filter(|value| value.is_finite()).map(|value| value * scale),
                words: format!("{whose}: {}", labels::flag(point.flag).to_lowercase()),
            })
            .collect();
        if (1..=FLAGS_MAX).contains(&single.len()) {
            return single;
        }
        let marred: Vec<&Bin> = self.bins.iter().filter(|bin| bin.suspect + bin.bad > 0).collect();
        let together = marred.len().div_ceil(FLAGS_MAX).max(1);
        marred.chunks(together).map(|bins| put_together(bins, whose, scale)).collect()
    }
}

fn put_together(bins: &[&Bin], whose: &str, scale: f64) -> Flagged {
    let all = merged(bins.iter().copied());
    let of = all.readings;
    let counted = [(all.suspect, "doubtful"), (all.bad, "bad")];
    let parts: Vec<String> = counted
        .into_iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{count} {word}"))
        .collect();
    Flagged {
        at: middle(all.start, all.end),
        value: all.mean().map(|mean| mean * scale),
        words: format!("{whose}: {} of {}", parts.join(" and "), spoken::counted(of, "reading", "readings")),
    }
}

/// The longest time between two middles that is no gap: half as much again as the widest
/// bin, or the sensor's own patience where that is longer.
pub(super) fn gap(widths_s: impl Iterator<Item = i64>, patience_s: i64) -> SignedDuration {
    SignedDuration::from_secs((widths_s.max().unwrap_or(0) * 3 / 2).max(patience_s))
}

/// Quarter hours of single readings, in order of time.
pub(super) fn quarters(points: &[Point]) -> Vec<Bin> {
    let mut bins: Vec<Bin> = Vec::new();
    for point in points {
        let second = point.at.as_second();
        let start = second - second.rem_euclid(QUARTER_S);
        let edge = |second| Timestamp::from_second(second).unwrap_or(point.at);
        if bins.last().is_none_or(|bin| bin.start.as_second() != start) {
            bins.push(Bin::empty(edge(start), edge(start + QUARTER_S)));
        }
        if let Some(bin) = bins.last_mut() {
            bin.add(point);
        }
    }
    bins
}

/// Three hours of the clock in one.
fn three_hours(hours: &[Bin], shown: &ShownSpan) -> Vec<Bin> {
    let part = |bin: &Bin| {
        let local = shown.zone.to_datetime(bin.start);
        (local.date(), local.hour() / 3)
    };
    hours.chunk_by(|a, b| part(a) == part(b)).map(|bins| merged(bins.iter())).collect()
}

/// Bins in order of time, of which there is at least one, as one.
fn merged<'a>(mut bins: impl Iterator<Item = &'a Bin>) -> Bin {
    let mut all = *bins.next().expect("groups of bins are never empty");
    for bin in bins {
        all.merge(bin);
        all.end = bin.end;
    }
    all
}

/// Seconds from one moment to another.
pub(super) fn seconds(from: Timestamp, to: Timestamp) -> i64 {
    to.as_second() - from.as_second()
}

/// The moment half-way.
pub(super) fn middle(from: Timestamp, to: Timestamp) -> Timestamp {
    Timestamp::from_second(from.as_second() + seconds(from, to) / 2).unwrap_or(from)
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;
    use crate::quality::Flag;

    fn t(second: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_600 + second).expect("in range")
    }

    fn point(second: i64, value: f64, flag: Flag) -> Point {
        Point { at: t(second), raw: 0.0, value: Some(value), flag, late: false }
    }

    fn day(points: Vec<Point>) -> SensorSeries {
        let shown =
            ShownSpan::new(SpanLength::Day, "2026-04-12".parse().expect("a date"), t(0), &TimeZone::UTC);
        SensorSeries::new(&shown, 900, points, Vec::new())
    }

    #[test]
    fn a_flagged_reading_is_a_mark_and_no_part_of_the_line() {
        let heard = day(vec![
            point(0, 0.10, Flag::Pass),
            point(900, 0.61, Flag::Fail),
            point(1800, 0.12, Flag::Suspect),
        ]);
        let trace = heard.trace("15 cm".to_owned(), Stroke::Bold, 100.0).expect("a good reading");
        assert_eq!(trace.points, vec![(t(0), 10.0)]);
        let marks = heard.flagged("15 cm", 100.0);
        let words: Vec<&str> = marks.iter().map(|mark| mark.words.as_str()).collect();
        assert_eq!(words, ["15 cm: bad", "15 cm: doubtful"]);
        assert_eq!(marks[0].value, Some(61.0));
        assert_eq!(heard.counts(), [3, 1, 1, 1]);
    }

    #[test]
    fn many_readings_become_quarter_hours_with_their_spread() {
        let points = (0..1440).map(|i| point(60 * i, f64::from(i as i32 % 15), Flag::Pass)).collect();
        let trace = day(points).trace("tank".to_owned(), Stroke::Bold, 1.0).expect("good readings");
        assert!(trace.points.len() <= 97 && trace.spread.len() == trace.points.len());
        assert!(trace.spread.contains(&(0.0, 14.0)));
    }

    #[test]
    fn only_bad_readings_give_no_line_and_few_marks() {
        let points = (0..1440).map(|i| point(60 * i, f64::NAN, Flag::Fail)).collect();
        let heard = day(points);
        assert!(heard.trace("tank".to_owned(), Stroke::Bold, 1.0).is_none());
        let marks = heard.flagged("tank", 1.0);
        assert!((1..=FLAGS_MAX).contains(&marks.len()));
        assert!(marks.iter().all(|mark| mark.value.is_none()));
        assert!(day(Vec::new()).is_empty() && day(Vec::new()).flagged("tank", 1.0).is_empty());
    }
}

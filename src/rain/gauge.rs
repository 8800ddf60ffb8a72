//! What one tipping-bucket gauge has caught: message by message for eight days,
//! rain day by rain day for about 13 months.

use std::collections::VecDeque;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::totals::{Follows, RainDays};
use crate::model::HeardSpan;

/// Seconds of rain that are kept: a week and a day.
const KEPT_S: i64 = 8 * 86_400;

/// Messages with rain in them that are kept: over a week of one a minute.
/// When it is full the two oldest become one, so that no rain is lost from a sum.
const KEPT_MAX: usize = 12_000;

/// What one message brings.
#[derive(Clone, Copy, Debug)]
pub struct GaugeMessage {
    pub at: Timestamp,
    /// Rain since the message before, mm; 0 for a dry interval.
    pub mm: f64,
    /// Where the gauge sends a running count: what it sent.
    pub count: Option<RunningCount>,
}

/// A running count, which goes on while nobody reads it.
#[derive(Clone, Copy, Debug)]
pub struct RunningCount {
    pub tips: f64,
    pub mm_per_tip: f64,
}

/// The catch of one gauge.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Gauge {
    /// End of the interval and its rain; dry intervals are not kept.
    caught: VecDeque<(Timestamp, f32)>,
    heard: HeardSpan,
    last_tips: Option<f64>,
    days: RainDays,
}

impl Gauge {
    /// Adds a message. After a silence of more than `patience_s` the record counts
    /// as broken; rain days are those of `zone`.
    pub fn push(&mut self, caught: GaugeMessage, patience_s: i64, zone: &TimeZone) {
        let GaugeMessage { at, mm, .. } = caught;
        self.push_day(caught, patience_s, zone);
        self.heard.hear(at, patience_s);
        while let Some(&(first, _)) = self.caught.front()
            && at.as_second() - first.as_second() > KEPT_S
        {
            self.caught.pop_front();
        }
        if mm > 0.0 {
            if self.caught.len() >= KEPT_MAX
                && let Some((_, oldest)) = self.caught.pop_front()
                && let Some(next) = self.caught.front_mut()
            {
                next.1 += oldest;
            }
            self.caught.push_back((at, mm as f32));
        }
    }

    /// Adds a message of long ago to the rain days alone, in order of time.
    pub fn push_day(&mut self, caught: GaugeMessage, patience_s: i64, zone: &TimeZone) {
        let GaugeMessage { at, mm, count } = caught;
        let pause = self.days.last_at().is_none_or(|last| at.as_second() - last.as_second() > patience_s);
        let follows = match count {
            // After a reset the count is what fell since; what fell before it is lost.
            Some(RunningCount { tips, mm_per_tip })
                if self.last_tips.is_some_and(|last| tips < last)
                    && (mm - tips * mm_per_tip).abs() < 1e-9 =>
            {
                Follows::Broken
            }
            Some(_) if pause => Follows::Catching,
            None if pause => Follows::Broken,
            _ => Follows::At,
        };
        self.last_tips = count.map(|count| count.tips);
        self.days.push(at, mm, follows, zone);
    }

    /// A message of long ago could not be counted: its rain day has no total.
    pub fn miss_day(&mut self, at: Timestamp, zone: &TimeZone) {
        self.days.miss(at, zone);
    }

    /// The rain days.
    pub fn days(&self) -> &RainDays {
        &self.days
    }

    /// What the gauge says now is not to be believed: its rain day has no total.
    pub fn doubt(&mut self) {
        self.days.doubt();
    }

    /// A message of that time could not be counted: until past it the record is
    /// not whole, dryness is not known, and its rain day has no total.
    pub fn miss(&mut self, at: Timestamp, zone: &TimeZone) {
        self.days.miss(at, zone);
        self.heard.miss(at);
    }

    /// Time of the last good message.
    pub fn last_at(&self) -> Option<Timestamp> {
        self.heard.last_at()
    }

    /// Whether the gauge was already speaking at `from`, so that a sum since
    /// then is whole.
    pub fn covers(&self, from: Timestamp) -> bool {
        self.heard.covers(from)
    }

    /// Whether no silence ended after `from`.
    pub fn unbroken_since(&self, from: Timestamp) -> bool {
        self.heard.unbroken_since(from)
    }

    /// Whether its record reaches back to `from` and has had no silence since.
    pub fn is_whole_since(&self, from: Timestamp) -> bool {
        self.heard.is_whole_since(from)
    }

    /// Rain after `from` and up to `to`, mm. At most eight days are known.
    pub fn sum_mm(&self, from: Timestamp, to: Timestamp) -> f64 {
        self.caught
            .iter()
            .rev()
            .skip_while(|(at, _)| *at > to)
            .take_while(|(at, _)| *at > from)
            .map(|&(_, mm)| f64::from(mm))
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rain::Total;

    fn t(text: &str) -> Timestamp {
        text.parse().expect("a timestamp")
    }

    fn push(gauge: &mut Gauge, at: Timestamp, mm: f64, patience_s: i64) {
        gauge.push(GaugeMessage { at, mm, count: None }, patience_s, &TimeZone::UTC);
    }

    #[test]
    fn a_sum_takes_the_interval_that_ends_inside() {
        let mut gauge = Gauge::default();
        push(&mut gauge, t("2026-04-10T00:15:00Z"), 0.4, 3000);
        push(&mut gauge, t("2026-04-10T00:30:00Z"), 0.0, 3000);
        push(&mut gauge, t("2026-04-10T00:45:00Z"), 1.0, 3000);
        let sum = gauge.sum_mm(t("2026-04-10T00:15:00Z"), t("2026-04-10T00:45:00Z"));
        assert!((sum - 1.0).abs() < 1e-6, "{sum}");
        assert!((gauge.sum_mm(t("2026-04-09T00:00:00Z"), t("2026-04-10T00:30:00Z")) - 0.4).abs() < 1e-6);
        assert_eq!(gauge.last_at(), Some(t("2026-04-10T00:45:00Z")));
        assert!(!gauge.covers(t("2026-04-10T00:00:00Z")));
    }

    #[test]
    fn a_silence_breaks_the_record_until_it_is_past() {
        let mut gauge = Gauge::default();
        push(&mut gauge, t("2026-04-10T00:00:00Z"), 0.0, 3000);
        push(&mut gauge, t("2026-04-10T00:50:00Z"), 0.0, 3000);
        assert!(gauge.unbroken_since(t("2026-04-10T00:00:00Z")));
        push(&mut gauge, t("2026-04-10T03:00:00Z"), 0.0, 3000);
        assert!(!gauge.unbroken_since(t("2026-04-10T02:00:00Z")));
        assert!(gauge.unbroken_since(t("2026-04-10T03:00:00Z")));
    }

    #[test]
    fn a_week_without_a_pause_stays_bounded_and_whole() {
        let mut gauge = Gauge::default();
        let start = t("2026-04-10T00:00:00Z").as_second();
        for i in 0..30_000 {
            push(&mut gauge, Timestamp::from_second(start + i * 20).expect("in range"), 0.2, 300);
        }
        assert!(gauge.caught.len() <= KEPT_MAX);
        let end = Timestamp::from_second(start + 30_000 * 20).expect("in range");
        let sum = gauge.sum_mm(Timestamp::from_second(start - 1).expect("in range"), end);
        assert!((sum - 6000.0).abs() < 1.0, "{sum}");
    }

    #[test]
    fn a_running_count_holds_the_rain_of_a_silence_unless_it_was_reset() {
        for (tips, mm, expected) in [
            (130.0, 6.0, Total::Accumulated { mm: 6.0, days: 3 }),
            (30.0, 6.0, Total::AtLeast { mm: 6.0, days: 3 }),
        ] {
            let mut gauge = Gauge::default();
            let mut send = |at: &str, tips, mm| {
                let count = Some(RunningCount { tips, mm_per_tip: 0.2 });
                gauge.push(GaugeMessage { at: t(at), mm, count }, 90_000, &TimeZone::UTC);
            };
            send("2026-04-08T09:00:00Z", 100.0, 0.0);
            send("2026-04-09T09:00:00Z", 100.0, 0.0);
            send("2026-04-09T10:00:00Z", 100.0, 0.0);
            send("2026-04-11T12:00:00Z", tips, mm);
            let day =
                |days: &RainDays, date: &str| days.day(date.parse().expect("a date")).map(|day| day.total);
            assert_eq!(day(gauge.days(), "2026-04-09"), Some(Total::Whole(0.0)));
            assert_eq!(day(gauge.days(), "2026-04-12"), Some(expected), "{tips}");
        }
    }
}

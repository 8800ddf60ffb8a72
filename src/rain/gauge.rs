//! What one tipping-bucket gauge has caught in the last eight days.

use std::collections::VecDeque;

use jiff::Timestamp;

/// Seconds of rain that are kept: a week and a day.
const KEPT_S: i64 = 8 * 86_400;

/// Messages with rain in them that are kept: over a week of one a minute.
/// When it is full the two oldest become one, so that no rain is lost from a sum.
const KEPT_MAX: usize = 12_000;

/// The recent catch of one gauge.
#[derive(Clone, Debug, Default)]
pub struct Gauge {
    /// End of the interval and its rain; dry intervals are not kept.
    caught: VecDeque<(Timestamp, f32)>,
    first_at: Option<Timestamp>,
    last_at: Option<Timestamp>,
    /// End of the last silence that was longer than the gauge is allowed.
    mended_at: Option<Timestamp>,
}

impl Gauge {
    /// Adds what fell since the message before, in mm (0 for a dry interval).
    /// After a silence of more than `patience_s` the record counts as broken.
    pub fn push(&mut self, at: Timestamp, mm: f64, patience_s: i64) {
        self.first_at.get_or_insert(at);
        if self.last_at.is_some_and(|last| at.as_second() - last.as_second() > patience_s) {
            self.mended_at = Some(at);
        }
        self.last_at = Some(at);
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

    /// A message of that time could not be counted: until past it the record is
    /// not whole, and dryness is not known.
    pub fn miss(&mut self, at: Timestamp) {
        self.mended_at = self.mended_at.max(Some(at)).max(self.last_at);
    }

    /// Time of the last good message.
    pub fn last_at(&self) -> Option<Timestamp> {
        self.last_at
    }

    /// Whether the gauge was already speaking at `from`, so that a sum since
    /// then is whole.
    pub fn covers(&self, from: Timestamp) -> bool {
        self.first_at.is_some_and(|first| first <= from)
    }

    /// Whether no silence ended after `from`.
    pub fn unbroken_since(&self, from: Timestamp) -> bool {
        self.mended_at.is_none_or(|mended| mended <= from)
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

    fn t(text: &str) -> Timestamp {
        text.parse().expect("a timestamp")
    }

    #[test]
    fn a_sum_takes_the_interval_that_ends_inside() {
        let mut gauge = Gauge::default();
        gauge.push(t("2026-04-10T00:15:00Z"), 0.4, 3000);
        gauge.push(t("2026-04-10T00:30:00Z"), 0.0, 3000);
        gauge.push(t("2026-04-10T00:45:00Z"), 1.0, 3000);
        let sum = gauge.sum_mm(t("2026-04-10T00:15:00Z"), t("2026-04-10T00:45:00Z"));
        assert!((sum - 1.0).abs() < 1e-6, "{sum}");
        assert!((gauge.sum_mm(t("2026-04-09T00:00:00Z"), t("2026-04-10T00:30:00Z")) - 0.4).abs() < 1e-6);
        assert_eq!(gauge.last_at(), Some(t("2026-04-10T00:45:00Z")));
        assert!(!gauge.covers(t("2026-04-10T00:00:00Z")));
    }

    #[test]
    fn a_silence_breaks_the_record_until_it_is_past() {
        let mut gauge = Gauge::default();
        gauge.push(t("2026-04-10T00:00:00Z"), 0.0, 3000);
        gauge.push(t("2026-04-10T00:50:00Z"), 0.0, 3000);
        assert!(gauge.unbroken_since(t("2026-04-10T00:00:00Z")));
        gauge.push(t("2026-04-10T03:00:00Z"), 0.0, 3000);
        assert!(!gauge.unbroken_since(t("2026-04-10T02:00:00Z")));
        assert!(gauge.unbroken_since(t("2026-04-10T03:00:00Z")));
    }

    #[test]
    fn a_week_without_a_pause_stays_bounded_and_whole() {
        let mut gauge = Gauge::default();
        let start = t("2026-04-10T00:00:00Z").as_second();
        for i in 0..30_000 {
            gauge.push(Timestamp::from_second(start + i * 20).expect("in range"), 0.2, 300);
        }
        assert!(gauge.caught.len() <= KEPT_MAX);
        let end = Timestamp::from_second(start + 30_000 * 20).expect("in range");
        let sum = gauge.sum_mm(Timestamp::from_second(start - 1).expect("in range"), end);
        assert!((sum - 6000.0).abs() < 1.0, "{sum}");
    }
}

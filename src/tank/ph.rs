//! pH over days: how it drifts, and how it differs from yesterday's.

use std::collections::VecDeque;

use jiff::Timestamp;

use super::slope::{median, slope};
use crate::why::{Check, Equation};

const HOUR_S: i64 = 3600;
/// Hours that are kept: eight days.
const KEPT_H: i64 = 8 * 24;
/// A drift is told from this many days on.
const DAYS_MIN: usize = 4;

/// How pH drifts.
pub const DRIFT: Equation = Equation {
    gives: "drift of pH",
    form: "the median of the slopes between all pairs of daily medians (or of logged tests)",
    source: "slope by Theil 1950 and Sen 1968",
    check: Check::None("held by tests on made-up series only"),
};

/// Means of a sensor's hours.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Hourly {
    /// Hour since 1970, sum and number of its readings.
    hours: VecDeque<(i64, f64, u32)>,
}

/// How pH drifts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// pH units a day.
    pub per_day: f64,
    /// From the first to the last point, by the slope.
    pub total: f64,
    pub days: f64,
    /// pH now, by the slope.
    pub now: f64,
    /// Whether eight in ten of the pairs agree on the direction.
    pub clear: bool,
}

impl Hourly {
    /// Adds a reading that is later than all before it.
    pub fn push(&mut self, at: Timestamp, value: f64) {
        let hour = at.as_second().div_euclid(HOUR_S);
        match self.hours.back_mut() {
            Some((last, sum, count)) if *last >= hour => {
                *sum += value;
                *count = count.saturating_add(1);
            }
            _ => self.hours.push_back((hour, value, 1)),
        }
        while self.hours.front().is_some_and(|(first, ..)| hour - first > KEPT_H) {
            self.hours.pop_front();
        }
    }

    /// Median of the hourly means of each stretch of 24 h, counted back from the
    /// newest hour, oldest first; a stretch with fewer than 12 hours is left out,
    /// since pH swings with day and night.
    pub fn days(&self) -> Vec<(Timestamp, f64)> {
        let Some(&(newest, ..)) = self.hours.back() else { return Vec::new() };
        let mut days = Vec::new();
        for back in (0..KEPT_H / 24).rev() {
            let of_day: Vec<f64> = self
                .hours
                .iter()
                .filter(|(hour, ..)| (newest - hour) / 24 == back)
                .map(|(_, sum, count)| sum / f64::from(*count))
                .collect();
            if of_day.len() < 12 {
                continue;
            }
            let middle = Timestamp::from_second((newest - back * 24 - 12) * HOUR_S);
            if let (Ok(at), Some(value)) = (middle, median(of_day)) {
                days.push((at, value));
            }
        }
        days
    }

    /// Median of the last three hours less that of the same hours a day before:
    /// the usual swing of day and night falls out. `None` where either is missing.
    pub fn since_yesterday(&self) -> Option<f64> {
        let &(newest, ..) = self.hours.back()?;
        let of = |ago: std::ops::RangeInclusive<i64>| {
            let means: Vec<f64> = self
                .hours
                .iter()
                .filter(|(hour, ..)| ago.contains(&(newest - hour)))
                .map(|(_, sum, count)| sum / f64::from(*count))
                .collect();
            if means.len() < 2 { None } else { median(means) }
        };
        Some(of(0..=2)? - of(24..=26)?)
    }
}

/// The drift of points in order of time; `None` with fewer than four, or over
/// less than two days.
pub fn drift(points: &[(Timestamp, f64)]) -> Option<Drift> {
    if points.len() < DAYS_MIN {
        return None;
    }
    let slope = slope(points)?;
    let days = slope.over_s as f64 / 86_400.0;
    let per_day = slope.per_hour * 24.0;
    (days >= 2.0).then_some(Drift {
        per_day,
        total: per_day * days,
        days,
        now: slope.now,
        clear: slope.is_clear(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Readings every ten minutes with a swing of 0.3 between day and night.
    fn filled(hours: i64, per_day: f64, jump_at_h: i64, jump: f64) -> Hourly {
        let mut kept = Hourly::default();
        for i in 0..hours * 6 {
            let hour = i as f64 / 6.0;
            let value = 7.2
                + per_day * hour / 24.0
                + 0.15 * (std::f64::consts::TAU * hour / 24.0).sin()
                + if i >= jump_at_h * 6 { jump } else { 0.0 };
            kept.push(Timestamp::from_second(1_776_000_000 + i * 600).expect("in range"), value);
        }
        kept
    }

    #[test]
    fn a_drift_is_seen_through_the_swing_of_day_and_night() {
        let steady = drift(&filled(24 * 7, 0.0, i64::MAX / 6, 0.0).days()).expect("a week");
        assert!(steady.per_day.abs() < 0.01, "{steady:?}");
        let falling = drift(&filled(24 * 7, -0.08, i64::MAX / 6, 0.0).days()).expect("a week");
        assert!((falling.per_day + 0.08).abs() < 0.01 && falling.clear, "{falling:?}");
    }

    #[test]
    fn a_change_since_yesterday_is_seen_without_the_swing() {
        let steady = filled(24 * 3, 0.0, i64::MAX / 6, 0.0).since_yesterday().expect("two days");
        assert!(steady.abs() < 0.01, "{steady}");
        let fallen = filled(24 * 3, 0.0, 24 * 3 - 4, -0.5).since_yesterday().expect("two days");
        assert!((fallen + 0.5).abs() < 0.05, "{fallen}");
        assert_eq!(filled(20, 0.0, i64::MAX / 6, 0.0).since_yesterday(), None);
    }

    #[test]
    fn memory_stays_bounded_and_too_little_says_nothing() {
        let kept = filled(24 * 40, 0.0, i64::MAX / 6, 0.0);
        assert!(kept.hours.len() <= 194);
        assert_eq!(kept.days().len(), 8);
        assert_eq!(drift(&filled(60, 0.0, i64::MAX / 6, 0.0).days()), None);
        assert_eq!(drift(&[]), None);
    }
}

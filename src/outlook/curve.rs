//! A bed's own curve: how fast it dries at which water content.
//!
//! Each past day of drying gives one point: the middle water content, and the
//! fall of the day divided by the demand of the season. Between the points the
//! curve is a weighted mean (Nadaraya and Watson) with a kernel that has wide
//! tails, so that a gap in what is known is bridged and not left open.

use std::collections::VecDeque;

use crate::model::push_tight;

/// One past day of drying.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct DryingDay {
    /// Hour since the epoch at its end.
    pub(crate) hour: i32,
    /// Middle water content, m³/m³.
    pub(crate) theta: f32,
    /// Fall in the day for each unit of demand, m³/m³.
    pub(crate) fall: f32,
}

impl DryingDay {
    /// Part of its say that a day has at an hour.
    fn share(&self, hour: i32, half_life_d: f64) -> f64 {
        let age_d = f64::from(hour.saturating_sub(self.hour).max(0)) / 24.0;
        0.5_f64.powf(age_d / half_life_d)
    }
}

/// Days that are kept, the newest: about a year's days without water.
const DAYS: usize = 192;
/// Days that must be known before the curve says anything.
pub(crate) const LEAST: usize = 5;
/// Half-life of a day's say, days: beds are dug and replanted each season.
const HALF_LIFE_D: f64 = 120.0;
/// Half-life of a day's say in the pace of the weeks, days; the typical days at pace
/// 1 that are added to it, so that one odd day does not set the pace; its bounds.
const PACE_HALF_LIFE_D: f64 = 10.0;
const PACE_TYPICAL: f64 = 2.0;
pub(crate) const PACE: (f64, f64) = (0.3, 3.0);
/// Width of the kernel as a part of the range that is known, and at least.
const WIDTH_PART: f64 = 0.08;
const WIDTH_MIN: f64 = 0.003;

/// The past days.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct OwnDays {
    days: VecDeque<DryingDay>,
}

impl OwnDays {
    pub(crate) fn add(&mut self, day: DryingDay) {
        if self.days.len() == DAYS {
            self.days.pop_front();
        }
        push_tight(&mut self.days, day);
    }

    /// How many days are known.
    pub(crate) fn known(&self) -> usize {
        self.days.len()
    }

    /// The curve as it stands at an hour; `None` with too few days.
    pub(crate) fn curve(&self, hour: i32, floor: f64) -> Option<DryingCurve> {
        if self.days.len() < LEAST {
            return None;
        }
        let (low, high) = self.days.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), d| {
            (low.min(f64::from(d.theta)), high.max(f64::from(d.theta)))
        });
        let shares: Vec<f64> = self.days.iter().map(|day| day.share(hour, HALF_LIFE_D)).collect();
        let width = (WIDTH_PART * (high - low)).max(WIDTH_MIN);
        let step = (high - low) / (GRID - 1) as f64;
        let fall = std::array::from_fn(|i| {
            let theta = low + step * i as f64;
            let (mut sum, mut weights) = (0.0, 0.0);
            for (day, share) in self.days.iter().zip(&shares) {
                let off = (theta - f64::from(day.theta)) / width;
                let weight = share / (1.0 + off * off).powi(2);
                sum += weight * f64::from(day.fall);
                weights += weight;
            }
            sum / weights
        });
        Some(DryingCurve { low, step, fall, floor: floor.min(low) })
    }

    /// How fast the bed has dried in the last weeks, over several drydowns, beside
    /// its whole curve: plants grow and fade, and spells of weather last.
    pub(crate) fn pace(&self, curve: &DryingCurve, hour: i32) -> f64 {
        let typical = PACE_TYPICAL * curve.fall.iter().sum::<f64>() / GRID as f64;
        let (mut fell, mut would) = (typical, typical);
        for day in &self.days {
            let share = day.share(hour, PACE_HALF_LIFE_D);
            fell += share * f64::from(day.fall);
            would += share * curve.fall(f64::from(day.theta));
        }
        if would > 0.0 { (fell / would).clamp(PACE.0, PACE.1) } else { 1.0 }
    }
}

const GRID: usize = 24;

/// Fall in a day for each unit of demand, by water content.
#[derive(Clone, Debug)]
pub(crate) struct DryingCurve {
    low: f64,
    step: f64,
    fall: [f64; GRID],
    floor: f64,
}

impl DryingCurve {
    /// The fall at a water content, m³/m³ a day for each unit of demand. Above
    /// what is known it stays as it was; below, it ends in a straight line at
    /// the floor.
    pub(crate) fn fall(&self, theta: f64) -> f64 {
        if theta <= self.low {
            let part = (theta - self.floor) / (self.low - self.floor);
            return self.fall[0] * if part.is_finite() { part.clamp(0.0, 1.0) } else { 0.0 };
        }
        if self.step <= 0.0 {
            return self.fall[GRID - 1];
        }
        let position = ((theta - self.low) / self.step).min((GRID - 1) as f64);
        let i = (position as usize).min(GRID - 2);
        self.fall[i] + (position - i as f64) * (self.fall[i + 1] - self.fall[i])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known(count: usize, fall: impl Fn(f32) -> f32) -> OwnDays {
        let mut days = OwnDays::default();
        for i in 0..count {
            let theta = 0.10 + 0.10 * (i * 7 % count) as f32 / count as f32;
            days.add(DryingDay { hour: 24 * i as i32, theta, fall: fall(theta) });
        }
        days
    }

    #[test]
    fn few_days_are_no_curve() {
        assert!(known(LEAST - 1, |_| 0.01).curve(0, 0.02).is_none());
        assert!(known(LEAST, |_| 0.01).curve(0, 0.02).is_some());
    }

    #[test]
    fn the_days_are_given_back_between_and_beyond_them() {
        let curve = known(60, |theta| 0.2 * (theta - 0.05)).curve(24 * 60, 0.05).expect("known");
        for theta in [0.12, 0.15, 0.18] {
            assert!((curve.fall(theta) / (0.2 * (theta - 0.05)) - 1.0).abs() < 0.12, "{theta}");
        }
        assert!((curve.fall(0.5) - curve.fall(0.1999)).abs() < 0.002, "even above");
        assert!(curve.fall(0.05).abs() < 1e-12 && curve.fall(0.0).abs() < 1e-12, "none at the floor");
        assert!(curve.fall(0.075) < curve.fall(0.10));
    }

    #[test]
    fn it_keeps_a_bounded_past() {
        assert_eq!(known(1000, |_| 0.01).known(), DAYS);
    }

    /// The last 20 days of 60 are twice as fast: of the shares that half-lives of ten
    /// days give, 1 - 1/4 of the sum lies in them.
    #[test]
    fn the_pace_follows_the_last_weeks() {
        let mut days = OwnDays::default();
        for i in 0..60 {
            let fall = if i < 40 { 0.01 } else { 0.02 };
            days.add(DryingDay { hour: 24 * i, theta: 0.15, fall });
        }
        let curve = days.curve(24 * 60, 0.05).expect("known");
        let usual = curve.fall(0.15);
        let pace = days.pace(&curve, 24 * 60);
        let mean = 0.02 * 0.75 + 0.01 * 0.25;
        assert!(pace > 1.1 && pace < mean / usual, "{pace} {}", mean / usual);
        let even = known(60, |_| 0.01);
        let pace = even.pace(&even.curve(24 * 60, 0.05).expect("known"), 24 * 60);
        assert!((pace - 1.0).abs() < 1e-6, "{pace}");
    }

    #[test]
    fn days_at_one_water_content_are_a_level_curve() {
        let mut days = OwnDays::default();
        for i in 0..LEAST as i32 {
            days.add(DryingDay { hour: 24 * i, theta: 0.15, fall: 0.01 });
        }
        let curve = days.curve(0, 0.15).expect("known");
        assert!((curve.fall(0.2) - 0.01).abs() < 1e-6);
        assert!(curve.fall(0.14).is_finite());
    }
}

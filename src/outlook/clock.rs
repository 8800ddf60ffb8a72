//! How a bed's drying is spread over the day.
//!
//! Beds dry by day and rest by night, so that a line through some hours of the
//! afternoon says nothing about a week. Each hour of the day gets the share of
//! a day's drying that this bed's own past days gave it; time is then counted
//! on that clock, on which drying is even within a day.

/// Days after which an hour's mean has forgotten an old day, about.
const MEMORY_D: u8 = 14;
/// Days of even drying that the shares start from.
const EVEN_D: f64 = 4.0;

/// Falls by the hour of the day (UTC, so that a change of the wall clock
/// changes nothing).
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct HourlyFalls {
    mean: [f32; 24],
    /// Days that each mean is of; at most [`MEMORY_D`] count.
    days: [u8; 24],
}

impl HourlyFalls {
    /// Adds the fall from hour `hour` (since the epoch) to the next, m³/m³.
    pub(crate) fn add(&mut self, hour: i32, fall: f64) {
        let i = hour.rem_euclid(24) as usize;
        self.days[i] = (self.days[i] + 1).min(MEMORY_D);
        self.mean[i] += (fall as f32 - self.mean[i]) / f32::from(self.days[i]);
    }

    /// The clock as it is known by now.
    pub(crate) fn clock(&self) -> DryingClock {
        let mean = |i: usize| f64::from(self.mean[i % 24]);
        // A single hour's mean is as noisy as the probe; neighbours share it.
        let smooth: [f64; 24] =
            std::array::from_fn(|i| (0.25 * mean(i + 23) + 0.5 * mean(i) + 0.25 * mean(i + 1)).max(0.0));
        let sum: f64 = smooth.iter().sum();
        let days = self.days.iter().fold(MEMORY_D, |least, d| least.min(*d));
        let trust = if sum > 0.0 { f64::from(days) / (f64::from(days) + EVEN_D) } else { 0.0 };
        let mut before = [0.0; 25];
        for i in 0..24 {
            let own = if sum > 0.0 { smooth[i] / sum } else { 0.0 };
            before[i + 1] = before[i] + trust * own + (1.0 - trust) / 24.0;
        }
        DryingClock { before }
    }
}

/// Time on which a bed's drying is even within a day.
#[derive(Clone, Copy, Debug)]
pub(crate) struct DryingClock {
    /// Part of a day's drying before each hour of the day; the last is 1.
    before: [f64; 25],
}

impl DryingClock {
    /// Days on this clock from the epoch to an hour since the epoch.
    pub(crate) fn days(&self, hour: f64) -> f64 {
        let whole = (hour / 24.0).floor();
        let in_day = hour - 24.0 * whole;
        let i = (in_day as usize).min(23);
        whole + self.before[i] + (in_day - i as f64) * (self.before[i + 1] - self.before[i])
    }

    /// The hour since the epoch at which this clock shows `days`.
    pub(crate) fn hour(&self, days: f64) -> f64 {
        let whole = days.floor();
        let part = days - whole;
        let i = self.before[1..].iter().position(|b| part < *b).unwrap_or(23);
        let share = self.before[i + 1] - self.before[i];
        let within = if share > 0.0 { ((part - self.before[i]) / share).clamp(0.0, 1.0) } else { 0.0 };
        24.0 * whole + i as f64 + within
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_a_past_it_is_an_ordinary_clock() {
        let clock = HourlyFalls::default().clock();
        for hour in [0.0, 5.5, 23.9, 24.0, 490_000.25] {
            assert!((clock.days(hour) - hour / 24.0).abs() < 1e-9);
            assert!((clock.hour(hour / 24.0) - hour).abs() < 1e-6);
        }
    }

    #[test]
    fn it_runs_by_day_where_the_bed_dries_by_day() {
        let mut falls = HourlyFalls::default();
        for hour in 0..24 * 30 {
            falls.add(hour, if (8..16).contains(&(hour % 24)) { 0.001 } else { 0.0 });
        }
        let clock = falls.clock();
        let night = clock.days(24.0 + 4.0) - clock.days(24.0);
        let noon = clock.days(24.0 + 14.0) - clock.days(24.0 + 10.0);
        assert!(noon > 0.3 && night < 0.06, "{noon} {night}");
        assert!((clock.days(48.0) - clock.days(24.0) - 1.0).abs() < 1e-9, "a day is a day");
        for days in [100.1, 100.5, 100.9] {
            assert!((clock.days(clock.hour(days)) - days).abs() < 1e-9);
        }
    }
}

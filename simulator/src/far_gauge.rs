//! A rain gauge that stands kilometres off: what falls on it of the garden's
//! showers.
//!
//! A shower reaches it earlier or later, with more or less water; the farther
//! off, the more often it passes by, and as much falls there some hours later.
//! Over a season both gauges have the same. The numbers are invented; that
//! the rain of single showers at two gauges loses its likeness within some ten
//! kilometres is common experience with gauge networks (no publication).

use std::collections::VecDeque;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// So many dry minutes part two showers.
const APART_MIN: u32 = 30;
/// The distance at which two of three showers pass by, km.
const PASSES_KM: f64 = 15.0;
/// Spread of the logarithm of a shower's share for the square root of a km.
const SPREAD_KM: f64 = 0.2;
/// Minutes that a shower takes for a km, either way.
const MINUTES_KM: f64 = 3.0;
/// A shower of its own comes so many minutes after one that passed by.
const LATER_MIN: std::ops::Range<usize> = 120..720;

/// One gauge's own sky.
#[derive(Clone, Debug)]
pub(crate) struct FarGauge {
    rng: ChaCha8Rng,
    km: f64,
    dry_min: u32,
    share: f64,
    later_min: usize,
    /// Rain of the minutes to come, mm.
    coming: VecDeque<f64>,
}

impl FarGauge {
    pub(crate) fn new(km: f64, number: usize, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(5000 + number as u64);
        Self { rng, km, dry_min: APART_MIN, share: 1.0, later_min: 0, coming: VecDeque::new() }
    }

    /// A minute's rain there, from a minute's rain over the garden, mm.
    pub(crate) fn minute(&mut self, here_mm: f64) -> f64 {
        if here_mm > 0.0 {
            if self.dry_min >= APART_MIN {
                self.begin();
            }
            self.dry_min = 0;
            if self.coming.len() <= self.later_min {
                self.coming.resize(self.later_min + 1, 0.0);
            }
            self.coming[self.later_min] += here_mm * self.share;
        } else {
            self.dry_min = self.dry_min.saturating_add(1);
        }
        self.coming.pop_front().unwrap_or(0.0)
    }

    fn begin(&mut self) {
        let spread = SPREAD_KM * self.km.sqrt();
        let chance: f64 = StandardNormal.sample(&mut self.rng);
        // Its mean is one.
        self.share = (spread * chance - 0.5 * spread * spread).exp();
        let passes = self.rng.random::<f64>() < 1.0 - (-self.km / PASSES_KM).exp();
        let own = self.rng.random_range(LATER_MIN);
        let near = self.rng.random_range(0.0..1.0) * MINUTES_KM * self.km;
        self.later_min = if passes { own } else { near as usize };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 400 showers of 4 mm: the sum stays, single ones differ, some pass by.
    #[test]
    fn a_gauge_kilometres_off_has_the_same_season_and_other_showers() {
        let mut gauge = FarGauge::new(4.0, 0, 3);
        let (mut sum, mut like, mut passed) = (0.0, 0, 0);
        for _ in 0..400 {
            let mut near = 0.0;
            for minute in 0..1440 {
                let mm = gauge.minute(if minute < 40 { 0.1 } else { 0.0 });
                sum += mm;
                if minute < 90 {
                    near += mm;
                }
            }
            like += i32::from((3.2..=4.8).contains(&near));
            passed += i32::from(near < 0.2);
        }
        // The spread of a mean of 400 is a fiftieth.
        assert!((sum / 1600.0 - 1.0).abs() < 0.08, "{sum}");
        // exp(-4/15) = 0.77 do not pass by; of those two in five are within a fifth.
        assert!((60..=140).contains(&passed), "{passed}");
        assert!((80..=180).contains(&like), "{like}");
    }

    #[test]
    fn a_gauge_in_the_garden_has_the_garden_s_rain() {
        let mut gauge = FarGauge::new(0.0, 0, 3);
        for minute in 0..3000 {
            let mm = f64::from(minute % 200) * 0.001;
            assert!((gauge.minute(mm) - mm).abs() < 1e-12);
        }
    }
}

//! How sure a difference is, by drawing from the data again and again.

use rand::seq::index;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::summary::quantile;

/// The part of the draws that lies below a 95 % interval, and above it.
const TAIL: f64 = 0.025;

/// A range in which a figure lies with a stated confidence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    pub low: f64,
    pub high: f64,
}

/// The percentile bootstrap interval of the difference of two means, from `resamples`
/// draws (Efron 1979), without the part `tail` of them on each side. The values must not
/// depend on each other.
pub(super) fn bootstrap(first: &[f64], second: &[f64], resamples: u32, seed: u64, tail: f64) -> Interval {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let draw = |rng: &mut ChaCha8Rng, from: &[f64]| {
        (0..from.len()).map(|_| from[rng.random_range(0..from.len())]).sum::<f64>() / from.len() as f64
    };
    let differences = (0..resamples).map(|_| draw(&mut rng, first) - draw(&mut rng, second)).collect();
    middle(differences, tail)
}

/// The part of the draws to leave out on each side for a 95 % interval of few values:
/// the plain 2.5 % give one that is too narrow, by the divisor n in place of n - 1 and
/// by the normal quantile in place of Student's.
///
/// ```text
/// tail = Phi(-sqrt(n / (n - 1)) t(0.975, degrees of freedom))
/// ```
///
/// Source: Hesterberg (2015), What Teachers Should Know About the Bootstrap, The
/// American Statistician 69:371 (the expanded percentile interval), from memory; for
/// two samples we take n of the smaller. The plain part where `freedom` is no number.
pub(super) fn expanded_tail(n: usize, freedom: f64) -> f64 {
    let Ok(student) = StudentsT::new(0.0, 1.0, freedom) else { return TAIL };
    if n < 2 {
        return TAIL;
    }
    let wide = (n as f64 / (n as f64 - 1.0)).sqrt() * student.inverse_cdf(1.0 - TAIL);
    Normal::standard().cdf(-wide).clamp(0.0, TAIL)
}

/// The interval of the mean of daily differences between two places, by moving blocks
/// (Künsch 1989), without the part `tail` of the draws on each side: a day is like the
/// one before it, so days are drawn in runs of `block`. Days must be consecutive; gaps
/// are to be left out by the caller. `None` where there are fewer than two blocks of days.
pub(super) fn paired_blocks(
    differences: &[f64],
    block: usize,
    resamples: u32,
    seed: u64,
    tail: f64,
) -> Option<Interval> {
    let (days, block) = (differences.len(), block.max(1));
    if days < 2 * block {
        return None;
    }
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let means = (0..resamples)
        .map(|_| {
            let (mut sum, mut drawn) = (0.0, 0);
            while drawn < days {
                let from = rng.random_range(0..=days - block);
                for value in &differences[from..from + block.min(days - drawn)] {
                    sum += value;
                    drawn += 1;
                }
            }
            sum / days as f64
        })
        .collect();
    Some(middle(means, tail))
}

/// Sums of `n` of the values, drawn without putting back, `times` over.
pub(super) fn draws(all: &[f64], n: usize, times: u32, seed: u64) -> impl Iterator<Item = f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..times).map(move |_| index::sample(&mut rng, all.len(), n).iter().map(|i| all[i]).sum())
}

/// What is left of drawn figures without the tails.
fn middle(mut figures: Vec<f64>, tail: f64) -> Interval {
    figures.sort_unstable_by(f64::total_cmp);
    let at = |part| quantile(&figures, part).unwrap_or(f64::NAN);
    Interval { low: at(tail), high: at(1.0 - tail) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::summary::mean;

    /// The drawn interval is as wide as the exact standard error says: plus and
    /// minus 1.96 of it, for means of a dozen values nearly normal.
    #[test]
    fn the_interval_is_as_wide_as_the_exact_error() {
        let first = [31.2, 29.8, 33.1, 30.4, 28.9, 32.0, 30.9, 31.5, 29.0, 30.0, 32.4, 31.1];
        let second = [27.5, 28.8, 26.9, 30.1, 29.0, 27.2, 28.1, 26.4, 28.0, 27.7, 29.3, 26.8];
        let interval = bootstrap(&first, &second, 20_000, 7, TAIL);
        let width = (interval.high - interval.low) / (2.0 * 1.959_964);
        let part = |sample: &[f64]| {
            let centre = mean(sample);
            sample.iter().map(|x| (x - centre).powi(2)).sum::<f64>() / (sample.len() as f64).powi(2)
        };
        let exact = (part(&first) + part(&second)).sqrt();
        assert!((width / exact - 1.0).abs() < 0.03, "{width} beside {exact}");
    }

    /// Values that go in runs are known less well than their count says.
    #[test]
    fn blocks_see_that_days_go_in_runs() {
        const SIGNS: [f64; 20] =
            [1., 1., -1., 1., -1., -1., -1., 1., -1., 1., 1., -1., 1., 1., -1., -1., 1., -1., -1., 1.];
        let runs: Vec<f64> = SIGNS.iter().flat_map(|&sign| [sign; 6]).collect();
        let single = paired_blocks(&runs, 1, 4000, 1, TAIL).unwrap();
        let blocks = paired_blocks(&runs, 6, 4000, 1, TAIL).unwrap();
        assert!(blocks.high - blocks.low > 1.5 * (single.high - single.low), "{blocks:?} {single:?}");
        assert_eq!(paired_blocks(&runs[..10], 6, 100, 1, TAIL), None);
    }
}

//! How far two places differ, with every figure that a class is given of it.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::compare::{MannWhitney, Tails, TooFew, Welch, cliffs_delta, mann_whitney, permutation_p, welch};
use super::resample::{Interval, bootstrap, expanded_tail, paired_blocks};
use super::summary::{mean, median, variance};

/// Fewest values on each side. With fewer even the clearest difference comes about by
/// chance more than once in twenty times: 4 and 4 values can be split in 70 ways.
const LEAST: usize = 4;
/// Fewest pairs, or runs of days, for the same reason: 6 signs can be turned in 64 ways.
const LEAST_PAIRS: usize = 6;
const RESAMPLES: u32 = 10_000;
/// Up to so many signs every way of turning them is tried; beyond it they are drawn.
const EXACT_SIGNS: usize = 14;
const DRAWN_SIGNS: u32 = 20_000;

/// How values of two places belong together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pairing {
    /// They do not: each is an event of its own.
    Apart,
    /// Each of the first is of the same event as the one of the second.
    Events,
    /// Each of the first is of the same day as the one of the second; days go in runs
    /// of so many.
    Days { block: usize },
}

/// How far two places differ. Differences are first less second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effect {
    pub pairing: Pairing,
    pub mean_difference: f64,
    pub median_difference: f64,
    /// 95 % bootstrap interval of the mean difference.
    pub interval: Interval,
    /// From -1 to 1: how often the first is above the second less how often it is
    /// below; of pairs where they are paired.
    pub cliffs_delta: f64,
    /// Mean difference in standard deviations, made for few values; `None` where
    /// nothing varies.
    pub hedges_g: Option<f64>,
    /// How often chance alone would make the means differ by as much.
    pub permutation_p: f64,
    /// The tests of samples that are not paired.
    pub apart: Option<TestsApart>,
}

/// Tests of samples that are not paired.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TestsApart {
    pub welch: Welch,
    pub mann_whitney: MannWhitney,
}

/// Hedges' g: the difference of two means over their pooled standard deviation, less
/// what few values make it too large.
///
/// ```text
/// g = (1 - 3 / (4 (n + m) - 9)) (mean1 - mean2) / s
/// s² = ((n - 1) s1² + (m - 1) s2²) / (n + m - 2)
/// ```
///
/// Source: Hedges (1981), Journal of Educational Statistics 6:107, the approximation of
/// its correction; checked beside the Python package pingouin. Of pairs it is the same
/// figure, which then has the mean of both variances below it. `None` with fewer than
/// two values on a side, or where neither side varies.
pub fn hedges_g(first: &[f64], second: &[f64]) -> Option<f64> {
    let (n, m) = (first.len() as f64, second.len() as f64);
    if first.len() < 2 || second.len() < 2 {
        return None;
    }
    let pooled = ((n - 1.0) * variance(first) + (m - 1.0) * variance(second)) / (n + m - 2.0);
    let corrected = 1.0 - 3.0 / (4.0 * (n + m) - 9.0);
    (pooled > 0.0).then(|| corrected * (mean(first) - mean(second)) / pooled.sqrt())
}

/// The permutation test of paired differences, two-sided: how often turning the signs
/// of whole runs of `block` differences at random makes their mean as far from 0. Every
/// way is tried up to 14 runs; beyond it 20,000 are drawn.
pub fn signs_p(differences: &[f64], block: usize, seed: u64) -> f64 {
    let sums: Vec<f64> = differences.chunks(block.max(1)).map(|run| run.iter().sum()).collect();
    let seen: f64 = sums.iter().sum();
    let tolerance = 1e-9 * sums.iter().map(|sum| sum.abs()).sum::<f64>();
    let mut tails = Tails::new(seen, tolerance);
    if sums.len() <= EXACT_SIGNS {
        let ways = 1_u32 << sums.len();
        for way in 0..ways {
            let turned = sums.iter().enumerate().map(|(i, sum)| if way >> i & 1 == 1 { -sum } else { *sum });
            tails.count(turned.sum());
        }
        return tails.p_of_all(ways.into());
    }
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    for _ in 0..DRAWN_SIGNS {
        tails.count(sums.iter().map(|sum| if rng.random::<bool>() { -sum } else { *sum }).sum());
    }
    tails.p_of_drawn(DRAWN_SIGNS)
}

/// The length of runs in which `count` days are drawn: the whole part of the cube root
/// of their count, at least 2 (Hall, Horowitz and Jing 1995, Biometrika 82:561, from
/// memory: the best length grows with the power 1/3; its factor is not known here).
pub fn block_of(count: usize) -> usize {
    ((count as f64).cbrt() as usize).max(2)
}

/// How far two places differ. Values must not depend on each other beyond what
/// `pairing` says; where they are paired there are as many of the one as of the other,
/// in the order of time, and what is more on one side is left out.
///
/// # Errors
///
/// With fewer than four values on a side; of pairs with fewer than six, of days with
/// fewer than six runs.
pub fn effect(first: &[f64], second: &[f64], pairing: Pairing, seed: u64) -> Result<Effect, TooFew> {
    let too_few = |least| TooFew { first: first.len(), second: second.len(), least };
    let block = match pairing {
        Pairing::Apart if first.len().min(second.len()) < LEAST => return Err(too_few(LEAST)),
        Pairing::Apart => return apart(first, second, seed),
        Pairing::Events => 1,
        Pairing::Days { block } => block.max(1),
    };
    let differences: Vec<f64> = first.iter().zip(second).map(|(a, b)| a - b).collect();
    let runs = differences.len() / block;
    if runs < LEAST_PAIRS {
        return Err(too_few(LEAST_PAIRS * block));
    }
    let tail = expanded_tail(runs, runs as f64 - 1.0);
    let interval = paired_blocks(&differences, block, RESAMPLES, seed, tail)
        .ok_or_else(|| too_few(LEAST_PAIRS * block))?;
    let sign: i32 = differences.iter().map(|&it| i32::from(it > 0.0) - i32::from(it < 0.0)).sum();
    let paired = differences.len();
    Ok(Effect {
        pairing,
        mean_difference: mean(&differences),
        median_difference: median(&differences),
        interval,
        cliffs_delta: f64::from(sign) / paired as f64,
        hedges_g: hedges_g(&first[..paired], &second[..paired]),
        permutation_p: signs_p(&differences, block, seed),
        apart: None,
    })
}

fn apart(first: &[f64], second: &[f64], seed: u64) -> Result<Effect, TooFew> {
    let welch = welch(first, second)?;
    let tail = expanded_tail(first.len().min(second.len()), welch.freedom);
    Ok(Effect {
        pairing: Pairing::Apart,
        mean_difference: mean(first) - mean(second),
        median_difference: median(first) - median(second),
        interval: bootstrap(first, second, RESAMPLES, seed, tail),
        cliffs_delta: cliffs_delta(first, second),
        hedges_g: hedges_g(first, second),
        permutation_p: permutation_p(first, second, seed),
        apart: Some(TestsApart { welch, mann_whitney: mann_whitney(first, second) }),
    })
}

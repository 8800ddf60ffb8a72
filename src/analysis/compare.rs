//! Two samples beside each other: by how much they differ, and how sure that is.
//!
//! Every function takes values that do not depend on each other: one for a day, or
//! better one for an event. Readings an hour apart are nearly the same reading
//! twice; given here they would make every difference look certain.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::resample::Interval;
use super::summary::{mean, variance};

/// Splits that are all tried; beyond it the permutation test draws.
const EXACT_SPLITS: u64 = 200_000;
/// Splits that are drawn where there are more.
const DRAWN_SPLITS: u32 = 20_000;

/// A sample too small to say anything of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("comparing {first} values with {second}: each side needs at least {least}")]
pub struct TooFew {
    pub first: usize,
    pub second: usize,
    pub least: usize,
}

/// Welch's test: means of samples with variances of their own.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Welch {
    pub t: f64,
    /// Degrees of freedom (Welch-Satterthwaite).
    pub freedom: f64,
    /// Two-sided.
    pub p: f64,
    /// 95 % interval of the mean's difference.
    pub interval: Interval,
}

/// The Mann-Whitney test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MannWhitney {
    /// Of the first sample.
    pub u: f64,
    /// Two-sided, by the normal approximation with corrections for ties and
    /// continuity.
    pub p: f64,
}

/// Cliff's delta, -1 to 1: the share of pairs in which the first is greater less
/// the share in which it is smaller (Cliff 1993). Not a number where a side is
/// empty.
pub fn cliffs_delta(first: &[f64], second: &[f64]) -> f64 {
    let sum: i64 =
        first.iter().flat_map(|a| second.iter().map(move |b| i64::from(a > b) - i64::from(a < b))).sum();
    sum as f64 / (first.len() * second.len()) as f64
}

/// Welch's t test (Welch 1947).
///
/// Where neither sample varies, `t` is infinite or not a number, as the means say,
/// and `p` is 0 or 1.
///
/// # Errors
///
/// When a side has fewer than two values.
pub fn welch(first: &[f64], second: &[f64]) -> Result<Welch, TooFew> {
    const LEAST: usize = 2;
    if first.len() < LEAST || second.len() < LEAST {
        return Err(TooFew { first: first.len(), second: second.len(), least: LEAST });
    }
    let (n, m) = (first.len() as f64, second.len() as f64);
    let (a, b) = (variance(first) / n, variance(second) / m);
    let difference = mean(first) - mean(second);
    let error = (a + b).sqrt();
    let freedom = (a + b).powi(2) / (a * a / (n - 1.0) + b * b / (m - 1.0));
    let t = difference / error;
    let Ok(distribution) = StudentsT::new(0.0, 1.0, freedom) else {
        let p = if difference.abs() > 0.0 { 0.0 } else { 1.0 };
        return Ok(Welch { t, freedom, p, interval: Interval { low: difference, high: difference } });
    };
    let reach = distribution.inverse_cdf(0.975) * error;
    Ok(Welch {
        t,
        freedom,
        p: (2.0 * distribution.sf(t.abs())).min(1.0),
        interval: Interval { low: difference - reach, high: difference + reach },
    })
}

/// The Mann-Whitney test (Mann and Whitney 1947).
pub fn mann_whitney(first: &[f64], second: &[f64]) -> MannWhitney {
    let (n, m) = (first.len() as f64, second.len() as f64);
    // Adding 0 makes -0 the 0 that it ties with.
    let mut all: Vec<f64> = first.iter().chain(second).map(|x| x + 0.0).collect();
    all.sort_unstable_by(f64::total_cmp);
    let u = (n * m).mul_add(0.5, 0.5 * cliffs_delta(first, second) * n * m);
    // Ties make the ranks vary less.
    let ties: f64 = all
        .chunk_by(|a, b| a.total_cmp(b).is_eq())
        .map(|same| (same.len() as f64).powi(3) - same.len() as f64)
        .sum();
    let total = n + m;
    let variance = n * m / 12.0 * ((total + 1.0) - ties / (total * (total - 1.0)));
    let greater = u.max(n * m - u);
    let z = (greater - n * m / 2.0 - 0.5) / variance.sqrt();
    let p = if variance > 0.0 { (2.0 * Normal::standard().sf(z)).min(1.0) } else { 1.0 };
    MannWhitney { u, p }
}

/// Counts how many of the figures that chance makes are as far from the middle as the one
/// that was seen, on either side. Equal but for rounding counts as equal.
#[derive(Clone, Copy, Debug)]
pub(super) struct Tails {
    seen: f64,
    tolerance: f64,
    above: u64,
    below: u64,
}

impl Tails {
    pub(super) fn new(seen: f64, tolerance: f64) -> Self {
        Self { seen, tolerance, above: 0, below: 0 }
    }

    pub(super) fn count(&mut self, figure: f64) {
        self.above += u64::from(figure >= self.seen - self.tolerance);
        self.below += u64::from(figure <= self.seen + self.tolerance);
    }

    /// The two-sided p where every one of `ways` was counted: twice the rarer side, as
    /// scipy counts it.
    pub(super) fn p_of_all(self, ways: u64) -> f64 {
        (2.0 * self.above.min(self.below) as f64 / ways as f64).min(1.0)
    }

    /// The same where `drawn` of them were, with the one that happened counted among them
    /// (Phipson and Smyth 2010).
    pub(super) fn p_of_drawn(self, drawn: u32) -> f64 {
        (2.0 * (self.above.min(self.below) as f64 + 1.0) / (f64::from(drawn) + 1.0)).min(1.0)
    }
}

/// The permutation test of the means' difference, two-sided. Every split of the values
/// into two samples is tried where there are at most 200,000, else 20,000 are drawn.
pub fn permutation_p(first: &[f64], second: &[f64], seed: u64) -> f64 {
    let all: Vec<f64> = first.iter().chain(second).copied().collect();
    let (n, total) = (first.len(), all.len());
    if n == 0 || n == total {
        return 1.0;
    }
    let sum: f64 = all.iter().sum();
    let seen = mean(first) - mean(second);
    let mut tails = Tails::new(seen, 1e-9 * seen.abs());
    let difference = |part: f64| part / n as f64 - (sum - part) / (total - n) as f64;
    if splits(total as u64, n as u64).is_some_and(|count| count <= EXACT_SPLITS) {
        let mut count = 0_u64;
        let mut chosen: Vec<usize> = (0..n).collect();
        loop {
            count += 1;
            tails.count(difference(chosen.iter().map(|&i| all[i]).sum()));
            // The next choice in the order of a dictionary.
            let Some(place) = (0..n).rev().find(|&i| chosen[i] < total - n + i) else { break };
            chosen[place] += 1;
            for later in place + 1..n {
                chosen[later] = chosen[later - 1] + 1;
            }
        }
        return tails.p_of_all(count);
    }
    super::resample::draws(&all, n, DRAWN_SPLITS, seed).for_each(|part| tails.count(difference(part)));
    tails.p_of_drawn(DRAWN_SPLITS)
}

/// How many ways there are to choose `n` of `total`; `None` where it is too many to
/// count.
fn splits(total: u64, n: u64) -> Option<u64> {
    (0..n.min(total - n)).try_fold(1_u64, |ways, i| ways.checked_mul(total - i).map(|w| w / (i + 1)))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Swapping the samples turns every difference round.
        #[test]
        fn swapped_samples_differ_the_other_way(
            a in proptest::collection::vec(-50.0..50.0_f64, 3..8),
            b in proptest::collection::vec(-50.0..50.0_f64, 3..8),
        ) {
            let (there, back) = (welch(&a, &b).unwrap(), welch(&b, &a).unwrap());
            prop_assert!((there.p - back.p).abs() < 1e-9);
            prop_assert!((there.interval.low + back.interval.high).abs() < 1e-9);
            prop_assert!(there.interval.low <= mean(&a) - mean(&b));
            prop_assert!((cliffs_delta(&a, &b) + cliffs_delta(&b, &a)).abs() < 1e-12);
            prop_assert!((mann_whitney(&a, &b).p - mann_whitney(&b, &a).p).abs() < 1e-12);
            let permuted = permutation_p(&a, &b, 1);
            prop_assert!((permuted - permutation_p(&b, &a, 1)).abs() < 1e-12);
            prop_assert!((0.0..=1.0).contains(&permuted));
        }
    }

    #[test]
    fn samples_that_do_not_vary_are_told_apart_or_not() {
        let same = welch(&[2.0, 2.0], &[2.0, 2.0]).unwrap();
        assert!((same.p - 1.0).abs() < 1e-12);
        let apart = welch(&[2.0, 2.0], &[3.0, 3.0]).unwrap();
        assert!(apart.p.abs() < 1e-12);
        assert_eq!(welch(&[1.0], &[1.0, 2.0, 3.0]), Err(TooFew { first: 1, second: 3, least: 2 }));
    }
}

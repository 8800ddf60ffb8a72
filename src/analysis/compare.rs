//! Two samples beside each other: by how much they differ, and how sure that is.
//!
//! Every function takes values that do not depend on each other: one for a day, or
//! better one for an event. Readings an hour apart are nearly the same reading
//! twice; given here they would make every difference look certain.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::resample::{Interval, bootstrap};
use super::summary::{mean, quantile, variance};

/// Splits that are all tried; beyond it the permutation test draws.
const EXACT_SPLITS: u64 = 200_000;
/// Splits that are drawn where there are more.
const DRAWN_SPLITS: u32 = 20_000;
/// Resamples of the bootstrap.
const RESAMPLES: u32 = 10_000;

/// A sample too small to say anything of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("comparing {first} values with {second}: each side needs at least {least}")]
pub struct TooFew {
    pub first: usize,
    pub second: usize,
    pub least: usize,
}

/// How a first sample differs from a second. Differences are first minus second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Comparison {
    pub mean_difference: f64,
    pub median_difference: f64,
    /// Bootstrap interval of the mean's difference, 95 %.
    pub interval: Interval,
    /// From -1 to 1: how often a value of the first is above one of the second,
    /// less how often it is below.
    pub cliffs_delta: f64,
    pub welch: Welch,
    pub mann_whitney: MannWhitney,
    /// How often chance alone would make the means differ by as much.
    pub permutation_p: f64,
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
    /// One-sided, that the first is the greater, by counting every order; `None`
    /// with ties or more than 60 values in all.
    pub p_greater_exact: Option<f64>,
}

/// Compares two samples in every way that this module knows.
///
/// # Errors
///
/// When a side has fewer than three values.
pub fn compare(first: &[f64], second: &[f64], seed: u64) -> Result<Comparison, TooFew> {
    const LEAST: usize = 3;
    if first.len() < LEAST || second.len() < LEAST {
        return Err(TooFew { first: first.len(), second: second.len(), least: LEAST });
    }
    Ok(Comparison {
        mean_difference: mean(first) - mean(second),
        median_difference: median(first) - median(second),
        interval: bootstrap(first, second, RESAMPLES, seed),
        cliffs_delta: cliffs_delta(first, second),
        welch: welch(first, second)?,
        mann_whitney: mann_whitney(first, second),
        permutation_p: permutation_p(first, second, seed),
    })
}

fn median(numbers: &[f64]) -> f64 {
    let mut sorted = numbers.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    quantile(&sorted, 0.5).unwrap_or(f64::NAN)
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
    let exact = ties < 0.5 && all.len() <= 60;
    MannWhitney { u, p, p_greater_exact: exact.then(|| at_least(first.len(), second.len(), u)) }
}

/// How often, of all orders of two samples without ties, U is at least `u`.
fn at_least(n: usize, m: usize, u: f64) -> f64 {
    // ways[k][s]: choices of k of the ranks seen so far whose U is s.
    let most = n * m;
    let mut ways = vec![vec![0.0_f64; most + 1]; n + 1];
    ways[0][0] = 1.0;
    for rank in 0..n + m {
        // The rank goes to the first sample as its k-th: it lies above rank - (k - 1)
        // values of the second.
        for k in (1..=n.min(rank + 1)).rev() {
            let above = rank + 1 - k;
            if above > m {
                continue;
            }
            for s in (above..=most).rev() {
                let before = ways[k - 1][s - above];
                ways[k][s] += before;
            }
        }
    }
    let all: f64 = ways[n].iter().sum();
    ways[n].iter().enumerate().filter(|(s, _)| *s as f64 >= u - 0.25).map(|(_, w)| w).sum::<f64>() / all
}

/// The permutation test of the means' difference, two-sided: twice the rarer side,
/// as scipy counts it. Every split of the values into two samples is tried where
/// there are at most 200,000, else 20,000 are drawn (then with the one that happened
/// counted among them, Phipson and Smyth 2010).
pub fn permutation_p(first: &[f64], second: &[f64], seed: u64) -> f64 {
    let all: Vec<f64> = first.iter().chain(second).copied().collect();
    let (n, total) = (first.len(), all.len());
    if n == 0 || n == total {
        return 1.0;
    }
    let sum: f64 = all.iter().sum();
    let seen = mean(first) - mean(second);
    // Equal but for rounding counts as equal.
    let tolerance = 1e-9 * seen.abs();
    let (mut above, mut below) = (0_u64, 0_u64);
    let mut see = |part: f64| {
        let difference = part / n as f64 - (sum - part) / (total - n) as f64;
        above += u64::from(difference >= seen - tolerance);
        below += u64::from(difference <= seen + tolerance);
    };
    if splits(total as u64, n as u64).is_some_and(|count| count <= EXACT_SPLITS) {
        let mut count = 0_u64;
        let mut chosen: Vec<usize> = (0..n).collect();
        loop {
            count += 1;
            see(chosen.iter().map(|&i| all[i]).sum());
            // The next choice in the order of a dictionary.
            let Some(place) = (0..n).rev().find(|&i| chosen[i] < total - n + i) else { break };
            chosen[place] += 1;
            for later in place + 1..n {
                chosen[later] = chosen[later - 1] + 1;
            }
        }
        return (2.0 * above.min(below) as f64 / count as f64).min(1.0);
    }
    super::resample::draws(&all, n, DRAWN_SPLITS, seed).for_each(&mut see);
    (2.0 * (above.min(below) as f64 + 1.0) / (f64::from(DRAWN_SPLITS) + 1.0)).min(1.0)
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
            let (there, back) = (compare(&a, &b, 1).unwrap(), compare(&b, &a, 1).unwrap());
            prop_assert!((there.mean_difference + back.mean_difference).abs() < 1e-9);
            prop_assert!((there.cliffs_delta + back.cliffs_delta).abs() < 1e-12);
            prop_assert!((there.welch.p - back.welch.p).abs() < 1e-9);
            prop_assert!((there.permutation_p - back.permutation_p).abs() < 1e-12);
            prop_assert!((there.mann_whitney.p - back.mann_whitney.p).abs() < 1e-12);
            prop_assert!(there.welch.interval.low <= there.mean_difference);
            prop_assert!(there.interval.low <= there.interval.high);
            prop_assert!((0.0..=1.0).contains(&there.permutation_p));
        }
    }

    #[test]
    fn samples_that_do_not_vary_are_told_apart_or_not() {
        let same = welch(&[2.0, 2.0], &[2.0, 2.0]).unwrap();
        assert!((same.p - 1.0).abs() < 1e-12);
        let apart = welch(&[2.0, 2.0], &[3.0, 3.0]).unwrap();
        assert!(apart.p.abs() < 1e-12);
        assert_eq!(compare(&[1.0], &[1.0, 2.0, 3.0], 1), Err(TooFew { first: 1, second: 3, least: 3 }));
    }
}

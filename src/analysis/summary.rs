//! Numbers in short.

/// What a handful of numbers comes to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    pub count: usize,
    pub mean: f64,
    /// Standard deviation of the sample (divisor n - 1); `None` for one number.
    pub deviation: Option<f64>,
    pub min: f64,
    pub lower_quartile: f64,
    pub median: f64,
    pub upper_quartile: f64,
    pub max: f64,
}

impl Summary {
    /// The summary of numbers in any order; `None` where there are none. What is
    /// not finite is left out.
    pub fn of(numbers: &[f64]) -> Option<Self> {
        let mut sorted: Vec<f64> = numbers.iter().copied().filter(|x| x.is_finite()).collect();
        sorted.sort_unstable_by(f64::total_cmp);
        let (&min, &max) = (sorted.first()?, sorted.last()?);
        Some(Self {
            count: sorted.len(),
            mean: mean(&sorted),
            deviation: (sorted.len() > 1).then(|| variance(&sorted).sqrt()),
            min,
            lower_quartile: quantile(&sorted, 0.25)?,
            median: quantile(&sorted, 0.5)?,
            upper_quartile: quantile(&sorted, 0.75)?,
            max,
        })
    }
}

/// The quantile of sorted numbers, `part` from 0 to 1, by straight lines between
/// neighbours (type 7 of Hyndman and Fan 1996, the usual one of numpy). `None`
/// where there are none.
pub fn quantile(sorted: &[f64], part: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let place = part.clamp(0.0, 1.0) * last as f64;
    let below = (place.floor() as usize).min(last);
    let above = (below + 1).min(last);
    let share = place - below as f64;
    Some(sorted[below] + share * (sorted[above] - sorted[below]))
}

/// The median of numbers in any order; not a number where there are none.
pub(super) fn median(numbers: &[f64]) -> f64 {
    let mut sorted = numbers.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    quantile(&sorted, 0.5).unwrap_or(f64::NAN)
}

/// The mean; not a number where there are none.
pub(super) fn mean(numbers: &[f64]) -> f64 {
    numbers.iter().sum::<f64>() / numbers.len() as f64
}

/// The sample's variance, divisor n - 1; not a number for fewer than two.
pub(super) fn variance(numbers: &[f64]) -> f64 {
    let mean = mean(numbers);
    numbers.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (numbers.len() as f64 - 1.0)
}

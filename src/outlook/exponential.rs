//! The exponential drydown and its fit.
//!
//! ```text
//! theta(t) = (theta0 - theta_w) exp(-t/tau) + theta_w
//! half-life = tau ln 2
//! ```
//!
//! theta0 is the water content at the beginning, theta_w the one that drying
//! ends at, both m³/m³; t and tau are in days.
//!
//! Source: McColl and others (2017), Geophysical Research Letters 44:3682;
//! Shellito and others (2016), Geophysical Research Letters 43:8068.
//!
//! # How it is fitted
//!
//! For a given tau the other two follow by straight lines (variable
//! projection), so that only tau is searched for, on its logarithm. Values
//! beyond [`HUBER`] robust standard deviations are weighed down (Huber); clean
//! data stay plain least squares.
//!
//! # Where it stops holding
//!
//! The form has one stage of drying. Just after a soaking, while water still
//! drains, and while plants take all they want (the rate is then even), it does
//! not hold: the fit then says that the fall is not bent, and gives no numbers.

/// A fitted drydown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exponential {
    /// Water content at the first time, m³/m³.
    pub theta0: f64,
    /// Water content that it dries towards, m³/m³.
    pub theta_w: f64,
    /// Time constant, days.
    pub tau_d: f64,
    /// Standard error of `tau_d` by the linearised fit, days; `None` with fewer
    /// than four values, or where the bound of `theta_w` was reached.
    pub tau_error_d: Option<f64>,
    /// Root of the mean square residual, m³/m³.
    pub rms: f64,
}

impl Exponential {
    /// Days in which half of the way to `theta_w` is gone.
    pub fn half_life_d(&self) -> f64 {
        half_life_d(self.tau_d)
    }
}

/// The equation at the head of this module; m³/m³ and days. `above_end`: theta0 - theta_w,
/// the water that drying takes in the end.
pub fn water_content(above_end: f64, theta_w: f64, tau_d: f64, days: f64) -> f64 {
    above_end * (-days / tau_d).exp() + theta_w
}

/// Half-life of a time constant, both in days.
pub fn half_life_d(tau_d: f64) -> f64 {
    tau_d * std::f64::consts::LN_2
}

/// What a fit may give.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// Days, lowest and highest. About 2 to 20 is usual for the top 5 cm (from
    /// memory); deeper soil is slower.
    pub tau_d: (f64, f64),
    /// Lowest `theta_w`, m³/m³. The highest is the lowest value given.
    pub theta_w_min: f64,
}

impl Default for Bounds {
    fn default() -> Self {
        Self { tau_d: (0.25, 60.0), theta_w_min: 0.0 }
    }
}

/// Why a drydown could not be fitted.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error, serde::Serialize, serde::Deserialize)]
pub enum Unfit {
    #[error("fitting a drydown to {given} values: at least {LEAST} are needed")]
    TooFew { given: usize },
    #[error("fitting a drydown of {days:.1} days: at least {LEAST_DAYS} are needed")]
    TooShort { days: f64 },
    #[error("fitting a drydown that fell by {drop:.4} m3/m3: at least {least:.4} are needed")]
    TooLittleDrop { drop: f64, least: f64 },
    #[error(
        "fitting a drydown: the fall is not bent, so its time constant is out of range ({low} to {high} days)"
    )]
    OutOfRange { low: f64, high: f64 },
    #[error("fitting a drydown: a value is not a number or out of order")]
    NotNumbers,
}

/// Fewest values: three are fitted, and one must be left to judge by.
pub const LEAST: usize = 4;
/// Shortest drydown, days.
pub const LEAST_DAYS: f64 = 1.0;
/// Least fall, m³/m³: several times the noise of a usual probe.
const LEAST_DROP: f64 = 0.004;
/// Robust standard deviations beyond which a value is weighed down.
pub const HUBER: f64 = 3.0;

/// Fits a drydown to (days, water content in m³/m³), in order of time.
///
/// # Errors
///
/// Too few values, too short, too little fall, or a fall that is not bent
/// within `bounds`: then there are no numbers to give.
pub fn fit(points: &[(f64, f64)], bounds: Bounds) -> Result<Exponential, Unfit> {
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return Err(Unfit::TooFew { given: 0 });
    };
    if points.len() < LEAST {
        return Err(Unfit::TooFew { given: points.len() });
    }
    let ordered = points.windows(2).all(|pair| pair[0].0 < pair[1].0);
    if !ordered || points.iter().any(|p| !p.0.is_finite() || !p.1.is_finite()) {
        return Err(Unfit::NotNumbers);
    }
    let span_d = last.0 - first.0;
    if span_d < LEAST_DAYS {
        return Err(Unfit::TooShort { days: span_d });
    }
    let drop = end_mean(points, false) - end_mean(points, true);
    if drop < LEAST_DROP {
        return Err(Unfit::TooLittleDrop { drop, least: LEAST_DROP });
    }
    let shifted: Vec<(f64, f64)> = points.iter().map(|&(t, v)| (t - first.0, v)).collect();
    let lowest = points.iter().fold(f64::INFINITY, |low, p| low.min(p.1));
    let end = (bounds.theta_w_min.min(lowest), lowest);
    let mut weights = vec![1.0; points.len()];
    let mut found = search(&shifted, &weights, bounds.tau_d, end);
    for _ in 0..4 {
        if !reweigh(&shifted, &found, &mut weights) {
            break;
        }
        found = search(&shifted, &weights, bounds.tau_d, end);
    }
    let (low, high) = bounds.tau_d;
    if found.amplitude <= 0.0 || found.tau_d <= low * 1.001 || found.tau_d >= high * 0.999 {
        return Err(Unfit::OutOfRange { low, high });
    }
    let squares: f64 = shifted.iter().map(|&(t, v)| (v - found.value(t)).powi(2)).sum();
    Ok(Exponential {
        theta0: found.amplitude + found.theta_w,
        theta_w: found.theta_w,
        tau_d: found.tau_d,
        tau_error_d: found.free.then(|| error_of_tau(&shifted, &weights, &found)).flatten(),
        rms: (squares / points.len() as f64).sqrt(),
    })
}

/// Mean of the first or last tenth of the values.
fn end_mean(points: &[(f64, f64)], last: bool) -> f64 {
    let count = (points.len() / 10).max(1);
    let part = if last { &points[points.len() - count..] } else { &points[..count] };
    part.iter().map(|p| p.1).sum::<f64>() / count as f64
}

/// A curve on its way to being the fit.
#[derive(Clone, Copy, Debug)]
struct FittedCurve {
    amplitude: f64,
    theta_w: f64,
    tau_d: f64,
    /// Weighted sum of squares.
    cost: f64,
    /// Whether `theta_w` lies within its bounds by itself.
    free: bool,
}

impl FittedCurve {
    fn value(&self, days: f64) -> f64 {
        water_content(self.amplitude, self.theta_w, self.tau_d, days)
    }
}

/// The best curve with this time constant.
fn project(points: &[(f64, f64)], weights: &[f64], tau_d: f64, end: (f64, f64)) -> FittedCurve {
    let (mut w, mut e, mut ee, mut v, mut ev) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (&(t, value), &weight) in points.iter().zip(weights) {
        let x = (-t / tau_d).exp();
        w += weight;
        e += weight * x;
        ee += weight * x * x;
        v += weight * value;
        ev += weight * x * value;
    }
    let det = w * ee - e * e;
    let (amplitude, theta_w, free) = if det > 0.0 {
        let theta_w = (ee * v - e * ev) / det;
        let held = theta_w.clamp(end.0, end.1);
        ((ev - held * e) / ee, held, (theta_w - held).abs() <= 0.0)
    } else {
        (0.0, v / w, false)
    };
    let mut curve = FittedCurve { amplitude, theta_w, tau_d, cost: 0.0, free };
    curve.cost = points.iter().zip(weights).map(|(&(t, v), &w)| w * (v - curve.value(t)).powi(2)).sum();
    curve
}

/// The best curve of all: a grid on ln tau, then golden section around its best.
fn search(points: &[(f64, f64)], weights: &[f64], tau_d: (f64, f64), end: (f64, f64)) -> FittedCurve {
    const GRID: usize = 16;
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let (low, high) = (tau_d.0.ln(), tau_d.1.ln());
    let step = (high - low) / (GRID - 1) as f64;
    let curve = |ln_tau: f64| project(points, weights, ln_tau.exp(), end);
    let best = (0..GRID)
        .map(|i| low + step * i as f64)
        .min_by(|a, b| curve(*a).cost.total_cmp(&curve(*b).cost))
        .unwrap_or(low);
    let (mut a, mut b) = ((best - step).max(low), (best + step).min(high));
    let mut inner = (b - GOLDEN * (b - a), a + GOLDEN * (b - a));
    let mut costs = (curve(inner.0).cost, curve(inner.1).cost);
    // Forty halvings by 0.618 leave 4e-9 of the bracket.
    for _ in 0..40 {
        if costs.0 < costs.1 {
            b = inner.1;
            inner = (b - GOLDEN * (b - a), inner.0);
            costs = (curve(inner.0).cost, costs.0);
        } else {
            a = inner.0;
            inner = (inner.1, a + GOLDEN * (b - a));
            costs = (costs.1, curve(inner.1).cost);
        }
    }
    curve(f64::midpoint(a, b))
}

/// Sets Huber's weights by the curve's residuals; whether any value is weighed down.
fn reweigh(points: &[(f64, f64)], curve: &FittedCurve, weights: &mut [f64]) -> bool {
    let mut sizes: Vec<f64> = points.iter().map(|&(t, v)| (v - curve.value(t)).abs()).collect();
    let residuals = sizes.clone();
    let middle = sizes.len() / 2;
    let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
    // 1.4826 makes the median of normal noise's sizes its standard deviation.
    // Exact data have no spread to weigh by.
    let limit = HUBER * (1.4826 * *median).max(1e-6);
    let mut any = false;
    for (weight, size) in weights.iter_mut().zip(residuals) {
        *weight = if size > limit { limit / size } else { 1.0 };
        any |= size > limit;
    }
    any
}

/// Standard error of tau by the linearised fit at its best.
fn error_of_tau(points: &[(f64, f64)], weights: &[f64], curve: &FittedCurve) -> Option<f64> {
    let free = points.len().checked_sub(3).filter(|n| *n > 0)?;
    // Normal matrix of d(value)/d(amplitude, theta_w, tau).
    let mut m = [[0.0; 3]; 3];
    for (&(t, _), &weight) in points.iter().zip(weights) {
        let e = (-t / curve.tau_d).exp();
        let row = [e, 1.0, curve.amplitude * e * t / curve.tau_d.powi(2)];
        for (i, line) in m.iter_mut().enumerate() {
            for (j, cell) in line.iter_mut().enumerate() {
                *cell += weight * row[i] * row[j];
            }
        }
    }
    let minor = m[0][0] * m[1][1] - m[0][1] * m[1][0];
    let det = m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1])
        - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
        + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]);
    let variance = curve.cost / free as f64 * minor / det;
    (variance.is_finite() && variance >= 0.0).then(|| variance.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hourly(days: usize, content: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        (0..=24 * days).map(|h| h as f64 / 24.0).map(|t| (t, content(t))).collect()
    }

    /// A fixed pattern within ±1, with no period of a day.
    fn noise(t: f64) -> f64 {
        let h = (t * 24.0).round() as i64;
        (h * 7919 % 101) as f64 / 50.5 - 1.0
    }

    #[test]
    fn outliers_hardly_move_the_fit() {
        let points = hourly(8, |t| {
            let fault = if (t - 3.0).abs() < 0.06 { 0.08 } else { 0.0 };
            water_content(0.20, 0.10, 3.0, t) + 0.0005 * noise(t) + fault
        });
        let found = fit(&points, Bounds::default()).expect("a drydown");
        assert!((found.tau_d - 3.0).abs() < 0.05, "{found:?}");
        assert!((found.theta_w - 0.10).abs() < 0.003, "{found:?}");
    }

    #[test]
    fn what_is_no_drydown_gives_no_numbers() {
        let fit = |points: &[(f64, f64)]| fit(points, Bounds::default());
        assert_eq!(fit(&[]), Err(Unfit::TooFew { given: 0 }));
        assert_eq!(fit(&[(0.0, 0.3), (1.0, 0.2), (2.0, 0.15)]), Err(Unfit::TooFew { given: 3 }));
        let short = hourly(2, |t| 0.3 - 0.1 * t)[..20].to_vec();
        assert!(matches!(fit(&short), Err(Unfit::TooShort { .. })));
        let flat = hourly(5, |t| 0.3 - 0.0005 * t + 0.0005 * noise(t));
        assert!(matches!(fit(&flat), Err(Unfit::TooLittleDrop { .. })));
        let rising = hourly(5, |t| 0.1 + 0.01 * t);
        assert!(matches!(fit(&rising), Err(Unfit::TooLittleDrop { .. })));
        // As straight as a plant takes all that it wants.
        let straight = hourly(5, |t| 0.3 - 0.02 * t);
        let deep = Bounds { theta_w_min: -10.0, ..Bounds::default() };
        assert!(matches!(super::fit(&straight, deep), Err(Unfit::OutOfRange { .. })));
        // Where drying has to end above 0 there is a best curve, of which little is known.
        assert!(fit(&straight).is_ok_and(|found| found.tau_error_d.is_none()));
        let not_a_number = hourly(5, |t| if t > 2.0 { f64::NAN } else { 0.3 - 0.02 * t });
        assert_eq!(fit(&not_a_number), Err(Unfit::NotNumbers));
    }

    #[test]
    fn the_end_of_drying_stays_within_its_bounds() {
        // Half of a slow fall: by itself it would end far below dry soil.
        let points = hourly(3, |t| water_content(0.28, 0.02, 12.0, t) + 0.0008 * noise(t));
        let bounds = Bounds { theta_w_min: 0.10, ..Bounds::default() };
        if let Ok(found) = fit(&points, bounds) {
            assert!(found.theta_w >= 0.10 - 1e-12, "{found:?}");
        }
        let found = fit(&points, Bounds::default()).expect("bent enough");
        assert!(found.theta_w >= 0.0);
    }
}

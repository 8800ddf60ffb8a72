//! From a true value back to the raw number that a sensor would send.

/// A calibration turned round.
#[derive(Clone, Debug, PartialEq)]
pub enum Inverse {
    /// The raw number is the value, sent with two decimals.
    Identity,
    /// Whole counts between `[raw, value]` points, sorted by value.
    Points(Vec<[f64; 2]>),
    /// Whole counts; value = c0 + c1 raw + c2 raw² ..., rising or falling
    /// through the whole range of raw counts.
    Polynomial { coefficients: Vec<f64>, range: [f64; 2] },
    /// Apparent permittivity with two decimals, Topp et al. 1980, eq. 7
    /// (Water Resources Research 16:574-582).
    Topp,
    /// Tips of a rain gauge's bucket.
    Tips {
        /// Millimetres of rain in one tip, above 0.
        mm_per_tip: f64,
        /// The sensor sends a running count, not the tips since its last message.
        running: bool,
        /// The running count starts again at 0 here.
        wraps_at: Option<f64>,
    },
}

/// Largest raw count, where a calibration gives no range of its own.
pub(super) const COUNT_MAX: f64 = 65_535.0;

impl Inverse {
    /// Points of a piecewise line; `None` when there are fewer than two or they
    /// are not strictly monotone.
    pub(super) fn points(mut points: Vec<[f64; 2]>) -> Option<Self> {
        points.sort_by(|a, b| a[1].total_cmp(&b[1]));
        let rising = points.windows(2).all(|w| w[0][1] < w[1][1] && w[0][0] < w[1][0]);
        let falling = points.windows(2).all(|w| w[0][1] < w[1][1] && w[0][0] > w[1][0]);
        let finite = points.iter().flatten().all(|x| x.is_finite());
        (points.len() >= 2 && finite && (rising || falling)).then_some(Self::Points(points))
    }

    /// Coefficients from the constant upwards; `None` when the curve turns within
    /// the range of raw counts and so cannot be turned round.
    pub(super) fn polynomial(coefficients: Vec<f64>, range: [f64; 2]) -> Option<Self> {
        let slope: Vec<f64> =
            coefficients.iter().enumerate().skip(1).map(|(power, c)| power as f64 * c).collect();
        let slopes: Vec<f64> = (0..=512)
            .map(|i| evaluate(&slope, range[0] + (range[1] - range[0]) * f64::from(i) / 512.0))
            .collect();
        let steady = slopes.iter().all(|s| *s > 0.0) || slopes.iter().all(|s| *s < 0.0);
        (steady && range[0] < range[1]).then_some(Self::Polynomial { coefficients, range })
    }

    /// The raw number for `value`, rounded as the sensor rounds it. Tips are
    /// counted elsewhere: here they give the value back.
    pub fn raw(&self, value: f64) -> f64 {
        match self {
            Self::Identity | Self::Tips { .. } => round(value, 100.0),
            Self::Points(points) => {
                // The last piece whose lower end is at or below the value; the
                // end pieces carry on beyond the ends.
                let upper = points[1..points.len() - 1].iter().take_while(|p| p[1] <= value).count() + 1;
                let [raw_a, value_a] = points[upper - 1];
                let [raw_b, value_b] = points[upper];
                round(raw_a + (value - value_a) * (raw_b - raw_a) / (value_b - value_a), 1.0)
            }
            Self::Polynomial { coefficients, range: [low, high] } => {
                round(bisect(*low, *high, |raw| evaluate(coefficients, raw), value), 1.0)
            }
            Self::Topp => round(bisect(1.0, 60.0, topp, value), 100.0),
        }
    }
}

impl Inverse {
    /// The raw number of a sensor whose own numbers go in steps of `step`, in the
    /// value's unit. Without a calibration that is the number itself.
    pub fn raw_in_steps(&self, value: f64, step: f64) -> f64 {
        let steps = (value / step).round();
        match self {
            // Six more digits are the sensor's own; the rest is the arithmetic's.
            Self::Identity => round(steps * step, 1e6),
            calibrated => calibrated.raw(steps * step),
        }
    }
}

/// Volumetric water content of an apparent permittivity.
fn topp(permittivity: f64) -> f64 {
    evaluate(&[-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6], permittivity)
}

fn evaluate(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// Where the monotone `curve` takes `value`; the nearer end when it never does.
fn bisect(mut low: f64, mut high: f64, curve: impl Fn(f64) -> f64, value: f64) -> f64 {
    let rises = curve(high) > curve(low);
    for _ in 0..40 {
        let middle = f64::midpoint(low, high);
        if (curve(middle) < value) == rises {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// `x` to the nearest of `parts` parts of one, never a negative zero.
fn round(x: f64, parts: f64) -> f64 {
    (x * parts).round() / parts + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: eq. 7 of Topp et al. 1980; theta at a permittivity of 20 computed
    /// by hand: -0.053 + 0.584 - 0.22 + 0.0344 = 0.3454.
    #[test]
    fn permittivity_of_a_water_content() {
        assert!((Inverse::Topp.raw(0.3454) - 20.0).abs() < 0.011);
    }

    #[test]
    fn counts_fall_as_soil_gets_wetter() {
        let inverse = Inverse::points(vec![[2900.0, 0.02], [1450.0, 0.40]]).unwrap();
        assert!((inverse.raw(0.02) - 2900.0).abs() < 1e-9);
        assert!((inverse.raw(0.40) - 1450.0).abs() < 1e-9);
        assert!((inverse.raw(0.21) - 2175.0).abs() < 1e-9);
        assert!(inverse.raw(0.41) < 1450.0);
    }

    #[test]
    fn a_coarse_sensor_s_numbers_go_in_its_steps() {
        for (value, step, expected) in [(0.23449, 0.001, 0.234), (7.26, 0.1, 7.3), (-0.04, 0.1, 0.0)] {
            let got = Inverse::Identity.raw_in_steps(value, step);
            assert!((got - expected).abs() < 1e-12, "{value}: {got}");
        }
        let inverse = Inverse::points(vec![[0.0, 0.0], [1000.0, 1.0]]).unwrap();
        assert!((inverse.raw_in_steps(0.2262, 0.01) - 230.0).abs() < 1e-9);
    }

    #[test]
    fn three_points_use_the_right_piece() {
        let inverse = Inverse::points(vec![[0.0, 0.0], [100.0, 1.0], [300.0, 2.0]]).unwrap();
        assert!((inverse.raw(0.5) - 50.0).abs() < 1e-9);
        assert!((inverse.raw(1.5) - 200.0).abs() < 1e-9);
        assert!((inverse.raw(2.5) - 400.0).abs() < 1e-9);
    }

    /// 0.5 + 0.01 raw - 0.00001 raw² gives 2.1 at 200, by hand.
    #[test]
    fn a_curve_is_turned_round_within_its_range() {
        let inverse = Inverse::polynomial(vec![0.5, 0.01, -0.00001], [0.0, 499.0]).unwrap();
        assert!((inverse.raw(2.1) - 200.0).abs() < 1e-9);
    }

    #[test]
    fn crooked_points_are_refused() {
        assert!(Inverse::points(vec![[1.0, 0.0]]).is_none());
        assert!(Inverse::points(vec![[1.0, 0.0], [2.0, 1.0], [1.5, 2.0]]).is_none());
        assert!(Inverse::polynomial(vec![0.0, 1.0, -0.1], [0.0, COUNT_MAX]).is_none());
        assert!(Inverse::polynomial(vec![0.5], [0.0, 10.0]).is_none());
    }
}

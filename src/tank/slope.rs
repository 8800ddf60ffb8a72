//! The present rate of change, and when a limit would be reached at that rate.

use jiff::{SignedDuration, Timestamp};

use crate::why::{Check, Equation};

/// Points that are compared with each other; more are thinned evenly.
const POINTS_MAX: usize = 60;
/// With fewer points a slope says nothing.
const POINTS_MIN: usize = 4;
/// Hours, as seconds.
const HOUR_S: f64 = 3600.0;

/// When a limit is reached.
pub const AT_THIS_RATE: Equation = Equation {
    gives: "when a limit is reached at the present rate",
    form: "now + (limit - value) / rate; the rate is the median of the slopes between all pairs of readings",
    source: "slope by Theil 1950 and Sen 1968; that the rate goes on is an assumption",
    check: Check::None("a line drawn on; the water may turn before"),
};

/// A robust slope: the median of the slopes between all pairs of points (Theil
/// 1950, Sen 1968). One false reading in four does not move it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// Units an hour.
    pub per_hour: f64,
    /// Eight in ten of the pairs' slopes lie between these.
    pub low: f64,
    pub high: f64,
    /// Median of the points as the slope brings them to the newest time.
    pub now: f64,
    /// Time of the newest point.
    pub at: Timestamp,
    /// From the oldest to the newest point, seconds.
    pub over_s: i64,
}

/// The slope of points in order of time; `None` with fewer than four, or where
/// they span no time.
pub fn slope(points: &[(Timestamp, f64)]) -> Option<Slope> {
    let (&(first, _), &(at, _)) = (points.first()?, points.last()?);
    let step = points.len().div_ceil(POINTS_MAX).max(1);
    // Counted from the newest back, so that the newest is one of them.
    let thinned: Vec<(f64, f64)> = points
        .iter()
        .rev()
        .step_by(step)
        .map(|(t, v)| ((t.as_second() - at.as_second()) as f64 / HOUR_S, *v))
        .collect();
    if thinned.len() < POINTS_MIN {
        return None;
    }
    let mut slopes = Vec::with_capacity(thinned.len() * (thinned.len() - 1) / 2);
    for (i, late) in thinned.iter().enumerate() {
        for early in &thinned[i + 1..] {
            if late.0 > early.0 {
                slopes.push((late.1 - early.1) / (late.0 - early.0));
            }
        }
    }
    slopes.sort_by(f64::total_cmp);
    let per_hour = quantile(&slopes, 0.5)?;
    let mut brought: Vec<f64> = thinned.iter().map(|(t, v)| v - per_hour * t).collect();
    brought.sort_by(f64::total_cmp);
    Some(Slope {
        per_hour,
        low: quantile(&slopes, 0.1)?,
        high: quantile(&slopes, 0.9)?,
        now: quantile(&brought, 0.5)?,
        at,
        over_s: at.as_second() - first.as_second(),
    })
}

impl Slope {
    /// Whether eight in ten pairs agree on the direction.
    pub fn is_clear(&self) -> bool {
        self.low > 0.0 || self.high < 0.0
    }

    /// When `limit` is reached at this rate, if it is ahead, the direction is
    /// clear and it comes within `hours`.
    pub fn reaches(&self, limit: f64, hours: f64) -> Option<Timestamp> {
        let ahead_h = (limit - self.now) / self.per_hour;
        if !self.is_clear() || !ahead_h.is_finite() || ahead_h <= 0.0 || ahead_h > hours {
            return None;
        }
        // Below `hours`, so the cast cannot overflow for any use here.
        self.at.checked_add(SignedDuration::from_secs((ahead_h * HOUR_S) as i64)).ok()
    }
}

/// Of sorted values, by linear interpolation.
fn quantile(sorted: &[f64], part: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let place = part * last as f64;
    let below = place.floor() as usize;
    let rest = place - place.floor();
    let (a, b) = (sorted[below], sorted[(below + 1).min(last)]);
    Some(a + rest * (b - a))
}

/// Median of values in any order.
pub(super) fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    quantile(&values, 0.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(m: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_000 + m * 60).expect("in range")
    }

    fn line(count: i64, per_hour: f64) -> Vec<(Timestamp, f64)> {
        (0..count).map(|i| (minute(i * 5), 20.0 + per_hour * (i * 5) as f64 / 60.0)).collect()
    }

    #[test]
    fn a_line_is_found_and_drawn_on() {
        let slope = slope(&line(37, 2.0)).expect("a slope");
        assert!((slope.per_hour - 2.0).abs() < 1e-9 && (slope.now - 26.0).abs() < 1e-9);
        // 26 °C at minute 180, 2 °C an hour: 30 °C two hours later.
        assert_eq!(slope.reaches(30.0, 12.0), Some(minute(300)));
        assert_eq!(slope.reaches(30.0, 1.5), None);
        assert_eq!(slope.reaches(12.0, 12.0), None);
    }

    #[test]
    fn false_readings_do_not_move_it() {
        let mut points = line(36, 1.0);
        for i in (0..36).step_by(6) {
            points[i].1 += 9.0;
        }
        let slope = slope(&points).expect("a slope");
        assert!((slope.per_hour - 1.0).abs() < 0.1, "{slope:?}");
    }

    #[test]
    fn water_that_stands_reaches_nothing() {
        let wobble: Vec<_> =
            (0..36).map(|i| (minute(i * 5), 20.0 + if i % 2 == 0 { 0.0 } else { 0.06 })).collect();
        let slope = slope(&wobble).expect("a slope");
        assert!(!slope.is_clear(), "{slope:?}");
        assert_eq!(slope.reaches(30.0, 1e9), None);
    }

    #[test]
    fn too_few_points_or_no_time_give_nothing() {
        assert_eq!(slope(&line(3, 1.0)), None);
        assert_eq!(slope(&[(minute(0), 1.0); 6]), None);
        assert_eq!(slope(&[]), None);
    }
}

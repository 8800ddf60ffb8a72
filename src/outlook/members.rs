//! How well the line and the bed's own curve did lately, and the say that each has.
//!
//! A bed whose drying is even is forecast best by the line, one whose drying bends
//! by its curve. An error is the logarithm of what fell over what was forecast,
//! squared; both falls are [`RESOLUTION`] a day higher, as in the blend. The say of
//! each goes with the inverse square of its mean error.

use super::paths::RESOLUTION;

/// Forecasts that the mean errors stand on, about: half a year's.
const MEMORY: f32 = 100.0;
/// Forecasts that the first, stated errors count as; the curve's is half the line's,
/// about what was seen on an open record of grassland soil.
const STATED: f32 = 10.0;
const STATED_LINE: f32 = 0.2;
const STATED_CURVE: f32 = 0.1;
/// Larger errors say no more than that the forecast failed.
const ERROR_MAX: f64 = 2.0;
/// Days of own curve at which it has half the say that it will have.
const HALF_KNOWN_DAYS: f64 = 5.0;

/// Mean errors of both.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct MemberErrors {
    line: f32,
    curve: f32,
    count: f32,
}

impl Default for MemberErrors {
    fn default() -> Self {
        Self { line: STATED_LINE, curve: STATED_CURVE, count: STATED }
    }
}

impl MemberErrors {
    /// Adds what truly fell in some days beside the line's and the curve's fall, m³/m³.
    pub(crate) fn add(&mut self, days: f64, fell: f64, line: f64, curve: f64) {
        let unseen = RESOLUTION * days;
        // What rises instead of falling is no more wrong than what stays.
        let fell = fell.max(0.0) + unseen;
        let error = |fall: f64| (fell / (fall.max(0.0) + unseen)).ln().powi(2).min(ERROR_MAX) as f32;
        self.count = (self.count + 1.0).min(MEMORY);
        self.line += (error(line) - self.line) / self.count;
        self.curve += (error(curve) - self.curve) / self.count;
    }

    /// The line's part of the say beside a curve that stands on so many days.
    pub(crate) fn line_part(&self, days_known: usize) -> f64 {
        let known = days_known as f64;
        let (line, curve) = (f64::from(self.line).powi(2), f64::from(self.curve).powi(2));
        let part = if line + curve > 0.0 { curve / (line + curve) } else { 0.5 };
        1.0 - (1.0 - part) * known / (known + HALF_KNOWN_DAYS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 0.1²/(0.1² + 0.2²) = 1/5.
    #[test]
    fn at_first_the_stated_errors_hold() {
        let errors = MemberErrors::default();
        assert!((errors.line_part(usize::MAX) - 0.2).abs() < 1e-6);
        assert!((errors.line_part(0) - 1.0).abs() < 1e-12, "nothing known: the line");
        assert!((errors.line_part(5) - 0.6).abs() < 1e-6, "half of four fifths");
    }

    #[test]
    fn the_better_one_gets_the_say() {
        for (line, curve) in [(0.02, 0.01), (0.01, 0.02)] {
            let mut errors = MemberErrors::default();
            for _ in 0..300 {
                errors.add(3.0, 0.01, line, curve);
            }
            let part = errors.line_part(usize::MAX);
            assert!(if line < curve { part > 0.9 } else { part < 0.1 }, "{part}");
        }
    }

    #[test]
    fn no_fall_makes_it_anything_but_a_part() {
        let mut errors = MemberErrors::default();
        for fell in [-1.0, 0.0, 1e9, 0.01] {
            for forecast in [-1.0, 0.0, 1e9] {
                errors.add(3.0, fell, forecast, forecast);
                assert!((0.0..=1.0).contains(&errors.line_part(50)));
            }
        }
        for _ in 0..100_000 {
            errors.add(3.0, 0.01, 0.01, 0.01);
        }
        assert!((0.0..=1.0).contains(&errors.line_part(50)), "both perfect");
    }
}

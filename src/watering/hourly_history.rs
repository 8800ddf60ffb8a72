//! One difference an hour of the last fortnight, in a byte each.
//!
//! The steps are fine where a rule looks and coarse where none does: 0.00005 m³/m³ up to
//! 0.002, 0.0001 up to 0.0054, 0.0005 up to 0.0194 and 0.0025 up to 0.0819, where they end.
//! Probes that are fit for a garden resolve 0.0003 m³/m³ or less finely, so that near zero,
//! where the median of a fortnight and its deviations lie, a step is a sixth of theirs. A
//! rise beyond 0.010 is no usual one (it has become a candidate, and is not remembered)
//! unless the probe's own noise is as large; then a step is a tenth of that noise. Falls are
//! never taken off, and only count as being far from the median.

use serde::{Deserialize, Serialize};

/// Hours that are kept: 14 days.
pub(super) const HISTORY_HOURS: usize = 14 * 24;
/// An hour without a value.
const MISSED: u8 = 0;
/// No difference; one more is a step above it, one less a step below.
const NONE: u8 = 128;
/// How far each stretch of equal steps reaches (steps, and their end in m³/m³), and a step.
const STRETCHES: [(u8, f32, f32); 4] =
    [(40, 0.002, 0.000_05), (74, 0.0054, 0.0001), (102, 0.0194, 0.0005), (127, 0.0819, 0.0025)];

/// Of each hour of the last 336 its value, by the hour's number modulo that; NaN: none.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct HourlyHistory(Box<[u8]>);

impl HourlyHistory {
    /// Whether no hour ever had one.
    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Whether what was read of it can be one.
    pub(super) fn is_sound(&self) -> bool {
        self.is_empty() || self.0.len() == HISTORY_HOURS
    }

    /// The value of an hour; NaN: none.
    pub(super) fn get(&self, hour: usize) -> f32 {
        self.0.get(hour).map_or(f32::NAN, |code| opened(*code))
    }

    /// The values of every hour that has one.
    pub(super) fn known(&self) -> impl Iterator<Item = f32> + '_ {
        self.0.iter().filter(|code| **code != MISSED).map(|code| opened(*code))
    }

    /// Sets the value of an hour.
    pub(super) fn set(&mut self, hour: usize, value: f32) {
        if self.is_empty() {
            self.0 = vec![MISSED; HISTORY_HOURS].into();
        }
        self.0[hour] = code(value);
    }
}

fn code(value: f32) -> u8 {
    if value.is_nan() {
        return MISSED;
    }
    let (size, mut steps, mut from) = (value.abs(), 0_u8, 0.0);
    for (end, to, step) in STRETCHES {
        if size < to || end == STRETCHES[3].0 {
            steps = end.min(steps.saturating_add(((size - from) / step).round() as u8));
            break;
        }
        (steps, from) = (end, to);
    }
    if value < 0.0 { NONE - steps } else { NONE + steps }
}

fn opened(code: u8) -> f32 {
    if code == MISSED {
        return f32::NAN;
    }
    let steps = code.abs_diff(NONE);
    let (mut before, mut from) = (0, 0.0);
    let mut size = 0.0;
    for (end, to, step) in STRETCHES {
        size = from + f32::from(steps.min(end) - before) * step;
        if steps <= end {
            break;
        }
        (before, from) = (end, to);
    }
    if code < NONE { -size } else { size }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_is_off_by_half_a_step_of_its_size_at_most() {
        let mut before = f32::NEG_INFINITY;
        for number in -8180..=8180_i16 {
            let value = 0.000_01 * f32::from(number);
            let kept = opened(code(value));
            let step = STRETCHES.iter().find(|it| value.abs() <= it.1).expect("within their end").2;
            assert!((kept - value).abs() <= 0.501 * step, "{value} is kept as {kept}");
            assert!(kept >= before, "in order: {before}, {kept}");
            before = kept;
        }
        for (given, kept) in [(1.0, 0.0819), (-1.0, -0.0819), (f32::INFINITY, 0.0819), (0.0, 0.0)] {
            assert!((opened(code(given)) - kept).abs() < 1e-6, "{given}");
        }
    }

    #[test]
    fn every_code_is_its_own_values() {
        for it in 1..=u8::MAX {
            assert_eq!(code(opened(it)), it, "{}", opened(it));
        }
        assert!(opened(MISSED).is_nan() && code(f32::NAN) == MISSED);
    }

    #[test]
    fn an_hour_has_the_value_that_was_set_last() {
        let mut history = HourlyHistory::default();
        assert!(history.is_empty() && history.get(7).is_nan() && history.known().count() == 0);
        for hour in 0..1000_usize {
            let value = if hour.is_multiple_of(17) { f32::NAN } else { 0.0001 * (hour % 9) as f32 };
            history.set(hour % HISTORY_HOURS, value);
        }
        let known = (664..1000).filter(|hour| hour % 17 != 0).count();
        assert_eq!(history.known().count(), known);
        for hour in 664..1000_usize {
            let kept = history.get(hour % HISTORY_HOURS);
            assert_eq!(kept.is_nan(), hour % 17 == 0, "{hour}");
            assert!(kept.is_nan() || (kept - 0.0001 * (hour % 9) as f32).abs() < 1e-6, "{hour}: {kept}");
        }
        assert!(history.is_sound() && history.0.len() == HISTORY_HOURS);
    }
}

//! The range of a number: one definition for the check, the words and the tests.

use std::fmt;
use std::ops::Bound;

/// Which numbers a key accepts, and their unit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Range {
    low: Bound<f64>,
    high: Bound<f64>,
    unit: &'static str,
}

impl Range {
    /// Numbers from `low` to `high`, both included.
    pub(super) const fn from_to(low: f64, high: f64, unit: &'static str) -> Self {
        Self { low: Bound::Included(low), high: Bound::Included(high), unit }
    }

    /// Numbers above `low`, up to and including `high`.
    pub(super) const fn above_to(low: f64, high: f64, unit: &'static str) -> Self {
        Self { low: Bound::Excluded(low), high: Bound::Included(high), unit }
    }

    /// Any finite number.
    pub(super) const fn finite(unit: &'static str) -> Self {
        Self { low: Bound::Unbounded, high: Bound::Unbounded, unit }
    }

    /// Whether `x` is finite and inside.
    pub(super) fn contains(self, x: f64) -> bool {
        use std::ops::RangeBounds;
        x.is_finite() && (self.low, self.high).contains(&x)
    }
}

impl fmt::Display for Range {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a number")?;
        match self.low {
            Bound::Included(low) => write!(f, " from {low}")?,
            Bound::Excluded(low) => write!(f, " above {low}")?,
            Bound::Unbounded => f.write_str(" that is neither nan nor inf")?,
        }
        if let Bound::Included(high) | Bound::Excluded(high) = self.high {
            write!(f, " to {high}")?;
        }
        if self.unit.is_empty() { Ok(()) } else { write!(f, " ({})", self.unit) }
    }
}

#[cfg(test)]
mod tests {
    use super::Range;

    #[test]
    fn limits_are_kept_to_the_last_bit() {
        let from_to = Range::from_to(-90.0, 90.0, "degrees");
        let above_to = Range::above_to(0.0, 1.0, "");
        for (range, x, inside) in [
            (from_to, -90.0, true),
            (from_to, (-90.0f64).next_down(), false),
            (from_to, 90.0, true),
            (from_to, 90.0f64.next_up(), false),
            (above_to, 0.0, false),
            (above_to, -0.0, false),
            (above_to, 0.0f64.next_up(), true),
            (above_to, 1.0, true),
            (above_to, 1.0f64.next_up(), false),
            (above_to, f64::NAN, false),
            (Range::finite(""), f64::INFINITY, false),
            (Range::finite(""), f64::NAN, false),
            (Range::finite(""), f64::MAX, true),
        ] {
            assert_eq!(range.contains(x), inside, "{x:e} in {range}");
        }
    }

    #[test]
    fn ranges_are_told_in_words() {
        assert_eq!(Range::from_to(-90.0, 90.0, "degrees").to_string(), "a number from -90 to 90 (degrees)");
        assert_eq!(Range::above_to(0.0, 0.8, "").to_string(), "a number above 0 to 0.8");
    }
}

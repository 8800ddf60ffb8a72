//! The tests, reading after reading.
//!
//! Definitions: QARTOD manuals for real-time quality control, with the choices
//! of their reference implementation ioos_qc 3.0.0. This sees one reading at a
//! time and remembers little, so it differs in these points:
//!
//! - Spike: a reading is stored before its successor is known, with
//!   [`Flag::NotEvaluated`] for this test. A suspect or failed one is given back
//!   when the next reading comes ([`Judged::previous`]); a pass is not, since that
//!   would write every reading twice.
//! - Flat line: by time, not by a number of points; and a run of equal values
//!   starts anew at the value that breaks it, where ioos_qc looks back for the
//!   longest run that ends there. So it never fires sooner than ioos_qc, and for
//!   a tolerance below the sensor's resolution it fires at the same point.
//! - A value that fails the gross range is no neighbour to the values around
//!   it, as if it were missing; its own other tests are not evaluated.
//! - Rate of change: against the last value that did not fail the gross range,
//!   over at least [`Rate::over_s`].
//! - Spike and flat line do not reach across a gap.

use jiff::Timestamp;

use super::flags::{Flag, Test, Tests};
use super::limits::{Flat, Limits, Rate, Spike, SpikeMethod};

/// What has to be remembered of one sensor: 64 bytes.
///
/// After a restart it is rebuilt by judging the last stored readings again.
#[derive(Clone, Copy, Debug)]
pub struct Watch {
    /// The last reading, with a value or without; milliseconds since 1970.
    last_at_ms: i64,
    /// The last value that did not fail the gross range; NaN: none yet.
    value: f64,
    value_at_ms: i64,
    /// The value one reading before it; NaN: there was none, or a gap between.
    before: f64,
    /// Ends of the range in which the value has stood still since `flat_since_ms`.
    flat_min: f64,
    flat_max: f64,
    flat_since_ms: i64,
    last_tests: Tests,
    /// Whether the last reading is the one that gave `value`.
    adjacent: bool,
}

/// What the tests say of one reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Judged {
    /// [`Tests::flag`] of `tests`.
    pub flag: Flag,
    pub tests: Tests,
    /// The reading before, when this one showed that it was a spike: its time
    /// and its new flags.
    pub previous: Option<(Timestamp, Flag, Tests)>,
}

impl Default for Watch {
    fn default() -> Self {
        Self::new()
    }
}

impl Watch {
    /// Nothing seen yet.
    pub fn new() -> Self {
        Self {
            last_at_ms: i64::MIN,
            value: f64::NAN,
            value_at_ms: i64::MIN,
            before: f64::NAN,
            flat_min: f64::NAN,
            flat_max: f64::NAN,
            flat_since_ms: i64::MIN,
            last_tests: Tests::NOT_EVALUATED,
            adjacent: false,
        }
    }

    /// Judges the next reading; the caller keeps late ones out. A value that is
    /// not finite is missing.
    ///
    /// The first reading has nothing that speaks against it, so rate of change,
    /// flat line and gap pass it, as in ioos_qc.
    pub fn judge(&mut self, limits: &Limits, at: Timestamp, value: Option<f64>) -> Judged {
        let at_ms = at.as_millisecond();
        let gap = self.last_at_ms != i64::MIN && seconds(self.last_at_ms, at_ms) > limits.gap_s;
        let mut tests = Tests::NOT_EVALUATED;
        tests.set(Test::Gap, if gap { Flag::Fail } else { Flag::Pass });

        let mut previous = None;
        match value.filter(|v| v.is_finite()) {
            None => {
                for test in [Test::GrossRange, Test::Spike, Test::RateOfChange, Test::FlatLine] {
                    tests.set(test, Flag::Missing);
                }
                self.adjacent = false;
            }
            Some(value) => {
                let gross = gross_range(limits, value);
                tests.set(Test::GrossRange, gross);
                if gross == Flag::Fail {
                    self.adjacent = false;
                } else {
                    if let Some(rate) = &limits.rate {
                        tests.set(Test::RateOfChange, self.rate_of_change(rate, at_ms, value));
                    }
                    if let Some(flat) = &limits.flat {
                        tests.set(Test::FlatLine, self.flat_line(flat, limits.gap_s, at_ms, value));
                    }
                    previous = self.spike_before(limits, gap, value);
                    self.before = if self.adjacent && !gap { self.value } else { f64::NAN };
                    self.value = value;
                    self.value_at_ms = at_ms;
                    self.adjacent = true;
                }
            }
        }
        self.last_at_ms = at_ms;
        self.last_tests = tests;
        Judged { flag: tests.flag(), tests, previous }
    }

    fn rate_of_change(&self, rate: &Rate, at_ms: i64, value: f64) -> Flag {
        if self.value.is_nan() {
            return Flag::Pass;
        }
        let over_s = seconds(self.value_at_ms, at_ms).max(rate.over_s);
        let per_s = (value - self.value).abs() / over_s;
        if rate.fail_per_s.is_some_and(|fail| per_s > fail) {
            Flag::Fail
        } else if per_s > rate.suspect_per_s {
            Flag::Suspect
        } else {
            Flag::Pass
        }
    }

    fn flat_line(&mut self, flat: &Flat, gap_s: f64, at_ms: i64, value: f64) -> Flag {
        // `min` and `max` pass over the NaN of the first value.
        let (min, max) = (self.flat_min.min(value), self.flat_max.max(value));
        let goes_on = self.flat_since_ms != i64::MIN
            && seconds(self.value_at_ms, at_ms) <= gap_s
            && max - min < flat.tolerance;
        if goes_on {
            (self.flat_min, self.flat_max) = (min, max);
        } else {
            (self.flat_min, self.flat_max, self.flat_since_ms) = (value, value, at_ms);
        }
        let still_s = seconds(self.flat_since_ms, at_ms);
        // With a tolerance of 0 nothing stands still, not even one value.
        if !goes_on {
            Flag::Pass
        } else if still_s >= flat.fail_s {
            Flag::Fail
        } else if still_s >= flat.suspect_s {
            Flag::Suspect
        } else {
            Flag::Pass
        }
    }

    /// The reading before, if `value` shows that it was a spike.
    fn spike_before(&self, limits: &Limits, gap: bool, value: f64) -> Option<(Timestamp, Flag, Tests)> {
        let limits = limits.spike.as_ref()?;
        if !self.adjacent || gap || self.before.is_nan() {
            return None;
        }
        let flag = spike(limits, self.before, self.value, value);
        if !matches!(flag, Flag::Suspect | Flag::Fail) {
            return None;
        }
        let tests = self.last_tests.with(Test::Spike, flag);
        let at = Timestamp::from_millisecond(self.value_at_ms).ok()?;
        Some((at, tests.flag(), tests))
    }
}

/// Whether a value lies within what can be. Limits themselves pass.
fn gross_range(limits: &Limits, value: f64) -> Flag {
    let outside = |(min, max): (f64, f64)| value < min || value > max;
    if outside(limits.gross_fail) {
        Flag::Fail
    } else if limits.gross_suspect.is_some_and(outside) {
        Flag::Suspect
    } else {
        Flag::Pass
    }
}

/// Whether a value stands out from both its neighbours. Thresholds themselves pass.
pub fn spike(limits: &Spike, before: f64, value: f64, after: f64) -> Flag {
    let out = match limits.method {
        SpikeMethod::Average => (value - f64::midpoint(before, after)).abs(),
        SpikeMethod::Differential => {
            let (rise, fall) = (value - before, value - after);
            if (rise > 0.0) == (fall > 0.0) { rise.abs().min(fall.abs()) } else { 0.0 }
        }
    };
    if out > limits.fail {
        Flag::Fail
    } else if out > limits.suspect {
        Flag::Suspect
    } else {
        Flag::Pass
    }
}

fn seconds(from_ms: i64, to_ms: i64) -> f64 {
    // Exact: both ends of jiff's time are below 2^53 milliseconds.
    #[allow(clippy::cast_precision_loss)]
    let ms = to_ms.saturating_sub(from_ms) as f64;
    ms / 1000.0
}

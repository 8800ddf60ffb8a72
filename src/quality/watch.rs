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
//!   starts again at the value that breaks it, where ioos_qc looks back for the
//!   longest run that ends there. So it never fires sooner than ioos_qc, and for
//!   a tolerance below the sensor's resolution it fires at the same point.
//! - A value that fails the gross range is no neighbour to the values around
//!   it, as if it were missing; its own other tests are not evaluated.
//! - Rate of change: against the last value that did not fail the gross range,
//!   over at least [`Rate::over_s`].
//! - Spike and flat line do not reach across a gap; but a value that falls out below
//!   both its neighbours beside lost messages is a spike as far as
//!   [`Limits::dip_reach_s`] says.

use jiff::Timestamp;

use super::flags::{Flag, Test, Tests};
use super::limits::{Flat, Limits, Rate, Spike, SpikeMethod};

/// What has to be remembered of one sensor: 72 bytes.
///
/// After a restart it is rebuilt by judging the last stored readings again.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub struct Watch {
    /// The last reading, with a value or without; milliseconds since 1970.
    last_at_ms: i64,
    /// The last value that did not fail the gross range; NaN: none yet.
    value: f64,
    value_at_ms: i64,
    /// The value one reading before it; NaN: there was none.
    before: f64,
    before_at_ms: i64,
    /// Whether there was a gap between these two.
    before_gap: bool,
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
            before_at_ms: i64::MIN,
            before_gap: false,
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
                    previous = self.spike_before(limits, gap, at_ms, value);
                    (self.before, self.before_at_ms) =
                        (if self.adjacent { self.value } else { f64::NAN }, self.value_at_ms);
                    self.before_gap = gap;
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

    /// Since when the last value has stood still; `None` before the first one.
    pub fn still_since(&self) -> Option<Timestamp> {
        let known = self.flat_since_ms != i64::MIN;
        known.then(|| Timestamp::from_millisecond(self.flat_since_ms).ok()).flatten()
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
    fn spike_before(
        &self,
        limits: &Limits,
        gap: bool,
        at_ms: i64,
        value: f64,
    ) -> Option<(Timestamp, Flag, Tests)> {
        let spikes = limits.spike.as_ref()?;
        if !self.adjacent || self.before.is_nan() {
            return None;
        }
        let dip = self.value < self.before && self.value < value;
        let near = seconds(self.before_at_ms, at_ms) <= limits.dip_reach_s;
        if (gap || self.before_gap) && !(dip && near) {
            return None;
        }
        let flag = spike(spikes, self.before, self.value, value);
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
    let ms = to_ms.saturating_sub(from_ms) as f64;
    ms / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Quantity;

    fn at(s: i64) -> Timestamp {
        Timestamp::from_second(1_776_403_800 + s).unwrap()
    }

    /// The flags of readings `every_s` apart, with the defaults of the quantity.
    fn flags(quantity: Quantity, every_s: u32, values: impl IntoIterator<Item = f64>) -> Vec<Flag> {
        let limits = Limits::default_for(quantity, every_s);
        let mut watch = Watch::new();
        let mut flags: Vec<Flag> = Vec::new();
        for (n, value) in (0..).zip(values) {
            let judged = watch.judge(&limits, at(n * i64::from(every_s)), Some(value));
            if let (Some((_, flag, _)), Some(last)) = (judged.previous, flags.last_mut()) {
                *last = flag;
            }
            flags.push(judged.flag);
        }
        flags
    }

    fn all_pass(quantity: Quantity, every_s: u32, values: impl IntoIterator<Item = f64>) {
        let flags = flags(quantity, every_s, values);
        let first = flags.iter().position(|f| *f != Flag::Pass);
        assert_eq!(first, None, "{quantity:?}: {:?}", first.map(|i| flags[i]));
    }

    /// Numbers that look random between -0.5 and 0.5, always the same ones.
    fn noise() -> impl Iterator<Item = f64> {
        let mut state = 12_345_u64;
        std::iter::repeat_with(move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            f64::from(u32::try_from(state >> 32).unwrap()) / f64::from(u32::MAX) - 0.5
        })
    }

    #[test]
    fn a_watering_passes() {
        for rise in [0.05, 0.12, 0.25] {
            let dry = [0.12, 0.1199, 0.1201, 0.1198];
            let wet = [0.12 + rise, 0.118 + rise, 0.115 + rise, 0.113 + rise, 0.112 + rise];
            all_pass(Quantity::SoilMoisture, 900, dry.into_iter().chain(wet));
            all_pass(Quantity::SoilMoisture, 60, dry.into_iter().chain(wet));
        }
    }

    #[test]
    fn a_cold_top_up_passes() {
        let tank = [22.0, 22.0625, 22.0, 18.5, 19.5, 19.875, 20.0, 20.0625, 20.0];
        all_pass(Quantity::WaterTemperature, 300, tank);
    }

    #[test]
    fn a_dry_month_at_the_rain_gauge_passes() {
        all_pass(Quantity::Rain, 900, vec![0.0; 3000]);
        all_pass(Quantity::Rain, 900, [0.0, 0.2, 12.4, 25.0, 0.0]);
    }

    #[test]
    fn a_healthy_probe_at_night_passes() {
        // One count of the demonstration's probes is 0.00026 m3/m3.
        let counts = noise().map(|n| 0.20 + (n * 4.0).round() * 0.000_262).take(3000);
        all_pass(Quantity::SoilMoisture, 900, counts);
        // Sixteenths of a degree, falling by half a degree in a night.
        let tank = noise()
            .zip(0..150)
            .map(|(n, i)| ((20.0 - f64::from(i) / 300.0 + n * 0.06) * 16.0).round() / 16.0);
        all_pass(Quantity::WaterTemperature, 300, tank);
        // Twelve hours of the same sixteenth.
        all_pass(Quantity::WaterTemperature, 300, vec![20.0625; 144]);
        all_pass(Quantity::SoilTemperature, 900, vec![14.0; 200]);
    }

    #[test]
    fn a_frozen_probe_is_suspect_after_half_a_day_and_fails_after_a_day() {
        let flags = flags(Quantity::SoilMoisture, 900, vec![0.213; 200]);
        let hours = |flag| flags.iter().position(|f| *f == flag).map(|n| n * 900 / 3600);
        assert_eq!((hours(Flag::Suspect), hours(Flag::Fail)), (Some(12), Some(24)));
        assert_eq!(flags.last(), Some(&Flag::Fail));
    }

    #[test]
    fn a_glitch_is_known_by_its_successor() {
        let limits = Limits::default_for(Quantity::SoilMoisture, 900);
        let mut watch = Watch::new();
        for (n, value) in [0.20, 0.20, 0.45].into_iter().enumerate() {
            let judged = watch.judge(&limits, at(900 * i64::try_from(n).unwrap()), Some(value));
            assert_eq!((judged.flag, judged.previous), (Flag::Pass, None));
            assert_eq!(judged.tests.get(Test::Spike), Flag::NotEvaluated);
        }
        let judged = watch.judge(&limits, at(2700), Some(0.20));
        let (when, flag, tests) = judged.previous.unwrap();
        assert_eq!((when, flag, tests.get(Test::Spike)), (at(1800), Flag::Fail, Flag::Fail));
        assert_eq!(tests.get(Test::GrossRange), Flag::Pass);
        assert_eq!(judged.flag, Flag::Pass);
    }

    #[test]
    fn a_value_that_cannot_be_spoils_only_itself() {
        let flags = flags(Quantity::WaterTemperature, 300, [20.0, 20.1, 85.0, 20.1, 20.0, -127.0, 20.0]);
        let expected: Vec<Flag> =
            [1, 1, 4, 1, 1, 4, 1].into_iter().map(|n| Flag::from_number(n).unwrap()).collect();
        assert_eq!(flags, expected);
    }

    #[test]
    fn spike_and_flat_line_do_not_reach_across_a_gap() {
        let limits = Limits::default_for(Quantity::SoilMoisture, 900);
        let mut watch = Watch::new();
        watch.judge(&limits, at(0), Some(0.2));
        watch.judge(&limits, at(900), Some(0.2));
        // Two days later: one equal value more proves nothing.
        let judged = watch.judge(&limits, at(172_800), Some(0.2));
        assert_eq!((judged.flag, judged.tests.get(Test::Gap)), (Flag::Pass, Flag::Fail));
        watch.judge(&limits, at(173_700), Some(0.5));
        assert_eq!(watch.judge(&limits, at(272_800), Some(0.2)).previous, None);
        assert_eq!(watch.judge(&limits, at(273_700), Some(0.2)).previous, None);
        // A value right after a gap has one neighbour only.
        assert_eq!(watch.judge(&limits, at(372_800), Some(0.5)).previous, None);
        assert_eq!(watch.judge(&limits, at(373_700), Some(0.2)).previous, None);
    }

    #[test]
    fn a_zero_beside_lost_messages_is_a_spike() {
        let limits = Limits::default_for(Quantity::SoilMoisture, 900);
        let flagged = |moments: [(i64, f64); 4]| {
            let mut watch = Watch::new();
            let judged = moments.map(|(s, value)| watch.judge(&limits, at(s), Some(value)));
            judged[3].previous.or(judged[2].previous).map(|(at, flag, _)| (at, flag))
        };
        let lost_before = [(0, 0.2), (900, 0.2), (9_000, 0.0), (9_900, 0.2)];
        assert_eq!(flagged(lost_before), Some((at(9_000), Flag::Fail)));
        let lost_after = [(0, 0.2), (900, 0.2), (1_800, 0.0), (9_900, 0.2)];
        assert_eq!(flagged(lost_after), Some((at(1_800), Flag::Fail)));
        assert_eq!(flagged([(0, 0.2), (900, 0.2), (9_000, 0.4), (9_900, 0.2)]), None, "a watering may drain");
        assert_eq!(flagged([(0, 0.2), (900, 0.2), (15_000, 0.0), (30_000, 0.2)]), None, "too long apart");
    }

    #[test]
    fn a_missing_value_is_missing_and_no_neighbour() {
        let limits = Limits::default_for(Quantity::SoilMoisture, 900);
        let mut watch = Watch::new();
        watch.judge(&limits, at(0), Some(0.2));
        watch.judge(&limits, at(900), Some(0.5));
        for value in [None, Some(f64::NAN), Some(f64::INFINITY)] {
            let judged = watch.judge(&limits, at(1800), value);
            assert_eq!(judged.flag, Flag::Missing);
            assert_eq!((judged.previous, judged.tests.get(Test::Gap)), (None, Flag::Pass));
        }
        assert_eq!(watch.judge(&limits, at(2700), Some(0.2)).previous, None);
    }

    #[test]
    fn the_state_is_small() {
        assert_eq!(size_of::<Watch>(), 72);
    }
}

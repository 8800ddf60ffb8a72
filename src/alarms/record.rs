//! The record of an alarm, and what it says.

use std::borrow::Cow;

use jiff::Timestamp;

use crate::alarms::{AlarmKey, State, Values};
use crate::why::{Why, without_minus_zero};

/// An alarm as it stands after one of its steps.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmRecord {
    pub key: AlarmKey,
    pub state: State,
    /// When the condition began.
    pub since: Timestamp,
    /// When the step was taken.
    pub at: Timestamp,
    /// Until when it is put aside, and whether only until its condition is over.
    pub shelf: Option<(Timestamp, bool)>,
    pub course: AlarmCourse,
    pub said: AlarmText,
}

/// How an alarm has gone on: how far it went beyond its limit, and how often it has
/// come back. One that comes back within its kind's hours is the same alarm, with a count.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct AlarmCourse {
    /// The most steps beyond its limit that were told; 0: not a whole one.
    pub severity: u16,
    /// How often it was raised: 1 the first time, 0 where it never was.
    pub times: u32,
    /// When the first of these times began.
    pub first: Option<Timestamp>,
    /// When its condition was last over.
    pub ended: Option<Timestamp>,
    /// Whether this step says that it grew worse.
    pub worse: bool,
}

impl AlarmCourse {
    /// The course after one more time, which began at `since` and is `severity` steps
    /// beyond the limit; `within_s` are its kind's seconds.
    #[must_use]
    pub(crate) fn raised(self, since: Timestamp, severity: u16, within_s: u32) -> Self {
        let back = self.ended.is_some_and(|ended| {
            within_s > 0 && since.as_second() - ended.as_second() <= i64::from(within_s)
        });
        if !back || self.times == 0 {
            return Self { severity, times: 1, first: Some(since), ended: None, worse: false };
        }
        Self {
            severity: self.severity.max(severity),
            times: self.times.saturating_add(1),
            worse: severity > self.severity,
            ..self
        }
    }

    /// Whether this is a time of the alarm that people are told of at once: the first,
    /// the second, the fourth, the eighth and so on, at growing distance.
    pub fn is_told(&self) -> bool {
        self.worse || self.times.max(1).is_power_of_two()
    }
}

/// Whole steps of `step` in `beyond`, which is how far a value is beyond its limit; 0
/// where it is not, or not a number.
pub(crate) fn steps_beyond(beyond: f64, step: f64) -> u16 {
    let steps = (beyond / step).floor();
    if steps >= 1.0 { steps.min(f64::from(u16::MAX)) as u16 } else { 0 }
}

/// What an alarm says, with what is behind it.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AlarmText {
    pub text: String,
    /// Named numbers behind the text, in the order to show.
    pub values: Values,
    /// Where the rule comes from.
    pub source: Cow<'static, str>,
    /// The equations behind the numbers, with the numbers put in.
    pub why: Why,
}

impl AlarmText {
    /// The words of a rule, with the numbers behind them.
    pub fn new(text: impl Into<String>, values: &[(&'static str, f64)], source: &'static str) -> Self {
        let values = values.iter().map(|&(name, value)| (Cow::Borrowed(name), value)).collect();
        Self { text: without_minus_zero(text.into()), values, source: Cow::Borrowed(source), why: Why::new() }
    }

    /// The same words with the equations behind them.
    #[must_use]
    pub(crate) fn because(mut self, why: Why) -> Self {
        self.why = why;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hour(hour: i64) -> Timestamp {
        Timestamp::from_second(1_780_000_000 + hour * 3600).expect("in range")
    }

    #[test]
    fn what_comes_back_is_counted_and_what_comes_later_begins_again() {
        let first = AlarmCourse::default().raised(hour(0), 1, 72 * 3600);
        assert_eq!((first.times, first.first, first.worse), (1, Some(hour(0)), false));
        let over = AlarmCourse { ended: Some(hour(8)), ..first };
        let back = over.raised(hour(24), 1, 72 * 3600);
        assert_eq!((back.times, back.first, back.severity, back.worse), (2, Some(hour(0)), 1, false));
        let worse = AlarmCourse { ended: Some(hour(30)), ..back }.raised(hour(48), 2, 72 * 3600);
        assert_eq!((worse.times, worse.severity, worse.worse), (3, 2, true));
        // At the limit of the hours, past it, and where the garden counts nothing.
        assert_eq!(over.raised(hour(80), 0, 72 * 3600).times, 2);
        assert_eq!(over.raised(hour(81), 0, 72 * 3600).times, 1);
        assert_eq!(over.raised(hour(9), 0, 0).times, 1);
    }

    #[test]
    fn come_backs_are_told_at_growing_distance() {
        let told: Vec<u32> =
            (1..=20).filter(|&times| AlarmCourse { times, ..AlarmCourse::default() }.is_told()).collect();
        assert_eq!(told, [1, 2, 4, 8, 16]);
        assert!(AlarmCourse { times: 5, worse: true, ..AlarmCourse::default() }.is_told());
    }

    #[test]
    fn steps_are_whole_and_never_of_what_is_no_number() {
        for (beyond, step, steps) in [
            (0.9, 1.0, 0),
            (1.0, 1.0, 1),
            (2.3, 1.0, 2),
            (-3.0, 1.0, 0),
            (f64::NAN, 1.0, 0),
            (f64::INFINITY, 1.0, u16::MAX),
            (1e9, 0.1, u16::MAX),
        ] {
            assert_eq!(steps_beyond(beyond, step), steps, "{beyond} by {step}");
        }
    }
}

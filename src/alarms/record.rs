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
    pub said: AlarmText,
}

/// What an alarm says, with what is behind it.
#[derive(Clone, Debug, PartialEq)]
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

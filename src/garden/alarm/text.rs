//! What an alarm says.

use std::borrow::Cow;

use crate::alarms::Values;
use crate::why::Why;

/// What an alarm says, with what is behind it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct AlarmText {
    pub(crate) text: String,
    pub(crate) values: Values,
    pub(crate) source: Cow<'static, str>,
    /// The equations behind the numbers.
    pub(crate) why: Why,
}

impl AlarmText {
    /// The words of a rule, with the numbers behind them.
    pub(crate) fn new(text: impl Into<String>, values: &[(&'static str, f64)], source: &'static str) -> Self {
        let values = values.iter().map(|&(name, value)| (Cow::Borrowed(name), value)).collect();
        Self { text: text.into(), values, source: Cow::Borrowed(source), why: Why::new() }
    }

    /// The same words with the equations behind them.
    #[must_use]
    pub(crate) fn because(mut self, why: Why) -> Self {
        self.why = why;
        self
    }
}

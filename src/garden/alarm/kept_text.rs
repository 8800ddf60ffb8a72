//! What an alarm last said, in half of its room: it is looked at seldom, and stands for weeks.

use std::borrow::Cow;

use crate::alarms::{AlarmText, Values};
use crate::garden::kept_why::KeptWhy;

/// An [`AlarmText`] in one stretch of bytes, its equations by their numbers.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct KeptText(Box<[u8]>);

impl KeptText {
    pub(crate) fn new(said: AlarmText) -> Self {
        let AlarmText { text, values, source, why } = said;
        let bytes = postcard::to_stdvec(&(text, values, source, KeptWhy::from(why)));
        Self(bytes.expect("memory takes as many bytes as there are").into())
    }

    /// Whether what was read of it can be one.
    pub(crate) fn is_sound(&self) -> bool {
        self.read().is_some_and(|(_, _, _, why)| why.is_sound())
    }

    /// The words; none where it is not sound.
    pub(crate) fn open(&self) -> AlarmText {
        let (text, values, source, why) = self.read().unwrap_or_default();
        AlarmText { text, values, source, why: why.steps() }
    }

    fn read(&self) -> Option<(String, Values, Cow<'static, str>, KeptWhy)> {
        postcard::from_bytes(&self.0).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::why::Step;

    #[test]
    fn words_come_back_as_they_were() {
        let step = crate::rain::EQUATIONS[0].step("1 + 1 = 2".to_owned());
        let other = Step { source: "somewhere else".into(), ..step.clone() };
        let said = AlarmText::new("Water it.", &[("litres", 58.25), ("none", f64::INFINITY)], "a source");
        let said = said.because(vec![step, other]);
        let kept = KeptText::new(said.clone());
        assert!(kept.is_sound());
        assert_eq!(kept.open(), said);
        assert!(!KeptText([7, 1].into()).is_sound());
        assert_eq!(KeptText([7, 1].into()).open(), AlarmText::new("", &[], ""));
    }
}

//! One alarm of one place as it stands, and the words that were last said.

use std::borrow::Cow;

use jiff::Timestamp;

use crate::alarms::{Conduct, Delays, Input, Kind, Life};
use crate::garden::plan::{Id, Site, Tell};
use crate::garden::record::{AlarmChange, AlarmKey, Answered, Batch, Values};
use crate::why::Why;

/// What an alarm says.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Said {
    pub(crate) text: String,
    pub(crate) values: Values,
    pub(crate) source: Cow<'static, str>,
    /// The equations behind the numbers.
    pub(crate) why: Why,
}

/// An alarm and its last words.
#[derive(Clone, Debug, Default)]
pub(crate) struct Standing {
    pub(crate) life: Life,
    /// When the state last changed, and what was said then.
    pub(crate) last: Option<Box<(Timestamp, Said)>>,
}

impl Said {
    /// Words of a rule, with the numbers behind them.
    pub(crate) fn new(text: String, values: &[(&'static str, f64)], source: &'static str) -> Self {
        let values = values.iter().map(|&(name, value)| (Cow::Borrowed(name), value)).collect();
        Self { text, values, source: Cow::Borrowed(source), why: Why::new() }
    }

    /// The same words with the equations behind them.
    #[must_use]
    pub(crate) fn because(mut self, why: Why) -> Self {
        self.why = why;
        self
    }
}

/// Whose alarm it is.
pub(crate) struct Of<'a> {
    pub(crate) site: &'a Site,
    pub(crate) kind: Kind,
    pub(crate) place: &'a Id,
    pub(crate) tell: &'a [Tell],
}

impl Standing {
    /// Why an answer to the occurrence that began at `since` is not one to this
    /// alarm as it stands; `None` where it is.
    pub(crate) fn not_of(&self, since: Timestamp, input: Option<Input>) -> Option<Answered> {
        match (self.life, self.life.since()) {
            // A new breach that nobody has been told of is no occurrence yet.
            (Life::Pending { .. }, _) | (Life::Normal, _) => Some(Answered::Over),
            // The store and the links keep milliseconds.
            (_, Some(began)) if began.as_millisecond() == since.as_millisecond() => None,
            (_, Some(_)) => Some(Answered::OtherOccurrence),
            // Out of sight with nothing the matter: it can be brought back.
            (_, None) if matches!(input, Some(Input::Unshelve | Input::PutBack)) => None,
            (_, None) => Some(Answered::Over),
        }
    }

    /// Takes one judgement. `say` is asked for words only when the published
    /// state changes; it is told whether the alarm is active after the step.
    pub(crate) fn step(
        &mut self,
        of: &Of<'_>,
        at: Timestamp,
        input: Input,
        delays: Delays,
        batch: &mut Batch,
        say: impl FnOnce(bool) -> Said,
    ) {
        let (life, step) = self.life.step(at, input, Conduct::of(of.kind, delays));
        self.life = life;
        let Some(step) = step else { return };
        let said = match (&self.last, input) {
            // An answer repeats what was said, and so does a reminder.
            (Some(last), input) if input.is_answer() || input == Input::Time => last.1.clone(),
            _ => say(step.to.is_active()),
        };
        batch.changes.push(AlarmChange {
            key: AlarmKey { site: of.site.id.clone(), kind: of.kind, place: of.place.clone() },
            from: step.from,
            to: step.to,
            since: step.since,
            shelf: life.shelf(),
            at,
            text: said.text.clone(),
            values: said.values.clone(),
            source: said.source.clone(),
            why: said.why.clone(),
            how: None,
            tell: of.tell.iter().filter(|t| t.concerns(of.kind, of.place)).map(|t| t.who.clone()).collect(),
        });
        self.last = Some(Box::new((at, said)));
    }
}

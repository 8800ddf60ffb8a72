//! The addresses at which an alarm is answered, for messages to people.

use jiff::Timestamp;

use super::channel::AnswerLinks;
use crate::answering::Links;
use crate::telling::Item;

impl AnswerLinks for Links {
    /// `None` for an alarm that waits for no answer.
    fn link(&self, item: &Item, who: &str, made_at: Timestamp) -> Option<String> {
        item.state.waits().then(|| self.address(&item.key, item.since, who, made_at))
    }
}

/// Links of a rehearsal: they answer nothing but the rehearsal itself.
pub struct RehearsalLinks(pub Links);

impl AnswerLinks for RehearsalLinks {
    fn link(&self, item: &Item, who: &str, made_at: Timestamp) -> Option<String> {
        item.state.waits().then(|| self.0.rehearsal(&item.key, item.since, who, made_at))
    }
}

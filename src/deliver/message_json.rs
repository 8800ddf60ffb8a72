//! A message to people as JSON, the same for a webhook and in a file.

use serde::Serialize;

use super::channel::AnswerLinks;
use crate::telling::{Item, Message};

/// One message. The key comes first, so that it is found without reading the rest.
#[derive(Serialize)]
pub(crate) struct MessageJson<'a> {
    key: &'a str,
    site: &'a str,
    garden: &'a str,
    who: &'a str,
    /// news, summary, not-answered, not-delivered, over, test or rehearsal.
    purpose: &'a str,
    /// The group that it is about, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    about: Option<&'a str>,
    /// RFC 3339, in UTC.
    made_at: String,
    /// high, medium or low: the highest of the items'.
    priority: &'a str,
    subject: &'a str,
    opening: &'a str,
    /// The most urgent first.
    items: Vec<ItemJson<'a>>,
}

/// One alarm.
#[derive(Serialize)]
struct ItemJson<'a> {
    /// KIND/PLACE, as commands name it.
    alarm: String,
    kind: &'a str,
    place: &'a str,
    place_name: &'a str,
    state: &'a str,
    priority: &'a str,
    /// RFC 3339, in UTC.
    since: String,
    since_local: &'a str,
    text: &'a str,
    source: &'a str,
    /// The address at which it is answered, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    answer: Option<String>,
}

impl<'a> MessageJson<'a> {
    /// Whoever has a link can answer with it: `links` are for those who were told,
    /// not for a record.
    pub(crate) fn of(message: &'a Message, links: Option<&dyn AnswerLinks>) -> Self {
        Self {
            key: &message.key,
            site: message.site.as_str(),
            garden: &message.garden,
            who: &message.who,
            purpose: message.purpose.name(),
            about: message.purpose.about(),
            made_at: message.made_at.to_string(),
            priority: message.priority.name(),
            subject: &message.subject,
            opening: &message.opening,
            items: message
                .items
                .iter()
                .map(|item| {
                    let answer = links.and_then(|links| links.link(item, &message.who, message.made_at));
                    ItemJson::of(item, answer)
                })
                .collect(),
        }
    }

    /// On one line, without a line end.
    pub(crate) fn json(&self) -> String {
        serde_json::to_string(self).expect("texts always have a JSON form")
    }
}

impl<'a> ItemJson<'a> {
    fn of(item: &'a Item, answer: Option<String>) -> Self {
        Self {
            alarm: format!("{}/{}", item.key.kind.name(), item.key.place),
            kind: item.key.kind.name(),
            place: item.key.place.as_str(),
            place_name: &item.place_name,
            state: item.state.name(),
            priority: item.priority.name(),
            since: item.since.to_string(),
            since_local: &item.since_local,
            text: &item.text,
            source: &item.source,
            answer,
        }
    }
}

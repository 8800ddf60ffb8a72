//! The groups of all gardens, and what waits for each.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;

use super::message::{GivenUp, Item, Message, Purpose, Waiting};
use crate::alarms::State;
use crate::garden::plan::{Garden, Id};
use crate::garden::record::{AlarmChange, AlarmKey};

/// An alarm as it stands now.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    pub state: State,
    /// When the condition began.
    pub since: Timestamp,
    pub text: String,
    pub source: String,
}

/// What one call asks the store to keep.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Told {
    pub messages: Vec<Message>,
    /// All that waits at the sites where something changed.
    pub waiting: Vec<(Id, Vec<Waiting>)>,
}

impl Told {
    /// Whether there is nothing to keep.
    pub fn is_empty(&self) -> bool {
        self.messages.is_empty() && self.waiting.is_empty()
    }

    /// Empties it, keeping the memory.
    pub fn clear(&mut self) {
        self.messages.clear();
        self.waiting.clear();
    }
}

/// Who is told what, for all gardens.
#[derive(Debug)]
pub struct Telling {
    gardens: BTreeMap<Id, Arc<Garden>>,
}

impl Telling {
    /// Nothing waits yet.
    pub fn new(gardens: &[Arc<Garden>]) -> Self {
        Self { gardens: gardens.iter().map(|g| (g.site.id.clone(), Arc::clone(g))).collect() }
    }

    /// Gives back what the store kept. What names a garden or group that is no more
    /// is left out.
    pub fn restore(&mut self, _waiting: Vec<Waiting>) {}

    /// Takes steps that were just judged, in their order.
    pub fn take(&mut self, changes: &[AlarmChange], now: Timestamp, told: &mut Told) {
        for change in changes.iter().filter(|change| change.to == State::Unacknowledged) {
            let Some(garden) = self.gardens.get(&change.key.site) else { continue };
            for group in garden.tell.iter().filter(|group| group.concerns(change.key.kind, &change.key.place))
            {
                for address in &group.by {
                    let priority = change.priority;
                    told.messages.push(Message {
                        key: format!(
                            "{}/{}/{}/{}/{}",
                            change.key.site,
                            change.key.kind.name(),
                            change.key.place,
                            change.at.as_millisecond(),
                            address.channel.name()
                        ),
                        site: change.key.site.clone(),
                        garden: garden.site.name.clone(),
                        who: group.who.clone(),
                        address: address.clone(),
                        made_at: now,
                        priority,
                        purpose: Purpose::News,
                        subject: change.text.clone(),
                        opening: String::new(),
                        items: vec![Item {
                            key: change.key.clone(),
                            place_name: change.key.place.to_string(),
                            state: change.to,
                            priority,
                            since: change.since,
                            since_local: garden.site.time_zone.to_datetime(change.since).to_string(),
                            text: change.text.clone(),
                            source: change.source.to_string(),
                        }],
                    });
                }
            }
        }
    }

    /// Lets time go by. `stands` gives an alarm as it stands now.
    pub fn tick(
        &mut self,
        _now: Timestamp,
        _stands: &dyn Fn(&AlarmKey) -> Option<Standing>,
        _told: &mut Told,
    ) {
    }

    /// Takes a message that nobody would take.
    pub fn not_sent(&mut self, _given_up: &GivenUp, _told: &mut Told) {}
}

//! The groups of all gardens, and what waits for each.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::hours::TellingHours;
use super::merged::{by_garden, merge_summaries};
use super::message::{GivenUp, Message, Waiting};
use super::site::{GroupEntries, SiteNotifier};
use crate::alarms::{AlarmKey, AlarmRecord, Priority};
use crate::garden::plan::{Garden, Tell, place_called};
use crate::garden::record::AlarmChange;
use crate::garden::view::PendingAlarm;
use crate::model::Id;
use crate::text::{spoken, subjects};

/// The clock was set back where it shows this much less than before, seconds.
const SET_BACK_S: i64 = 60;

/// What one call asks the store to keep.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NotifierOutput {
    pub messages: Vec<Message>,
    /// All that waits at the sites where something changed, one entry for each site.
    pub waiting: Vec<(Id, Vec<Waiting>)>,
}

impl NotifierOutput {
    /// Whether there is nothing to keep.
    pub fn is_empty(&self) -> bool {
        self.messages.is_empty() && self.waiting.is_empty()
    }

    /// Empties it, keeping the memory.
    pub fn clear(&mut self) {
        self.messages.clear();
        self.waiting.clear();
    }

    /// Puts all that waits at a site instead of what an earlier call said.
    fn put(&mut self, site: &Id, rows: Vec<Waiting>) {
        match self.waiting.iter_mut().find(|(id, _)| id == site) {
            Some((_, before)) => *before = rows,
            None => self.waiting.push((site.clone(), rows)),
        }
    }
}

/// When the first group would be told of an alarm that is raised at `at`; `None` where
/// no group with an address is concerned.
pub(crate) fn first_told(garden: &Garden, alarm: &AlarmKey, at: Timestamp) -> Option<Timestamp> {
    garden
        .tell
        .iter()
        .filter(|group| !group.by.is_empty() && garden.concerns(group, alarm.kind, &alarm.place))
        .map(|group| told_at(garden, group, alarm, at))
        .min()
}

/// When a group is told of an alarm that concerns it and is raised at `at`.
pub(crate) fn told_at(garden: &Garden, group: &Tell, alarm: &AlarmKey, at: Timestamp) -> Timestamp {
    if garden.priority_at(alarm.kind, &alarm.place) == Priority::High {
        return at;
    }
    let told = TellingHours::of(garden, Some(group)).of_kind(alarm.kind, at).gathered(at);
    // What waits a minute for company is told with the alarm, as people count.
    if told.duration_since(at) <= COMPANY { at } else { told }
}

/// Company for a message is waited for so long.
const COMPANY: SignedDuration = SignedDuration::from_secs(60);

/// "Since 9:40 am: Kitchen bed needs water. People are told at 10:40 am if it stays."
pub(crate) fn pending_words(garden: &Garden, pending: &PendingAlarm, now: Timestamp) -> String {
    let zone = &garden.site.time_zone;
    let place = subjects::plain(&place_called(garden, &pending.key.place));
    let headline = subjects::headline(pending.key.kind, &place);
    let since = spoken::moment_seen_from(pending.since, now, zone);
    let told = match first_told(garden, &pending.key, pending.due.max(now)) {
        None => "Nobody is told of it".to_owned(),
        Some(at) if at <= now => "People are told with its next reading if it stays".to_owned(),
        Some(at) => format!("People are told at {} if it stays", spoken::moment_seen_from(at, now, zone)),
    };
    format!("Since {since}: {headline}. {told}.")
}

/// Who is told what, for all gardens.
#[derive(Debug)]
pub struct Notifier {
    sites: BTreeMap<Id, SiteNotifier>,
    /// Nothing is to be done before this time; `None`: nothing waits.
    next: Option<Timestamp>,
    /// Sites have rows that the store gave back, or times to look over.
    restored: bool,
    /// Gardens that are no more and still have rows in the store.
    gone: Vec<Id>,
    ticked: Option<Timestamp>,
}

impl Notifier {
    /// Nothing waits yet.
    pub fn new(gardens: &[Arc<Garden>]) -> Self {
        let sites = gardens.iter().map(|g| (g.site.id.clone(), SiteNotifier::new(Arc::clone(g)))).collect();
        Self { sites, next: None, restored: false, gone: Vec::new(), ticked: None }
    }

    /// Restores what the store kept. What names a garden or group that is no more
    /// is left out, and the store is told so with the next [`Notifier::tick`].
    pub fn restore(&mut self, waiting: Vec<Waiting>) {
        for row in waiting {
            match self.sites.get_mut(&row.alarm.site) {
                Some(site) => site.restore(row),
                None if self.gone.contains(&row.alarm.site) => {}
                None => self.gone.push(row.alarm.site),
            }
            self.restored = true;
        }
    }

    /// Takes steps that were just judged, in their order, each once. `now` is the
    /// moment of the commit.
    pub fn take(&mut self, changes: &[AlarmChange], now: Timestamp, told: &mut NotifierOutput) {
        let mut said: BTreeMap<Id, GroupEntries> = BTreeMap::new();
        for change in changes {
            let Some(site) = self.sites.get_mut(&change.record.key.site) else { continue };
            site.step(change, now, said.entry(change.record.key.site.clone()).or_default());
        }
        for (id, said) in said {
            let Some(site) = self.sites.get(&id) else { continue };
            site.write(said, now, None, &mut told.messages);
            self.keep(&id, told);
        }
    }

    /// Lets time go by. `stands` returns the present state of an alarm; steps that led
    /// there must have been given to [`Notifier::take`] before.
    pub fn tick(
        &mut self,
        now: Timestamp,
        stands: &dyn Fn(&AlarmKey) -> Option<AlarmRecord>,
        told: &mut NotifierOutput,
    ) {
        if self.ticked.is_some_and(|before| now.as_second() < before.as_second() - SET_BACK_S) {
            self.restored = true;
            self.sites.values_mut().for_each(|site| site.untimed = true);
        }
        self.ticked = Some(now);
        if !self.restored && self.next.is_none_or(|next| now < next) {
            return;
        }
        self.restored = false;
        for gone in self.gone.drain(..) {
            told.put(&gone, Vec::new());
        }
        self.next = None;
        let before = told.messages.len();
        let ids: Vec<Id> = self.sites.keys().cloned().collect();
        for id in ids {
            let Some(site) = self.sites.get_mut(&id) else { continue };
            let mut said = GroupEntries::new();
            site.tick(now, stands, &mut said);
            site.write(said, now, Some(stands), &mut told.messages);
            self.keep(&id, told);
        }
        merge_summaries(&mut told.messages, before);
    }

    /// Takes a message that nobody would take. It goes to the group's other
    /// addresses; if there are none, or they fail too, to the group that is told
    /// next; and last to all others of the garden. What is over or answered
    /// meanwhile goes nowhere.
    pub fn not_sent(
        &mut self,
        given_up: &GivenUp,
        stands: &dyn Fn(&AlarmKey) -> Option<AlarmRecord>,
        told: &mut NotifierOutput,
    ) {
        for of_garden in by_garden(given_up) {
            let id = &of_garden.message.site;
            let Some(site) = self.sites.get_mut(id) else { continue };
            site.not_sent(&of_garden, stands, &mut told.messages);
            self.keep(id, told);
        }
    }

    /// Hands the store what changed at a site, and notes when it wants to be looked at.
    fn keep(&mut self, id: &Id, told: &mut NotifierOutput) {
        let Some(site) = self.sites.get_mut(id) else { return };
        let garden = Arc::clone(&site.garden);
        if let Some(rows) = site.rows.changed(&garden) {
            told.put(id, rows);
        }
        let due = site.rows.first_due();
        self.next = [self.next, due].into_iter().flatten().min();
    }
}

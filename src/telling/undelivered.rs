//! What becomes of a message that could not be delivered.
//!
//! ```text
//!  a group's addresses ──▶ its other addresses ──▶ the next group ──▶ all other groups
//! ```
//!
//! A step that has no address is passed over. Each step is known from the message
//! that failed, and each leads to a later one only, so it comes to an end however
//! many of them fail.

use super::compose::{DraftEntry, MessageDraft, addressed, unaddressed};
use super::message::AlarmLookup;
use super::message::{GivenUp, Item, Message, Purpose, WaitFor};
use super::site::{SiteNotifier, still};
use super::waiting::{WaitKey, WaitTimes};
use crate::alarms::{AlarmRecord, Priority};
use crate::garden::plan::Address;

/// Where a message goes that could not be delivered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum FallbackStep {
    Instead,
    Next,
    Others,
}

impl SiteNotifier {
    /// Takes a message that nobody would take.
    pub(super) fn not_sent(&mut self, given_up: &GivenUp, stands: AlarmLookup<'_>, into: &mut Vec<Message>) {
        let message = &given_up.message;
        if given_up.reached_otherwise {
            return;
        }
        // Whom it was for at first, and the first way that was not tried yet.
        let (origin, first) = match &message.purpose {
            Purpose::News
            | Purpose::Summary
            | Purpose::Again
            | Purpose::Worse
            | Purpose::NotAnswered { .. } => (&message.who, FallbackStep::Instead),
            Purpose::NotDelivered { to } if *to == message.who => (to, FallbackStep::Next),
            Purpose::NotDelivered { to } => {
                let next = self.group(to).and_then(|group| self.next_of(group));
                if next.is_none() || next != self.group(&message.who) {
                    return;
                }
                (to, FallbackStep::Others)
            }
            // The people who were told of it find it on the page and in the next summary.
            Purpose::Over | Purpose::Test | Purpose::Rehearsal => return,
        };
        let origin = origin.clone();
        let open: Vec<(Item, AlarmRecord)> = message
            .items
            .iter()
            .filter_map(|item| {
                let standing = stands(&item.key)?;
                let since = super::hours::whole_millis(item.since);
                still(&standing, self.priority(&standing), since).then(|| (item.clone(), standing))
            })
            .collect();
        if open.is_empty() {
            return;
        }
        let from = self.group(&origin);
        let next = from.and_then(|group| self.next_of(group));
        for way in [FallbackStep::Instead, FallbackStep::Next, FallbackStep::Others]
            .into_iter()
            .filter(|way| *way >= first)
        {
            let groups: Vec<usize> = match way {
                FallbackStep::Instead => from.into_iter().collect(),
                FallbackStep::Next => next.into_iter().collect(),
                FallbackStep::Others => {
                    (0..self.garden.tell.len()).filter(|&g| Some(g) != from && Some(g) != next).collect()
                }
            };
            let reachable: Vec<usize> =
                groups.into_iter().filter(|&group| !self.addresses(group, way).is_empty()).collect();
            if reachable.is_empty() {
                continue;
            }
            for group in reachable {
                self.bring(group, way, &origin, &open, given_up, into);
            }
            return;
        }
    }

    fn addresses(&self, group: usize, way: FallbackStep) -> Vec<Address> {
        let tell = &self.garden.tell[group];
        if way == FallbackStep::Instead { tell.instead.clone() } else { tell.by.clone() }
    }

    /// Tells one group, at once or when it may be told.
    fn bring(
        &mut self,
        group: usize,
        way: FallbackStep,
        origin: &str,
        open: &[(Item, AlarmRecord)],
        given_up: &GivenUp,
        into: &mut Vec<Message>,
    ) {
        let now = given_up.at;
        let hours = if way == FallbackStep::Instead { self.hours_instead(group) } else { self.hours(group) };
        let free_at = hours.at_once(now);
        let mut entries: Vec<DraftEntry> = Vec::new();
        for (item, standing) in open {
            let alarm = &item.key;
            let since = super::hours::whole_millis(item.since);
            // A group that knows of it needs no second message.
            if way != FallbackStep::Instead && self.rows.told(alarm, group, since).is_some() {
                continue;
            }
            let which = WaitKey {
                alarm: alarm.clone(),
                group,
                wait: WaitFor::TellNotDelivered { to: origin.to_owned() },
            };
            if way == FallbackStep::Next {
                self.drop_answers_to(group, alarm);
            }
            if self.priority(standing) < Priority::High && now < free_at {
                self.rows.put(which, WaitTimes { since, due: free_at });
                continue;
            }
            // The same cause for each address that failed, so that all give one key.
            let row = WaitTimes { since, due: super::hours::whole_millis(given_up.message.made_at) };
            entries.push(DraftEntry { again: false, ..self.entry(&which, row, standing) });
            if way != FallbackStep::Instead {
                self.told(group, standing, since, now);
            }
        }
        let whole = entries.len() == given_up.message.items.len();
        let draft = MessageDraft {
            garden: &self.garden,
            who: &self.garden.tell[group].who,
            purpose: Purpose::NotDelivered { to: origin.to_owned() },
            after_s: None,
            standing: Vec::new(),
        };
        let before = into.len();
        draft.write(entries, &self.addresses(group, way), now, into);
        for message in &mut into[before..] {
            // However many alarms are left of it, it is told once.
            let shared = unaddressed(&given_up.message.key);
            message.key = addressed(&draft.key_of_undelivered(shared), &message.address);
            // What the first message left out is told of in its opening.
            if whole && !given_up.message.opening.is_empty() {
                message.opening = format!("{} {}", message.opening, given_up.message.opening);
            }
        }
    }
}

//! What the time that goes by has a garden's groups told.

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp};

use super::compose::DraftEntry;
use super::hours::{plus, whole_millis};
use super::message::{AlarmLookup, WaitFor};
use super::site::{GroupEntries, SiteNotifier, TellReason, still};
use super::waiting::{WaitKey, WaitTimes};
use crate::alarms::{AlarmKey, Priority, State};

impl SiteNotifier {
    /// Lets time go by. `stands` returns the present state of an alarm.
    pub(super) fn tick(&mut self, now: Timestamp, stands: AlarmLookup<'_>, said: &mut GroupEntries) {
        if std::mem::take(&mut self.unseen) {
            self.sweep(stands);
        }
        if std::mem::take(&mut self.untimed) {
            self.time_anew(now);
        }
        if self.rows.first_due().is_none_or(|due| now < due) {
            return;
        }
        for group in 0..self.garden.tell.len() {
            self.tell_due((group, true), now, stands, said);
            self.tell_due((group, false), now, stands, said);
        }
        self.pass_on(now, stands, said);
        self.tell_again(now, stands, said);
    }

    /// Takes away rows whose alarms are over or began again without anybody having
    /// seen it: while the daemon was away, or by a change of the garden's file.
    fn sweep(&mut self, stands: AlarmLookup<'_>) {
        let gone = self.rows.picked(|which, row| {
            let known = stands(&which.alarm).is_some_and(|standing| {
                standing.state != State::Normal && whole_millis(standing.since) == row.since
            });
            !known
        });
        for (which, _) in gone {
            self.rows.remove(&which);
        }
    }

    /// Brings times forward that are later than they could be if they were set now:
    /// the clock was set back, or the group's hours are others.
    fn time_anew(&mut self, now: Timestamp) {
        for (which, row) in self.rows.picked(|_, _| true) {
            let latest = match which.wait {
                WaitFor::Over => continue,
                WaitFor::Answer => {
                    let next = self.garden.tell.get(which.group).and_then(|tell| tell.next.as_ref());
                    // Without a next group there is nothing to wait for: it goes when due.
                    let after_s = next.map_or(0, |next| next.after_s);
                    plus(whole_millis(now), SignedDuration::from_secs(i64::from(after_s)))
                }
                WaitFor::Again => plus(whole_millis(now), self.repeats(which.group).1),
                WaitFor::Tell | WaitFor::TellNotAnswered { .. } | WaitFor::TellNotDelivered { .. } => {
                    self.hours(which.group).of_kind(which.alarm.kind, now).gathered(now)
                }
            };
            if latest < row.due {
                self.rows.put(which, WaitTimes { due: latest, ..row });
            }
        }
    }

    /// Tells a group what has waited long enough, and what came meanwhile with it.
    /// What goes to its other addresses is a matter of its own.
    fn tell_due(
        &mut self,
        (group, instead): (usize, bool),
        now: Timestamp,
        stands: AlarmLookup<'_>,
        said: &mut GroupEntries,
    ) {
        let mut waiting = self.rows.picked(|which, _| {
            which.group == group && which.wait.tells() && self.is_instead(which) == instead
        });
        if waiting.iter().all(|(_, row)| now < row.due) {
            return;
        }
        let hours = if instead { self.hours_instead(group) } else { self.hours(group) };
        // What is of the day and waits for no summary does not bring it forward either.
        let alone = |which: &WaitKey| {
            hours.summary.is_some() && hours.of_kind(which.alarm.kind, now).summary.is_none()
        };
        let early = waiting.iter().all(|(which, row)| now < row.due || alone(which));
        if early {
            waiting.retain(|(which, row)| row.due <= now && alone(which));
        }
        let put_off = |which: &WaitKey, row: &WaitTimes| {
            let hours = if early { hours.of_kind(which.alarm.kind, now) } else { hours };
            hours.put_off(row.due, now)
        };
        let is_high = |alarm: &AlarmKey| {
            let usual = || self.garden.priority_at(alarm.kind, &alarm.place);
            stands(alarm).map_or_else(usual, |standing| self.priority(&standing)) == Priority::High
        };
        let late: Vec<(WaitKey, WaitTimes)> = waiting
            .iter()
            .filter(|(which, row)| row.due <= now && !is_high(&which.alarm))
            .filter_map(|(which, row)| Some((which.clone(), WaitTimes { due: put_off(which, row)?, ..*row })))
            .collect();
        if !late.is_empty() {
            waiting.retain(|(which, _)| is_high(&which.alarm));
            for (which, row) in late {
                self.rows.put(which, row);
            }
        }
        // What says more of an alarm goes before its mere news.
        waiting.sort_by_key(|(which, _)| std::cmp::Reverse(which.wait.clone()));
        let mut done: BTreeSet<AlarmKey> = BTreeSet::new();
        for (which, row) in waiting {
            self.rows.remove(&which);
            let Some(standing) = stands(&which.alarm) else { continue };
            if !still(&standing, self.priority(&standing), row.since) || done.contains(&which.alarm) {
                continue;
            }
            done.insert(which.alarm.clone());
            let why = if early && which.wait == WaitFor::Tell { TellReason::News } else { self.why(&which) };
            let mut entry = self.entry(&which, row, &standing);
            if why == TellReason::Summary {
                entry.text = self.with_others(&which.wait, &entry.text);
            }
            said.entry((group, why)).or_default().push(entry);
            self.told(group, &standing, row.since, now);
        }
    }

    /// Whether it goes to the group's other addresses.
    fn is_instead(&self, which: &WaitKey) -> bool {
        let tell = self.garden.tell.get(which.group);
        matches!((&which.wait, tell), (WaitFor::TellNotDelivered { to }, Some(tell)) if tell.who == *to)
    }

    fn why(&self, which: &WaitKey) -> TellReason {
        let summary = self.garden.tell.get(which.group).is_some_and(|tell| tell.summary.is_some());
        let instead = self.is_instead(which);
        match &which.wait {
            _ if summary && !instead => TellReason::Summary,
            WaitFor::TellNotDelivered { to } => TellReason::NotDelivered { to: to.clone(), instead },
            WaitFor::TellNotAnswered { by } => {
                self.group(by).map_or(TellReason::News, TellReason::NotAnswered)
            }
            WaitFor::Tell | WaitFor::Answer | WaitFor::Again | WaitFor::Over => TellReason::News,
        }
    }

    /// An alarm's text in a summary, with what concerns another group.
    fn with_others(&self, wait: &WaitFor, text: &str) -> String {
        match wait {
            WaitFor::TellNotAnswered { by } => format!("{text} {by} was told and has not answered."),
            WaitFor::TellNotDelivered { to } => {
                format!("{text} This was for {to} and could not be delivered there.")
            }
            WaitFor::Tell | WaitFor::Answer | WaitFor::Again | WaitFor::Over => text.to_owned(),
        }
    }

    /// Tells the next groups what nobody has answered in time.
    fn pass_on(&mut self, now: Timestamp, stands: AlarmLookup<'_>, said: &mut GroupEntries) {
        for (which, row) in self.rows.picked(|which, row| which.wait == WaitFor::Answer && row.due <= now) {
            // Another group that leads to the same next one may have taken it along.
            if self.rows.remove(&which).is_none() {
                continue;
            }
            let Some(next) = self.next_of(which.group) else { continue };
            let Some(standing) = stands(&which.alarm) else { continue };
            if !still(&standing, self.priority(&standing), row.since) {
                continue;
            }
            self.drop_answers_to(next, &which.alarm);
            let high = self.priority(&standing) == Priority::High;
            let due = self.hours(next).of_kind(which.alarm.kind, now).at_once(now);
            if high || due <= now {
                let mut entry = self.entry(&which, row, &standing);
                entry.again = false;
                said.entry((next, TellReason::NotAnswered(which.group))).or_default().push(entry);
                self.told(next, &standing, row.since, now);
            } else {
                let by = self.garden.tell[which.group].who.clone();
                let wait = WaitFor::TellNotAnswered { by };
                self.rows.put(
                    WaitKey { alarm: which.alarm, group: next, wait },
                    WaitTimes { since: row.since, due },
                );
            }
        }
    }

    /// Tells groups again what nobody has answered. The distance grows with the time since
    /// the group was told: after an hour, then two, four, eight.
    fn tell_again(&mut self, now: Timestamp, stands: AlarmLookup<'_>, said: &mut GroupEntries) {
        let now_ms = whole_millis(now);
        for group in 0..self.garden.tell.len() {
            let (first, most) = self.repeats(group);
            let of_group = |which: &WaitKey| which.group == group && which.wait == WaitFor::Again;
            if !self.rows.iter().any(|(which, row)| of_group(which) && row.due <= now) {
                continue;
            }
            // What is due soon is told in the same message.
            let soon = plus(now, first / 4);
            for (which, row) in self.rows.picked(|which, row| of_group(which) && row.due <= soon) {
                self.rows.remove(&which);
                let Some(standing) = stands(&which.alarm) else { continue };
                let same =
                    standing.state == State::Unacknowledged && whole_millis(standing.since) == row.since;
                if !same || self.priority(&standing) != Priority::High {
                    continue;
                }
                let told = self.rows.told(&which.alarm, group, row.since);
                let entry = self.entry(&which, row, &standing);
                said.entry((group, TellReason::Again)).or_default().push(DraftEntry {
                    again: true,
                    told,
                    ..entry
                });
                if told.is_none() {
                    self.told(group, &standing, row.since, now);
                    continue;
                }
                let since_told = now_ms.duration_since(told.unwrap_or(now_ms)).max(SignedDuration::ZERO);
                let distance = (since_told + first).min(most);
                self.rows.put(which, WaitTimes { due: plus(now_ms, distance), ..row });
            }
        }
    }
}

//! One garden: what each step of an alarm, and the time that goes by, have its
//! groups told.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::compose::{DraftEntry, MessageDraft};
use super::hours::{TellingHours, plus, whole_millis};
use super::message::AlarmLookup;
use super::message::{Message, Purpose, WaitFor, Waiting};
use super::waiting::{WaitKey, WaitTimes, WaitingTable};
use crate::alarms::{AlarmKey, AlarmRecord, Kind, Priority, State};
use crate::garden::plan::place_called;
use crate::garden::plan::{Address, Garden};
use crate::garden::record::AlarmChange;
use crate::text::subjects;

/// Set before the occurrence, a time of telling is of an earlier round of telling.
const BEFORE: SignedDuration = SignedDuration::from_millis(1);
/// What has come back and is not told at once is told when it has stayed for so long: it
/// is no dip of the night any more. Ours.
const STAYS: SignedDuration = SignedDuration::from_hours(12);

/// A garden, what waits for its groups and who was told of what.
#[derive(Clone, Debug)]
pub(super) struct SiteNotifier {
    pub(super) garden: Arc<Garden>,
    pub(super) rows: WaitingTable,
    /// Rows were given back by the store, and nobody has looked yet whether their
    /// alarms still stand.
    pub(super) unseen: bool,
    /// Those rows may be of other settings or of another clock: their times are
    /// looked over.
    pub(super) untimed: bool,
}

/// What is to be said to each group, by purpose.
pub(super) type GroupEntries = BTreeMap<(usize, TellReason), Vec<DraftEntry>>;

/// Why a group is told; in this order.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum TellReason {
    News,
    Worse,
    Again,
    /// By the number of the group that has not answered.
    NotAnswered(usize),
    NotDelivered {
        to: String,
        /// At the group's other addresses.
        instead: bool,
    },
    Summary,
    Over,
}

/// How an alarm stands, for those that still have to be told of it.
pub(super) fn still(standing: &AlarmRecord, priority: Priority, since: Timestamp) -> bool {
    let same = whole_millis(standing.since) == since;
    let open = match priority {
        // Even where it is over, somebody has to look.
        Priority::High => standing.state.waits(),
        Priority::Medium | Priority::Low => {
            standing.state == State::Unacknowledged || was(standing.key.kind, standing.state)
        }
    };
    same && open
}

/// Whether it is over, nobody has answered, and somebody ought to act on it all the same.
fn was(kind: Kind, state: State) -> bool {
    kind.row().told_when_over && state == State::ReturnedUnacknowledged
}

impl SiteNotifier {
    pub(super) fn new(garden: Arc<Garden>) -> Self {
        Self { garden, rows: WaitingTable::default(), unseen: false, untimed: false }
    }

    /// The garden's own priority of an alarm as it stands.
    pub(super) fn priority(&self, standing: &AlarmRecord) -> Priority {
        self.garden.priority_of(standing)
    }

    pub(super) fn group(&self, who: &str) -> Option<usize> {
        self.garden.tell.iter().position(|group| group.who == who)
    }

    /// The group that is told after this one.
    pub(super) fn next_of(&self, group: usize) -> Option<usize> {
        self.garden.tell.get(group)?.next.as_ref().and_then(|next| self.group(&next.who))
    }

    /// When and how a group may be told.
    pub(super) fn hours(&self, group: usize) -> TellingHours<'_> {
        TellingHours::of(&self.garden, self.garden.tell.get(group))
    }

    /// When its other addresses may be used: what could not be delivered is late
    /// enough, and waits for no summary.
    pub(super) fn hours_instead(&self, group: usize) -> TellingHours<'_> {
        TellingHours { summary: None, ..self.hours(group) }
    }

    /// Takes a row as the store had it. One that names a group that is no more is
    /// left out, and the store is to be told.
    pub(super) fn restore(&mut self, waiting: Waiting) {
        let Some(group) = self.group(&waiting.who) else {
            self.rows.mark_changed();
            return;
        };
        let row = WaitTimes { since: whole_millis(waiting.since), due: whole_millis(waiting.due) };
        self.rows.put_back(WaitKey { alarm: waiting.alarm, group, wait: waiting.wait }, row);
        (self.unseen, self.untimed) = (true, true);
    }

    /// Takes one step of an alarm.
    pub(super) fn step(&mut self, change: &AlarmChange, now: Timestamp, said: &mut GroupEntries) {
        let record = &change.record;
        let alarm = &record.key;
        let since = whole_millis(record.since);
        let high = self.priority(record) == Priority::High;
        match record.state {
            State::Unacknowledged => {
                let worse = record.course.worse;
                // Whoever was told of this occurrence, as the next group too.
                let told: BTreeSet<usize> = self
                    .rows
                    .of(alarm)
                    .iter()
                    .filter(|(which, row)| which.wait == WaitFor::Over && row.since == since)
                    .map(|(which, _)| which.group)
                    .collect();
                // What grows worse unanswered goes on waiting for its answer.
                if change.from != State::Unacknowledged {
                    // Who was told of this occurrence is reminded; what was of another is void.
                    self.rows.drop_of(alarm, |which, row| which.wait != WaitFor::Over || row.since != since);
                    for (which, row) in self.rows.of(alarm) {
                        // Told before this round of telling.
                        self.rows.put(which, WaitTimes { due: plus(since, -BEFORE), ..row });
                    }
                }
                let garden = Arc::clone(&self.garden);
                for (group, tell) in garden.tell.iter().enumerate() {
                    let knows = high && worse && told.contains(&group);
                    if knows || garden.concerns(tell, alarm.kind, &alarm.place) {
                        self.raised(group, alarm, since, change, now, said);
                    }
                }
            }
            State::Acknowledged => self.rows.drop_of(alarm, |which, _| which.wait != WaitFor::Over),
            State::Normal
            | State::ReturnedUnacknowledged
            | State::LatchedUnacknowledged
            | State::LatchedAcknowledged => {
                if high && (change.from.is_active() || change.from == State::Shelved) {
                    self.over(alarm, change, said);
                }
                // Somebody has to look, and nobody has answered: it is still passed on.
                let waits = high && record.state.waits();
                // What somebody ought to act on waits on, and is told as over.
                let was = !high && was(alarm.kind, record.state);
                self.rows.drop_of(alarm, |which, _| {
                    let tells = which.wait.tells();
                    if high { !waits || tells || which.wait == WaitFor::Again } else { !(was && tells) }
                });
            }
            // Put aside for a time: who knew of it goes on knowing of it, unless it was over.
            State::Shelved => {
                let stood = change.from.is_active();
                self.rows.drop_of(alarm, |which, _| !stood || which.wait != WaitFor::Over);
            }
            State::Suppressed | State::OutOfService => self.rows.drop_of(alarm, |_, _| true),
        }
    }

    fn raised(
        &mut self,
        group: usize,
        alarm: &AlarmKey,
        since: Timestamp,
        change: &AlarmChange,
        now: Timestamp,
        said: &mut GroupEntries,
    ) {
        let record = &change.record;
        let again = WaitKey { alarm: alarm.clone(), group, wait: WaitFor::Again };
        if self.priority(record) == Priority::High {
            // It may have waited to be told while it was less urgent.
            self.rows.remove(&WaitKey { alarm: alarm.clone(), group, wait: WaitFor::Tell });
            if !record.course.is_told() && change.from != State::Acknowledged {
                // It has come back, no worse, and is told at growing distance; unless it stays.
                self.rows.put(again, WaitTimes { since, due: plus(whole_millis(now), STAYS) });
                return;
            }
            let entry = DraftEntry {
                alarm: alarm.clone(),
                priority: self.priority(record),
                state: record.state,
                since,
                cause: whole_millis(record.at),
                text: record.said.text.clone(),
                source: record.said.source.to_string(),
                again: self.rows.told(alarm, group, since).is_some(),
                told: None,
            };
            // To a group that has not been told while it was less urgent it is news.
            let row = alarm.kind.row();
            let graded = !row.by_severity.is_empty() || row.blinds_from > 0;
            let news = graded && self.rows.told(alarm, group, since).is_none();
            let worse = record.course.worse && change.from.is_active() && !news;
            let why = if worse { TellReason::Worse } else { TellReason::News };
            said.entry((group, why)).or_default().push(entry);
            if self.rows.told_now(alarm, group, since).is_some() {
                // What is worse is told at once, and again as soon as the first time.
                let now = whole_millis(now);
                let over = WaitKey { alarm: alarm.clone(), group, wait: WaitFor::Over };
                self.rows.put(over, WaitTimes { since, due: now });
                self.rows.put(again, WaitTimes { since, due: plus(now, self.repeats(group).0) });
            }
            self.told(group, record, since, now);
            if record.course.times > 1 && !record.course.worse {
                // As it went the last time it will be over by itself.
                let which = WaitKey { alarm: alarm.clone(), group, wait: WaitFor::Again };
                self.rows.put(which, WaitTimes { since, due: plus(whole_millis(now), STAYS) });
            }
        } else {
            let due = self.hours(group).of_kind(alarm.kind, now).gathered(now);
            self.rows
                .put(WaitKey { alarm: alarm.clone(), group, wait: WaitFor::Tell }, WaitTimes { since, due });
        }
    }

    /// Notes that a group was told at `now`: from then on its answer is waited for.
    /// It is waited for once, however often the group is told, until the alarm comes
    /// again: so no chain of groups is gone through twice.
    pub(super) fn told(&mut self, group: usize, standing: &AlarmRecord, since: Timestamp, now: Timestamp) {
        let (alarm, state) = (&standing.key, standing.state);
        let now = whole_millis(now);
        if self.rows.told_now(alarm, group, since).is_some() {
            return;
        }
        let over = WaitKey { alarm: alarm.clone(), group, wait: WaitFor::Over };
        self.rows.put(over, WaitTimes { since, due: now });
        let next = self.garden.tell.get(group).and_then(|tell| tell.next.as_ref());
        // What is of low priority is nobody's hurry.
        let hurry = self.priority(standing) > Priority::Low && state.waits();
        if let Some(next) = next.filter(|_| hurry) {
            let due = plus(now, SignedDuration::from_secs(i64::from(next.after_s)));
            let which = WaitKey { alarm: alarm.clone(), group, wait: WaitFor::Answer };
            self.rows.put(which, WaitTimes { since, due });
        }
        if self.priority(standing) == Priority::High && state == State::Unacknowledged {
            let which = WaitKey { alarm: alarm.clone(), group, wait: WaitFor::Again };
            self.rows.put(which, WaitTimes { since, due: plus(now, self.repeats(group).0) });
        }
    }

    /// After how long a group is told again, and how long that grows at most.
    fn repeats(&self, group: usize) -> (SignedDuration, SignedDuration) {
        let repeats = self.garden.tell.get(group).map(|tell| tell.unanswered).unwrap_or_default();
        let seconds = |s: u32| SignedDuration::from_secs(i64::from(s));
        (seconds(repeats.first_s), seconds(repeats.most_s))
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
            let due: Vec<(WaitKey, WaitTimes)> = self
                .rows
                .iter()
                .filter(|(which, row)| of_group(which) && row.due <= soon)
                .map(|(which, row)| (which.clone(), *row))
                .collect();
            for (which, row) in due {
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

    /// Says to all who were told that it is over.
    fn over(&mut self, alarm: &AlarmKey, change: &AlarmChange, said: &mut GroupEntries) {
        let record = &change.record;
        let place = subjects::plain(&place_called(&self.garden, &alarm.place));
        for (which, row) in self.rows.of(alarm) {
            if which.wait != WaitFor::Over {
                continue;
            }
            // A step out of a shelf repeats the alarm's own words.
            let text = if change.from.is_hidden() {
                format!("{}: that is over.", subjects::headline(alarm.kind, &place))
            } else {
                record.said.text.clone()
            };
            let entry = DraftEntry {
                alarm: alarm.clone(),
                priority: self.priority(record),
                state: record.state,
                since: row.since,
                cause: whole_millis(record.at),
                text: with_state(&text, record.state),
                source: record.said.source.to_string(),
                again: false,
                told: None,
            };
            said.entry((which.group, TellReason::Over)).or_default().push(entry);
        }
    }

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
        let gone: Vec<WaitKey> = self
            .rows
            .iter()
            .filter(|(which, row)| {
                let known = stands(&which.alarm).is_some_and(|standing| {
                    standing.state != State::Normal && whole_millis(standing.since) == row.since
                });
                !known
            })
            .map(|(which, _)| which.clone())
            .collect();
        for which in gone {
            self.rows.remove(&which);
        }
    }

    /// Brings times forward that are later than they could be if they were set now:
    /// the clock was set back, or the group's hours are others.
    fn time_anew(&mut self, now: Timestamp) {
        let all: Vec<(WaitKey, WaitTimes)> =
            self.rows.iter().map(|(which, row)| (which.clone(), *row)).collect();
        for (which, row) in all {
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
        let mut waiting: Vec<(WaitKey, WaitTimes)> = self
            .rows
            .iter()
            .filter(|(which, _)| which.group == group && which.wait.tells())
            .filter(|(which, _)| self.is_instead(which) == instead)
            .map(|(which, row)| (which.clone(), *row))
            .collect();
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

    pub(super) fn entry(&self, which: &WaitKey, row: WaitTimes, standing: &AlarmRecord) -> DraftEntry {
        let told = self.rows.told(&which.alarm, which.group, row.since);
        let high = self.priority(standing) == Priority::High;
        DraftEntry {
            alarm: which.alarm.clone(),
            priority: self.priority(standing),
            state: standing.state,
            since: row.since,
            cause: row.due,
            // What is not of high priority and over says itself what is still to be done.
            text: if high {
                with_state(&standing.said.text, standing.state)
            } else {
                standing.said.text.clone()
            },
            source: standing.said.source.to_string(),
            again: which.wait == WaitFor::Tell && told.is_some(),
            told: None,
        }
    }

    /// Tells the next groups what nobody has answered in time.
    fn pass_on(&mut self, now: Timestamp, stands: AlarmLookup<'_>, said: &mut GroupEntries) {
        let due: Vec<(WaitKey, WaitTimes)> = self
            .rows
            .iter()
            .filter(|(which, row)| which.wait == WaitFor::Answer && row.due <= now)
            .map(|(which, row)| (which.clone(), *row))
            .collect();
        for (which, row) in due {
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

    /// The next group knows: no other group need pass the alarm on to it.
    pub(super) fn drop_answers_to(&mut self, next: usize, alarm: &AlarmKey) {
        let leading: Vec<usize> =
            (0..self.garden.tell.len()).filter(|&group| self.next_of(group) == Some(next)).collect();
        self.rows.drop_of(alarm, |which, _| which.wait == WaitFor::Answer && leading.contains(&which.group));
    }

    /// Writes what was said as messages.
    pub(super) fn write(
        &self,
        said: GroupEntries,
        now: Timestamp,
        stands: Option<AlarmLookup<'_>>,
        into: &mut Vec<Message>,
    ) {
        for ((group, why), entries) in said {
            let Some(tell) = self.garden.tell.get(group) else { continue };
            let mut draft = MessageDraft {
                garden: &self.garden,
                who: &tell.who,
                purpose: Purpose::News,
                after_s: None,
                standing: Vec::new(),
            };
            let mut addresses = &tell.by;
            let both: Vec<Address>;
            match why {
                TellReason::News => {}
                TellReason::Worse | TellReason::Again => {
                    draft.purpose = if why == TellReason::Again { Purpose::Again } else { Purpose::Worse };
                    // Nobody answers the first way.
                    let more = tell.instead.iter().filter(|it| !tell.by.contains(it));
                    both = tell.by.iter().chain(more).cloned().collect();
                    addresses = &both;
                }
                TellReason::Over => draft.purpose = Purpose::Over,
                TellReason::Summary => {
                    draft.purpose = Purpose::Summary;
                    draft.standing = stands.map_or_else(Vec::new, |s| self.standing(group, &entries, s));
                }
                TellReason::NotAnswered(by) => {
                    let by = self.garden.tell.get(by);
                    draft.after_s = by.and_then(|by| by.next.as_ref()).map(|next| next.after_s);
                    draft.purpose =
                        Purpose::NotAnswered { by: by.map_or_else(String::new, |by| by.who.clone()) };
                }
                TellReason::NotDelivered { to, instead } => {
                    if instead {
                        addresses = &tell.instead;
                    }
                    draft.purpose = Purpose::NotDelivered { to };
                }
            }
            draft.write(entries, addresses, now, into);
        }
    }

    /// What a group was told before and nobody has answered, in a few words.
    fn standing(&self, group: usize, new: &[DraftEntry], stands: AlarmLookup<'_>) -> Vec<String> {
        let new: BTreeSet<&AlarmKey> = new.iter().map(|entry| &entry.alarm).collect();
        let mut told: Vec<(&WaitKey, Timestamp, Priority)> = self
            .rows
            .iter()
            .filter(|(which, _)| which.group == group && which.wait == WaitFor::Over)
            .filter(|(which, _)| !new.contains(&which.alarm))
            .filter_map(|(which, row)| {
                let standing = stands(&which.alarm)?;
                let priority = self.priority(&standing);
                still(&standing, priority, row.since).then_some((which, row.since, priority))
            })
            .collect();
        told.sort_by_key(|(_, since, priority)| (std::cmp::Reverse(*priority), *since));
        told.iter()
            .map(|(which, ..)| {
                subjects::headline(
                    which.alarm.kind,
                    &subjects::plain(&place_called(&self.garden, &which.alarm.place)),
                )
            })
            .collect()
    }
}

/// An alarm's words, with what is still asked of people where it is over.
fn with_state(text: &str, state: State) -> String {
    match state {
        State::ReturnedUnacknowledged | State::LatchedUnacknowledged => {
            format!(
                "{text} Nobody has answered yet: look all the same, harm can show late, and say that it was seen."
            )
        }
        State::Normal
        | State::Unacknowledged
        | State::Acknowledged
        | State::LatchedAcknowledged
        | State::Shelved
        | State::Suppressed
        | State::OutOfService => text.to_owned(),
    }
}

//! One garden: what each step of an alarm has its groups told.

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
            let told = self.rows.told(alarm, group, since).is_some();
            let entry = DraftEntry {
                again: told,
                ..DraftEntry::of(record, Priority::High, since, whole_millis(record.at))
            };
            // To a group that has not been told while it was less urgent it is news.
            let row = alarm.kind.row();
            let graded = !row.by_severity.is_empty() || row.blinds_from > 0;
            let news = graded && !told;
            let worse = record.course.worse && change.from.is_active() && !news;
            let why = if worse { TellReason::Worse } else { TellReason::News };
            said.entry((group, why)).or_default().push(entry);
            if self.rows.told_now(alarm, group, since).is_some() {
                // What is worse is told at once, and again as soon as the first time.
                let now = whole_millis(now);
                let over = WaitKey { alarm: alarm.clone(), group, wait: WaitFor::Over };
                self.rows.put(over, WaitTimes { since, due: now });
                self.rows.put(again.clone(), WaitTimes { since, due: plus(now, self.repeats(group).0) });
            }
            self.told(group, record, since, now);
            if record.course.times > 1 && !record.course.worse {
                // As it went the last time it will be over by itself.
                self.rows.put(again, WaitTimes { since, due: plus(whole_millis(now), STAYS) });
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
    pub(super) fn repeats(&self, group: usize) -> (SignedDuration, SignedDuration) {
        let repeats = self.garden.tell.get(group).map(|tell| tell.unanswered).unwrap_or_default();
        let seconds = |s: u32| SignedDuration::from_secs(i64::from(s));
        (seconds(repeats.first_s), seconds(repeats.most_s))
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
                text: with_state(&text, record.state),
                ..DraftEntry::of(record, self.priority(record), row.since, whole_millis(record.at))
            };
            said.entry((which.group, TellReason::Over)).or_default().push(entry);
        }
    }

    pub(super) fn entry(&self, which: &WaitKey, row: WaitTimes, standing: &AlarmRecord) -> DraftEntry {
        let told = self.rows.told(&which.alarm, which.group, row.since);
        let priority = self.priority(standing);
        let mut entry = DraftEntry::of(standing, priority, row.since, row.due);
        entry.again = which.wait == WaitFor::Tell && told.is_some();
        // What is not of high priority and over says itself what is still to be done.
        if priority == Priority::High {
            entry.text = with_state(&entry.text, standing.state);
        }
        entry
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

//! A garden with groups, its alarms made by hand, and what its groups are told.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use trug::alarms::{AlarmKey, AlarmRecord, AlarmText, Kind, State};
use trug::garden::plan::Garden;
use trug::garden::record::AlarmChange;
use trug::model::Id;
use trug::telling::{GivenUp, Message, Notifier, NotifierOutput, Waiting};

use super::garden::{GardenFile, settings};

/// Three beds and two tanks, each with a sensor, in this time zone with these groups, as
/// `[[tell]]` tables.
pub(crate) fn garden_in(zone: &str, tell: &str) -> Garden {
    let bed = "area_m2 = 6\nsoil = \"loamy sand\"\ncrop = \"cabbage\"\n";
    let file = GardenFile::new("saltbush-gully")
        .bed("kitchen-bed", "Kitchen bed", bed)
        .bed("pea-bed", "Pea bed", bed)
        .bed("herb-bed", "Herb bed", bed)
        .tank("perch-tank", "Perch tank", "")
        .tank("eel-tank", "Eel tank", "")
        .probe("kitchen-15cm", "kitchen-bed", 15)
        .probe("pea-15cm", "pea-bed", 15)
        .probe("herb-15cm", "herb-bed", 15)
        .sensor("perch-water", "water-temperature", "tank = \"perch-tank\"")
        .sensor("eel-water", "water-temperature", "tank = \"eel-tank\"")
        .with(tell);
    settings(&file.text().replace("Australia/Adelaide", zone)).gardens.remove(0)
}

/// A garden whose clock shows UTC.
pub(crate) fn garden(tell: &str) -> Garden {
    garden_in("UTC", tell)
}

pub(crate) fn time(text: &str) -> Timestamp {
    text.parse().unwrap_or_else(|e| panic!("{text}: {e}"))
}

pub(crate) fn later(at: Timestamp, seconds: i64) -> Timestamp {
    at + SignedDuration::from_secs(seconds)
}

/// The alarms of one garden, its store and its groups.
pub(crate) struct World {
    pub(crate) garden: Arc<Garden>,
    telling: Notifier,
    told: NotifierOutput,
    alarms: BTreeMap<AlarmKey, AlarmRecord>,
    /// What the store keeps.
    pub(crate) waiting: BTreeMap<Id, Vec<Waiting>>,
    keys: BTreeSet<String>,
}

impl World {
    pub(crate) fn new(garden: Garden) -> Self {
        let garden = Arc::new(garden);
        Self {
            telling: Notifier::new(&[Arc::clone(&garden)]),
            garden,
            told: NotifierOutput::default(),
            alarms: BTreeMap::new(),
            waiting: BTreeMap::new(),
            keys: BTreeSet::new(),
        }
    }

    pub(crate) fn key(&self, kind: Kind, place: &str) -> AlarmKey {
        AlarmKey { site: self.garden.site.id.clone(), kind, place: Id::new(place) }
    }

    pub(crate) fn standing(&self, key: &AlarmKey) -> Option<AlarmRecord> {
        self.alarms.get(key).cloned()
    }

    /// The alarm ends without a step: its place is no more.
    pub(crate) fn forget(&mut self, key: &AlarmKey) {
        self.alarms.remove(key);
    }

    /// A step of an alarm at `now`; a new condition began ten minutes before.
    pub(crate) fn change(&mut self, kind: Kind, place: &str, to: State, now: Timestamp) -> AlarmChange {
        let key = self.key(kind, place);
        let before = self.alarms.get(&key);
        let from = before.map_or(State::Normal, |standing| standing.state);
        let fresh = to == State::Unacknowledged && !matches!(from, State::Acknowledged | State::Shelved);
        let since = match before {
            Some(standing) if !fresh => standing.since,
            _ => later(now, -600),
        };
        let text = match to {
            State::Normal | State::ReturnedUnacknowledged | State::LatchedUnacknowledged => {
                format!("{place} is well again.")
            }
            _ => format!("{place}: {} stands. Do something about it today.", kind.name()),
        };
        let said = AlarmText::new(text, &[], "made up");
        let record = AlarmRecord {
            key,
            state: to,
            since,
            at: now,
            shelf: None,
            course: trug::alarms::AlarmCourse::default(),
            said,
        };
        self.stand(&record);
        AlarmChange { record, priority: self.garden.rules[kind].priority, from, how: None, tell: Vec::new() }
    }

    /// An alarm that grows worse while it stands, whatever was answered, and what is told.
    pub(crate) fn worsen(&mut self, now: Timestamp, kind: Kind, place: &str) -> Vec<Message> {
        let before = self.alarms[&self.key(kind, place)].clone();
        let mut change = self.change(kind, place, State::Unacknowledged, now);
        // No new occurrence.
        change.record.since = before.since;
        change.record.course.worse = true;
        change.record.course.severity = before.course.severity + 1;
        self.stand(&change.record);
        self.telling.take(std::slice::from_ref(&change), now, &mut self.told);
        self.commit()
    }

    /// An alarm that comes back the `times`th time.
    pub(crate) fn come_back(&mut self, now: Timestamp, kind: Kind, place: &str, times: u32) -> Vec<Message> {
        let mut change = self.change(kind, place, State::Unacknowledged, now);
        change.record.course.times = times;
        self.telling.take(std::slice::from_ref(&change), now, &mut self.told);
        self.commit()
    }

    /// The alarm stands so from now on.
    fn stand(&mut self, record: &AlarmRecord) {
        match record.state {
            State::Normal => self.alarms.remove(&record.key),
            _ => self.alarms.insert(record.key.clone(), record.clone()),
        };
    }

    /// Steps of one commit, and what is told of them at once.
    pub(crate) fn steps(&mut self, now: Timestamp, steps: &[(Kind, &str, State)]) -> Vec<Message> {
        let changes: Vec<AlarmChange> =
            steps.iter().map(|&(kind, place, to)| self.change(kind, place, to, now)).collect();
        self.telling.take(&changes, now, &mut self.told);
        self.commit()
    }

    pub(crate) fn step(&mut self, now: Timestamp, kind: Kind, place: &str, to: State) -> Vec<Message> {
        self.steps(now, &[(kind, place, to)])
    }

    pub(crate) fn raise(&mut self, now: Timestamp, kind: Kind, place: &str) -> Vec<Message> {
        self.step(now, kind, place, State::Unacknowledged)
    }

    /// Lets time go by, and gives what is told then.
    pub(crate) fn tick(&mut self, now: Timestamp) -> Vec<Message> {
        let alarms = &self.alarms;
        self.telling.tick(now, &|key| alarms.get(key).cloned(), &mut self.told);
        self.commit()
    }

    /// The same, without a commit: what is told is lost.
    pub(crate) fn tick_in_vain(&mut self, now: Timestamp) -> Vec<Message> {
        let alarms = &self.alarms;
        self.telling.tick(now, &|key| alarms.get(key).cloned(), &mut self.told);
        self.told.waiting.clear();
        std::mem::take(&mut self.told.messages)
    }

    /// Takes steps that come from elsewhere.
    pub(crate) fn take(&mut self, now: Timestamp, changes: &[AlarmChange]) -> Vec<Message> {
        for change in changes {
            self.stand(&change.record);
        }
        self.telling.take(changes, now, &mut self.told);
        self.commit()
    }

    /// What is told within these seconds, looked at every ten.
    pub(crate) fn wait(&mut self, from: Timestamp, seconds: i64) -> Vec<(Timestamp, Message)> {
        let mut told = Vec::new();
        for second in (10..=seconds).step_by(10) {
            let now = later(from, second);
            told.extend(self.tick(now).into_iter().map(|message| (now, message)));
        }
        told
    }

    pub(crate) fn not_sent(&mut self, message: &Message, at: Timestamp) -> Vec<Message> {
        self.given_up(&GivenUp {
            message: message.clone(),
            reached_otherwise: false,
            reason: "refused".to_owned(),
            at,
        })
    }

    pub(crate) fn given_up(&mut self, given_up: &GivenUp) -> Vec<Message> {
        let alarms = &self.alarms;
        self.telling.not_sent(given_up, &|key| alarms.get(key).cloned(), &mut self.told);
        self.commit()
    }

    /// The process ends before the commit, or after it: what the store keeps is all
    /// that is left.
    pub(crate) fn restart(&mut self) {
        self.restart_with(Arc::clone(&self.garden));
    }

    pub(crate) fn restart_with(&mut self, garden: Arc<Garden>) {
        self.garden = garden;
        self.telling = Notifier::new(&[Arc::clone(&self.garden)]);
        self.telling.restore(self.waiting.values().flatten().cloned().collect());
        self.told.clear();
    }

    /// As the store does it: of two messages with one key the first stays.
    fn commit(&mut self) -> Vec<Message> {
        for (site, rows) in self.told.waiting.drain(..) {
            self.waiting.insert(site, rows);
        }
        let mut new = Vec::new();
        for message in self.told.messages.drain(..) {
            check(&message);
            if self.keys.insert(message.key.clone()) {
                new.push(message);
            }
        }
        new
    }
}

/// What every message has to be.
pub(crate) fn check(message: &Message) {
    let key = &message.key;
    assert!(!key.is_empty() && key.len() <= 200, "{key}");
    assert!(key.bytes().all(|b| b.is_ascii_alphanumeric() || b"-./".contains(&b)), "{key}");
    assert!(!message.subject.is_empty() && message.subject.chars().count() <= 120, "{}", message.subject);
    assert!(!message.items.is_empty());
    let mut size = message.subject.len() + message.opening.len();
    for text in [&message.subject, &message.opening, &message.garden] {
        assert!(!text.chars().any(char::is_control), "{text:?}");
    }
    for item in &message.items {
        for text in [&item.place_name, &item.text, &item.source, &item.since_local] {
            assert!(!text.chars().any(char::is_control), "{text:?}");
            size += text.len();
        }
        assert!(item.priority <= message.priority);
    }
    assert!(size < 60 * 1024, "{size} bytes");
}

/// Who got how many messages, as `who purpose: subject`.
pub(crate) fn heads(messages: &[Message]) -> Vec<String> {
    messages.iter().map(|m| format!("{} {}: {}", m.who, m.purpose.name(), m.subject)).collect()
}

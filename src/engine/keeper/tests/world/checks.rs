//! What must hold: nothing that was acknowledged is lost, nothing is kept or told twice, and
//! where nothing but faults came, all is as without them.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;

use jiff::Timestamp;

use super::{FaultyWorld, raw};
use crate::engine::keeper::Engine;
use crate::engine::keeper::tests::broker::{START_S, SentReading, moment};
use crate::engine::keeper::tests::counts::WorldKind;
use crate::engine::keeper::tests::record::{empty_record, settings_at};
use crate::engine::{DaemonHealth, TellingClock};
use crate::garden::Clock;
use crate::model::TimeFrom;
use crate::store::{Reader, ReadingFilter};
use crate::telling::{Message, Purpose};

/// Sensor and raw number to the times at which they are stored.
type StoredTimes = BTreeMap<(String, u64), Vec<(i64, bool)>>;

impl FaultyWorld {
    /// What is stored: sensor and raw number (no two readings of a sensor have the same)
    /// to its times, and whether each is the device's own.
    pub(super) fn stored(&self) -> StoredTimes {
        let mut stored = StoredTimes::new();
        self.reader()
            .readings(&ReadingFilter::default(), |row| {
                let times = stored.entry((row.series.sensor.clone(), row.raw.to_bits())).or_default();
                times.push((row.at.as_second(), row.time_from == TimeFrom::Device));
                ControlFlow::Continue(())
            })
            .expect("the readings can be read");
        stored
    }

    /// A device's time that is hours ahead of the computer's clock is not believed: the
    /// reading has its arrival instead, and two of them when it came twice.
    pub(super) fn assert_stored(&self, stored: &StoredTimes, reading: usize) {
        let SentReading { sensor, at_s, raw } = &self.readings[reading];
        let times = stored.get(&((*sensor).to_owned(), raw.to_bits())).map_or(&[][..], Vec::as_slice);
        assert!(!times.is_empty(), "{sensor} at {at_s} was acknowledged and is not stored");
        let own: Vec<_> = times.iter().filter(|(_, own)| *own).collect();
        assert!(own.is_empty() || own == [&(*at_s, true)], "{sensor} at {at_s}: {times:?}");
        assert!(self.kind == WorldKind::ClockJumps || times.len() == 1, "{sensor} at {at_s}: {times:?}");
    }

    /// Everything that was ever acknowledged is stored, once.
    pub(super) fn check_after_start(&self) {
        let stored = self.stored();
        for reading in &self.broker.acknowledged {
            self.assert_stored(&stored, *reading);
        }
    }

    pub(super) fn check_everything(&mut self) {
        let reader = self.reader();
        let stored = self.stored();
        let known: BTreeSet<(String, u64)> =
            self.readings.iter().map(|it| (it.sensor.to_owned(), it.raw.to_bits())).collect();
        assert!(stored.keys().all(|key| known.contains(key)), "something is stored that nobody sent");
        if self.kind == WorldKind::SameAsCalm {
            assert_eq!(stored.len(), self.readings.len(), "something is missing");
        }
        self.check_server(&reader);
        self.check_alarms(&reader);
        self.check_messages(&reader);
        if self.kind == WorldKind::SameAsCalm {
            self.check_same_as_calm(&reader);
        }
    }

    /// The time-series server has each reading, as it is stored.
    fn check_server(&self, reader: &Reader) {
        let mut expected = BTreeMap::new();
        let series = reader.series().expect("the series can be read");
        reader
            .readings(&ReadingFilter::default(), |row| {
                let number =
                    series.iter().find(|(_, it)| it.sensor == row.series.sensor).map(|(number, _)| *number);
                let point = (row.raw.to_bits(), row.value.map(f64::to_bits));
                expected.insert((number.expect("a known series"), row.at), point);
                ControlFlow::Continue(())
            })
            .expect("the readings can be read");
        assert!(self.server == expected, "the server has {} of {}", self.server.len(), expected.len());
    }

    /// Each step of each alarm was heard, in order, and the last of each topic is how it stands.
    fn check_alarms(&mut self, reader: &Reader) {
        let changes = reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).expect("the history");
        self.counts.alarms = changes.len() as u64;
        let mut newest = 0;
        let mut keys = BTreeMap::new();
        let mut standing = BTreeMap::new();
        for it in &self.broker.heard {
            if it.seq > newest {
                newest = it.seq;
                let twice = keys.insert(it.letter.key.clone(), it.seq);
                assert!(twice.is_none(), "{} was told under two numbers", it.letter.key);
            } else {
                assert_eq!(keys.get(&it.letter.key), Some(&it.seq), "{} came out of order", it.letter.key);
            }
            standing.insert(it.letter.topic.clone(), it.letter.key.clone());
        }
        let steps: BTreeSet<String> = changes
            .iter()
            .map(|it| crate::engine::publication::standing(it, &self.settings.gardens).key)
            .collect();
        assert_eq!(steps.len(), changes.len(), "a step is stored twice: {changes:#?}");
        assert_eq!(keys.into_keys().collect::<BTreeSet<_>>(), steps, "what was heard is what is stored");
        for row in reader.alarms_known().expect("the alarms can be read") {
            let letter = crate::engine::publication::standing(&row, &self.settings.gardens);
            if let Some(last) = standing.get(&letter.topic) {
                assert_eq!(*last, letter.key, "how it stands was told last");
            }
        }
    }

    /// Each message reached its people as it is stored, and tells each occurrence once.
    fn check_messages(&mut self, reader: &Reader) {
        let all = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages can be read");
        self.counts.messages = all.len() as u64;
        let kept: BTreeMap<String, Message> =
            all.into_iter().map(|it| (it.message.key.clone(), it.message)).collect();
        let mut brought = BTreeMap::new();
        for message in &self.mailbox {
            let before = brought.insert(message.key.clone(), message.clone());
            assert!(before.is_none_or(|before| before == *message), "one key, two messages: {}", message.key);
        }
        assert!(brought == kept, "brought {:?}, kept {:?}", brought.keys(), kept.keys());
        let told = told_occurrences(kept.values());
        let twice: Vec<_> = told.iter().filter(|(_, times)| **times > 1).collect();
        assert!(twice.is_empty(), "told twice: {twice:?}");
    }

    /// The same messages in the same order to an engine to which nothing happens.
    fn check_same_as_calm(&mut self, reader: &Reader) {
        let path = self.folder.path().join("calm.db");
        empty_record().write(&path);
        let mut calm =
            Engine::open_at(&settings_at(path.clone()), Clock::Readings, moment(START_S)).expect("a record");
        calm.telling_clock = TellingClock::simulated();
        calm.on_change(Box::new(|_| {}));
        let (clocks, daemon_health) = (self.clocks(), DaemonHealth::default());
        calm.router.core.start(clocks.wall);
        let brought: Vec<(String, String)> = self
            .broker
            .taken
            .iter()
            .map(|reading| (self.readings[*reading].topic(), self.readings[*reading].payload()))
            .collect();
        let messages = brought.iter().map(|(topic, payload)| (raw(topic, payload, clocks.wall), None));
        calm.judge(messages, &|| clocks, &daemon_health);
        assert!(calm.try_commit(&daemon_health, &|| clocks.wall), "nothing is wrong");
        let calm = Reader::open(&path).expect("it can be read");
        for (what, left, right) in [
            ("readings", rows(&calm), rows(reader)),
            ("alarms", steps(&calm), steps(reader)),
            ("messages", told(&calm), told(reader)),
        ] {
            let missing: Vec<_> = left.difference(&right).collect();
            let more: Vec<_> = right.difference(&left).collect();
            assert!(
                missing.is_empty() && more.is_empty(),
                "{what}: missing {missing:#?}, too many {more:#?}"
            );
        }
    }
}

/// How often each occurrence stands in a message that something has happened.
fn told_occurrences<'m>(messages: impl Iterator<Item = &'m Message>) -> BTreeMap<String, u32> {
    let mut told = BTreeMap::new();
    for message in messages.filter(|it| matches!(it.purpose, Purpose::News | Purpose::Summary)) {
        for item in &message.items {
            let about =
                format!("{} {} {} {}", item.key.kind.name(), item.key.place, item.since, item.state.name());
            *told.entry(about).or_default() += 1;
        }
    }
    told
}

fn rows(reader: &Reader) -> BTreeSet<String> {
    let mut rows = BTreeSet::new();
    reader
        .readings(&ReadingFilter::default(), |row| {
            rows.insert(format!(
                "{} {} {} {:?} {:?} {:?} late: {}",
                row.series.sensor, row.at, row.raw, row.value, row.flag, row.tests, row.late
            ));
            ControlFlow::Continue(())
        })
        .expect("the readings can be read");
    rows
}

fn steps(reader: &Reader) -> BTreeSet<String> {
    let changes =
        reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).expect("the history can be read");
    // Places of the garden: the daemon's own alarms are about what happened to it.
    let changes = changes.iter().filter(|it| it.record.key.place.as_str() != "trug");
    changes
        .map(|it| format!("{:?} {:?} {} {}", it.record.key, it.record.state, it.record.since, it.record.at))
        .collect()
}

fn told(reader: &Reader) -> BTreeSet<String> {
    let all = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages can be read");
    told_occurrences(all.iter().map(|it| &it.message)).into_keys().collect()
}

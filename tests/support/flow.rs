//! Readings at full flow: ten fish tanks that grow too warm once a day, and ten probes.
//! Each reading is made of its number alone, so what was sent and what has to be told of it
//! is known afterwards.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use jiff::Timestamp;
use trug::alarms::{Kind, State};
use trug::engine::{RawMessage, Router};
use trug::garden::Clock;
use trug::garden::record::Batch;
use trug::telling::{Item, Notifier, NotifierOutput, Purpose};

use super::garden::{BED_KEYS, GardenFile, WATERING, settings_with};
use super::sender::{Post, send};

/// Tanks, and probes in as many beds.
const PLACES: u64 = 10;
pub(crate) const SENSORS: u64 = 2 * PLACES;
/// 2025-01-06 00:00 UTC: nothing comes from the future.
const START_S: i64 = 1_736_121_600;
/// Messages in one call of the sender.
const CHUNK: u64 = 500;
/// Readings that may have been sent and not stored, where that is looked at.
const AHEAD: u64 = 3000;

/// The garden, whose sensors speak each `step_s` seconds.
pub(crate) fn garden_file(step_s: i64) -> String {
    let mut file = GardenFile::new("saltbush-gully").with(WATERING);
    let json = "payload = { json = { value = \"/raw\", time = \"/t\" } }";
    for n in 0..PLACES {
        let keys = format!("tank = \"tank-{n}\"\nevery_s = {step_s}\n{json}");
        file = file
            .tank(&format!("tank-{n}"), &format!("Tank {n}"), "fish = 12")
            .bed(&format!("bed-{n}"), &format!("Bed {n}"), BED_KEYS)
            .sensor(&format!("water-{n}"), "water-temperature", &keys);
    }
    for n in 0..PLACES {
        let keys = format!("bed = \"bed-{n}\"\ndepth_cm = 15\nevery_s = {step_s}\n{json}");
        file = file.sensor(&format!("probe-{n}"), "soil-moisture", &keys);
    }
    let mut text = file.text().to_owned();
    text.push_str("[[tell]]\nwho = \"grounds\"\nalarms = [\"tank-too-warm\"]\nfile = [\"record\"]\n");
    text
}

/// One reading.
#[derive(Clone, Debug)]
pub(crate) struct FlowReading {
    pub(crate) sensor: String,
    pub(crate) at: Timestamp,
    pub(crate) raw: f64,
}

impl FlowReading {
    /// The reading of this number, counted from 0.
    pub(crate) fn of(number: u64, step_s: i64) -> Self {
        let (sensor, step) = (number % SENSORS, (number / SENSORS) as i64);
        let at_s = START_S + step * step_s + sensor as i64;
        // To and fro over a day, each place an hour later than the one before.
        let place = sensor % PLACES;
        let day = ((step * step_s + place as i64 * 3600) % 86_400) as f64 / 86_400.0;
        let swing = 1.0 - (2.0 * day - 1.0).abs();
        let (name, raw) =
            if sensor < PLACES { ("water", 25.0 + 14.0 * swing) } else { ("probe", 0.29 - 0.15 * swing) };
        // A little of its own, so that no sensor is stuck.
        let raw = raw + (number % 7) as f64 / 5000.0;
        Self {
            sensor: format!("{name}-{place}"),
            at: Timestamp::from_second(at_s).expect("a time of this century"),
            raw: (raw * 10_000.0).round() / 10_000.0,
        }
    }

    pub(crate) fn topic(&self) -> String {
        format!("saltbush-gully/{}", self.sensor)
    }

    pub(crate) fn payload(&self) -> Vec<u8> {
        let mut text = String::new();
        let _ = write!(text, r#"{{"raw":{},"t":{}}}"#, self.raw, self.at.as_second());
        text.into_bytes()
    }
}

/// How many readings there were up to a stored time, at least.
pub(crate) fn number_at(latest: Timestamp, step_s: i64) -> u64 {
    ((latest.as_second() - START_S) / step_s).unsigned_abs() * SENSORS
}

#[derive(Default)]
struct FlowState {
    sent: AtomicU64,
    stored: AtomicU64,
    stop: AtomicBool,
}

/// A sender that goes on until it is told to stop.
pub(crate) struct Flow {
    state: Arc<FlowState>,
    step_s: i64,
    thread: Option<JoinHandle<()>>,
}

impl Flow {
    pub(crate) fn start(broker: u16, step_s: i64) -> Self {
        let state = Arc::new(FlowState::default());
        let shared = Arc::clone(&state);
        let thread = std::thread::spawn(move || {
            while !shared.stop.load(Ordering::SeqCst) {
                let from = shared.sent.load(Ordering::SeqCst);
                if from > shared.stored.load(Ordering::SeqCst) + AHEAD {
                    std::thread::sleep(Duration::from_millis(10));
                    continue;
                }
                send_range(broker, from, from + CHUNK, step_s);
                shared.sent.store(from + CHUNK, Ordering::SeqCst);
            }
        });
        Self { state, step_s, thread: Some(thread) }
    }

    /// Says how far the record is: the sender does not run too far ahead of it.
    pub(crate) fn stored(&self, count: u64) {
        self.state.stored.store(count, Ordering::SeqCst);
    }

    /// Ends it when the broker has taken what is under way; returns how many were sent.
    pub(crate) fn stop(&mut self) -> u64 {
        self.state.stop.store(true, Ordering::SeqCst);
        if let Some(thread) = self.thread.take() {
            thread.join().expect("the broker takes everything");
        }
        self.state.sent.load(Ordering::SeqCst)
    }

    /// How many the broker has taken, at least.
    pub(crate) fn sent(&self) -> u64 {
        self.state.sent.load(Ordering::SeqCst)
    }

    /// After the sender has ended: sends some more, and returns how many were sent in all.
    pub(crate) fn send_more(&mut self, broker: u16) -> u64 {
        let from = self.sent();
        send_range(broker, from, from + CHUNK, self.step_s);
        self.state.sent.store(from + CHUNK, Ordering::SeqCst);
        from + CHUNK
    }
}

impl Drop for Flow {
    fn drop(&mut self) {
        self.state.stop.store(true, Ordering::SeqCst);
    }
}

/// Sends these readings, until the broker has taken the last.
pub(crate) fn send_range(broker: u16, from: u64, to: u64, step_s: i64) {
    let posts = (from..to).map(|number| {
        let reading = FlowReading::of(number, step_s);
        Post::new(&reading.topic(), &reading.payload())
    });
    send(broker, posts.collect());
}

/// What has to be known and told of readings.
pub(crate) struct ExpectedAlarms {
    /// Topic, time, begin and state of each step.
    pub(crate) steps: BTreeSet<(String, Timestamp, Timestamp, String)>,
    /// Tank and begin of each time that people hear that one is too warm.
    pub(crate) told: BTreeSet<(String, Timestamp)>,
}

impl ExpectedAlarms {
    /// Judges readings in the order in which they were sent, and tells of them.
    pub(crate) fn of(garden: &str, readings: impl Iterator<Item = FlowReading>) -> Self {
        let trug = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"trug.db\"\n\
                    [[told_file]]\nname = \"record\"\npath = \"told.jsonl\"\n";
        let gardens = [Arc::new(settings_with(trug, garden).gardens.remove(0))];
        let mut router = Router::new(&gardens, Clock::Readings);
        let mut telling = Notifier::new(&gardens);
        let mut expected = Self { steps: BTreeSet::new(), told: BTreeSet::new() };
        let (mut batch, mut out) = (Batch::default(), NotifierOutput::default());
        for reading in readings {
            let (topic, payload) = (reading.topic(), reading.payload());
            let message = RawMessage {
                topic: topic.as_bytes(),
                payload: &payload,
                retained: false,
                arrival: reading.at,
            };
            router.open(message, &mut batch);
            assert!(batch.rejects.is_empty() && batch.unplaced.is_empty(), "each is a reading of a sensor");
            telling.take(&batch.changes, reading.at, &mut out);
            telling.tick(reading.at, &|key| router.core.snapshot(key), &mut out);
            for change in &batch.changes {
                let record = &change.record;
                let topic =
                    format!("trug/saltbush-gully/alarm/{}/{}", record.key.kind.name(), record.key.place);
                expected.steps.insert((topic, record.at, record.since, record.state.name().to_owned()));
            }
            for message in out.messages.iter().filter(|it| it.purpose == Purpose::News) {
                let warm = |it: &&Item| it.key.kind == Kind::TankTooWarm && it.state == State::Unacknowledged;
                let told = message.items.iter().filter(warm);
                expected.told.extend(told.map(|it| (it.key.place.to_string(), it.since)));
            }
            batch.clear();
            out.clear();
        }
        expected
    }
}

/// How often each time that a tank was too warm stands in a message of its own key.
pub(crate) fn told_in(file: &str) -> BTreeMap<(String, Timestamp), u32> {
    let mut keys = BTreeSet::new();
    let mut told = BTreeMap::new();
    for line in file.lines() {
        let message: serde_json::Value = serde_json::from_str(line).expect("a line of JSON");
        let text = |of: &serde_json::Value, key: &str| of[key].as_str().expect("a text").to_owned();
        // The same message twice is known by its key.
        if text(&message, "purpose") != "news" || !keys.insert(text(&message, "key")) {
            continue;
        }
        for item in message["items"].as_array().expect("a list") {
            if text(item, "kind") == "tank-too-warm" && text(item, "state") == "unacknowledged" {
                let since = text(item, "since").parse().expect("a time");
                *told.entry((text(item, "place"), since)).or_default() += 1;
            }
        }
    }
    told
}

//! Routes messages: topic to sensor, payload to raw
//! readings, and on into the core. Pure, and the same for every caller.

use std::collections::HashMap;
use std::hash::{BuildHasher as _, RandomState};
use std::sync::Arc;

use jiff::Timestamp;

use crate::alarms::{Answer, Answered};
use crate::answering::read_order;
use crate::decode::{decode, time_of};
use crate::garden::plan::Garden;
use crate::garden::record::{Batch, Reject, Unplaced};
use crate::garden::{Clock, Core};
use crate::model::Id;
use crate::model::Sample;
use crate::model::{SensorIx, TimeFrom};

/// Topics under this are Trug's own and are not readings.
const OWN_TOPICS: &str = "trug/";
/// What follows the site in the topic on which its alarms are answered.
const ANSWER: &str = "/answer";
/// A topic without a sensor is noted at most this often, seconds.
const UNPLACED_EVERY_S: i64 = 10;
/// Messages that are over a sensor's limit are noted this often, seconds.
const OVER_EVERY_S: i64 = 600;
/// Topics without a sensor that are remembered; beyond it all are forgotten.
const UNPLACED_MAX: usize = 1000;
/// Longest topic that is kept of a refused message, bytes.
const TOPIC_KEPT: usize = 1024;

/// One message as it came.
#[derive(Clone, Copy, Debug)]
pub struct RawMessage<'a> {
    pub topic: &'a [u8],
    pub payload: &'a [u8],
    /// The broker had kept it from before: without a time of its own it is no
    /// new reading.
    pub retained: bool,
    pub arrival: Timestamp,
}

/// How many messages of one sensor are taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorLimit {
    /// At once, such as those of days without a network.
    pub burst: u32,
    /// A second, for long.
    pub per_s: u32,
}

/// A sensor that sent more than its limit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OverLimit {
    pub site: Id,
    pub sensor: Id,
    /// Messages that were not taken since the last note.
    pub messages: u64,
}

/// What one sensor may still send.
#[derive(Clone, Copy, Debug, Default)]
struct Allowance {
    /// Messages, in thousandths; and when it was last filled up, milliseconds.
    used: u64,
    at_ms: i64,
    /// Messages that were not taken and not noted.
    over: u64,
    noted_s: Option<i64>,
}

impl Allowance {
    /// Whether one more may come.
    fn take(&mut self, limit: SensorLimit, now: Timestamp) -> bool {
        let now_ms = now.as_millisecond();
        // A clock that is set back gives nothing.
        let passed = now_ms.saturating_sub(self.at_ms).max(0).unsigned_abs();
        self.used = self.used.saturating_sub(passed.saturating_mul(limit.per_s.into()));
        self.at_ms = now_ms;
        let full = u64::from(limit.burst) * 1000;
        if self.used + 1000 > full {
            return false;
        }
        self.used += 1000;
        true
    }

    /// Counts one that was not taken. Returns how many are to be noted now.
    fn refuse(&mut self, now: Timestamp) -> Option<u64> {
        self.over += 1;
        let due = self.noted_s.is_none_or(|noted| !(0..OVER_EVERY_S).contains(&(now.as_second() - noted)));
        due.then(|| {
            self.noted_s = Some(now.as_second());
            std::mem::take(&mut self.over)
        })
    }
}

/// The core, and the way of a message into it.
#[derive(Debug)]
pub struct Router {
    pub core: Core,
    topics: TopicNumbers,
    noted: HashMap<String, Timestamp>,
    samples: Vec<Sample>,
    gardens: HashMap<Id, Arc<Garden>>,
    /// Whether alarms may be answered by messages.
    answers: bool,
    /// `None`: as many as come.
    limit: Option<SensorLimit>,
    allowances: Vec<Allowance>,
    over: Vec<OverLimit>,
    over_count: u64,
}

/// The sensor of each topic, found by the topic's hash: the topic itself stands in the plan.
#[derive(Debug)]
struct TopicNumbers {
    by_hash: HashMap<u64, SensorIx>,
    keys: RandomState,
}

impl TopicNumbers {
    fn of(core: &Core) -> Self {
        // Keys are drawn again until no two topics have one hash: hardly ever more than once.
        loop {
            let mut it =
                Self { by_hash: HashMap::with_capacity(core.sensor_count()), keys: RandomState::new() };
            let apart = core.planned_sensors().all(|(number, sensor)| {
                let before = it.by_hash.insert(it.keys.hash_one(sensor.topic.as_str()), number);
                before.is_none_or(|before| {
                    core.planned(before).is_some_and(|(_, other)| other.topic == sensor.topic)
                })
            });
            if apart {
                return it;
            }
        }
    }

    fn get(&self, topic: &str, core: &Core) -> Option<SensorIx> {
        let number = self.by_hash.get(&self.keys.hash_one(topic)).copied()?;
        core.planned(number).is_some_and(|(_, sensor)| sensor.topic == topic).then_some(number)
    }
}

impl Router {
    /// A router for these gardens; sensors are numbered garden by garden.
    pub fn new(gardens: &[Arc<Garden>], clock: Clock) -> Self {
        Self::with_core(gardens, Core::new(gardens, clock))
    }

    /// The same with a core of these gardens that knows more.
    pub(crate) fn with_core(gardens: &[Arc<Garden>], core: Core) -> Self {
        let topics = TopicNumbers::of(&core);
        Self {
            core,
            topics,
            noted: HashMap::new(),
            samples: Vec::new(),
            gardens: gardens.iter().map(|g| (g.site.id.clone(), Arc::clone(g))).collect(),
            answers: false,
            limit: None,
            allowances: Vec::new(),
            over: Vec::new(),
            over_count: 0,
        }
    }

    /// From now on alarms may be answered by messages.
    pub fn take_answers(&mut self) {
        self.answers = true;
    }

    /// Takes the place of another one: what is only counted goes on.
    pub(crate) fn go_on_after(&mut self, before: Self) {
        self.over_count = before.over_count;
        self.over = before.over;
        self.noted = before.noted;
    }

    /// From now on no sensor has more taken than this.
    pub fn set_limit(&mut self, limit: SensorLimit) {
        self.limit = Some(limit);
        self.allowances = vec![Allowance::default(); self.core.sensor_count()];
    }

    /// Sensors over their limit, once in ten minutes each, since the last call.
    pub fn over_limit(&mut self) -> std::vec::Drain<'_, OverLimit> {
        self.over.drain(..)
    }

    /// Messages that were not taken since they were over a sensor's limit.
    pub fn over_count(&self) -> u64 {
        self.over_count
    }

    /// Whether a sensor is over its limit. The first such message in ten minutes is listed among
    /// the rejects for all of them, so that they leave room for others there.
    fn is_over(&mut self, number: SensorIx, message: RawMessage<'_>, batch: &mut Batch) -> bool {
        let Some(limit) = self.limit else { return false };
        let allowance = &mut self.allowances[number.0 as usize];
        if allowance.take(limit, message.arrival) {
            return false;
        }
        self.over_count += 1;
        if let Some(messages) = allowance.refuse(message.arrival) {
            let Some((garden, sensor)) = self.core.planned(number) else { return true };
            let more = match messages {
                1 => "messages over that are not stored".to_owned(),
                more => format!("{more} messages over that were not stored since the last note"),
            };
            let reason =
                format!("{} sends more than {} messages a second for long; {more}", sensor.id, limit.per_s);
            refuse(&sensor.topic, message, reason, batch);
            self.over.push(OverLimit { site: garden.site.id.clone(), sensor: sensor.id.clone(), messages });
        }
        true
    }

    /// Takes one message. Whatever it holds, it ends in `batch` or in nothing
    /// that could be lost: readings, a reject, or a topic not placed yet.
    pub fn open(&mut self, message: RawMessage<'_>, batch: &mut Batch) {
        let Ok(topic) = std::str::from_utf8(message.topic) else {
            let topic = String::from_utf8_lossy(message.topic).into_owned();
            refuse(&topic, message, "the topic is not UTF-8 text".to_owned(), batch);
            return;
        };
        let Some(number) = self.topics.get(topic, &self.core) else {
            match answer_site(topic) {
                Some(site) => self.answer(topic, site, message, batch),
                None => self.note_unplaced(topic, message, batch),
            }
            return;
        };
        if self.is_over(number, message, batch) {
            return;
        }
        let Some((_, sensor)) = self.core.planned(number) else { return };
        self.samples.clear();
        if let Err(error) = decode(&sensor.payload, message.payload, message.arrival, &mut self.samples) {
            refuse(topic, message, error.to_string(), batch);
            return;
        }
        for &sample in &self.samples {
            let timeless = || time_of(sample.at, message.arrival).1 == TimeFrom::Arrival;
            if message.retained && timeless() {
                continue;
            }
            if message.retained {
                self.core.take_kept(number, sample, message.arrival, batch);
            } else {
                self.core.take(number, sample, message.arrival, batch);
            }
        }
    }

    /// Takes a message on the topic of a site's answers. One that cannot be taken is
    /// refused with its reason.
    fn answer(&mut self, topic: &str, site: &str, message: RawMessage<'_>, batch: &mut Batch) {
        let Some(garden) = self.gardens.get(&Id::new(site)) else {
            // It may be another daemon's; where it is a slip, it is seen in the list.
            self.list_unplaced(topic, message, batch);
            return;
        };
        let answered = if message.retained {
            Err("an answer that the broker keeps would come again at each start: publish it without the retain \
                 flag"
                .to_owned())
        } else if !self.answers {
            Err("alarms are not answered by MQTT here; to allow it, set mqtt = true in the section [answers] of \
                 trug.toml"
                .to_owned())
        } else {
            read_order(message.payload, &garden.site, message.arrival)
                .map_err(|e| e.to_string())
                .and_then(|answer| taken(&answer, self.core.answer(&answer, batch)))
        };
        if let Err(reason) = answered {
            refuse(topic, message, reason, batch);
        }
    }

    fn note_unplaced(&mut self, topic: &str, message: RawMessage<'_>, batch: &mut Batch) {
        if !topic.starts_with(OWN_TOPICS) {
            self.list_unplaced(topic, message, batch);
        }
    }

    fn list_unplaced(&mut self, topic: &str, message: RawMessage<'_>, batch: &mut Batch) {
        if let Some(last) = self.noted.get_mut(topic) {
            if message.arrival.as_second() - last.as_second() < UNPLACED_EVERY_S {
                return;
            }
            *last = message.arrival;
        } else {
            if self.noted.len() >= UNPLACED_MAX {
                self.noted.clear();
            }
            self.noted.insert(topic.to_owned(), message.arrival);
        }
        batch.unplaced.push(Unplaced {
            at: message.arrival,
            topic: cut_topic(topic),
            payload: cut_payload(message.payload),
        });
    }
}

/// The topic on which a site's alarms are answered.
pub fn answer_topic(site: &str) -> String {
    format!("{OWN_TOPICS}{site}{ANSWER}")
}

/// The site whose alarms are answered on this topic, if it is such a one.
fn answer_site(topic: &str) -> Option<&str> {
    topic.strip_prefix(OWN_TOPICS)?.strip_suffix(ANSWER).filter(|site| !site.contains('/'))
}

/// Why an answer was not taken.
fn taken(answer: &Answer, answered: Answered) -> Result<(), String> {
    let alarm = || format!("{}/{}", answer.key.kind.name(), answer.key.place);
    Err(match answered {
        // The note is among the rejects already.
        Answered::Done | Answered::TooManyNotes => return Ok(()),
        Answered::NotWaiting => format!(
            "{} does not wait for this answer: somebody has given it already, or the alarm's state wants another",
            alarm()
        ),
        Answered::Over => format!("{} is over", alarm()),
        Answered::OtherOccurrence => format!(
            "{} has another since now: this answer is to an earlier time, or its since is not the alarm's own",
            alarm()
        ),
        Answered::NoSuchAlarm => format!("{} is no alarm of this garden", alarm()),
    })
}

fn refuse(topic: &str, message: RawMessage<'_>, reason: String, batch: &mut Batch) {
    batch.rejects.push(Reject {
        at: message.arrival,
        topic: cut_topic(topic),
        payload: cut_payload(message.payload),
        reason,
    });
}

fn cut_topic(topic: &str) -> String {
    topic[..topic.floor_char_boundary(TOPIC_KEPT)].to_owned()
}

fn cut_payload(payload: &[u8]) -> Vec<u8> {
    payload[..payload.len().min(Reject::PAYLOAD_MAX)].to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMIT: SensorLimit = SensorLimit { burst: 100, per_s: 2 };

    fn at(ms: i64) -> Timestamp {
        Timestamp::from_millisecond(1_776_403_800_000 + ms).expect("a time of this century")
    }

    #[test]
    fn a_burst_is_taken_and_then_so_many_a_second() {
        let mut allowance = Allowance::default();
        let taken = |allowance: &mut Allowance, from_ms: i64, to_ms: i64, step_ms: usize| {
            (from_ms..to_ms).step_by(step_ms).filter(|ms| allowance.take(LIMIT, at(*ms))).count()
        };
        assert_eq!(taken(&mut allowance, 0, 500, 1), 100, "a burst");
        assert_eq!(taken(&mut allowance, 500, 60_500, 10), 120, "two a second for a minute");
        // An hour of calm fills it up, and no further.
        assert_eq!(taken(&mut allowance, 3_660_500, 3_660_600, 1), 100);
        // A clock that is set back gives nothing, and takes nothing for good.
        assert_eq!(taken(&mut allowance, 0, 400, 1), 0);
        assert_eq!(taken(&mut allowance, 400, 10_400, 100), 20);
    }

    #[test]
    fn what_is_over_is_noted_once_in_ten_minutes_with_its_number() {
        let mut allowance = Allowance::default();
        let notes: Vec<u64> = (0..1300).filter_map(|s| allowance.refuse(at(s * 1000))).collect();
        assert_eq!(notes, [1, 600, 600]);
    }
}

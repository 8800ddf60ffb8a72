//! What stands on the topics of our alarms.
//!
//! The broker keeps the last message of each alarm's topic for whoever subscribes later.
//! A broker that lost what it kept shows no alarm, and whoever may write to the topics can
//! leave a state that is none of ours. So after each connection every alarm that stands
//! is published again, and a message on one of the topics that does not say what the
//! store says is overwritten: with the alarm's state, or with nothing where there is no
//! such alarm.
//!
//! `store-failing` is left out: it is published past the store, which then cannot tell.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, RetainForwardRule};
use tracing::warn;

use crate::alarms::Kind;
use crate::engine::publication::{alarm_of_topic, standing};
use crate::garden::plan::Garden;
use crate::store::{Reader, StoreError};

/// A topic is overwritten at most this often: two programs that both take it for theirs
/// would else write in turns without an end.
const AGAIN: Duration = Duration::from_secs(60);
/// Topics that wait to be looked at; beyond it new ones are left until the next connection.
const SEEN_MAX: usize = 10_000;
/// Topics that are looked at together.
const AT_ONCE: usize = 200;
/// Topic filters in one subscribe packet.
pub(super) const FILTERS_AT_ONCE: usize = 50;

/// A retained message to be published: topic and payload.
pub(super) type Retained = (String, Vec<u8>);

/// The topics of our alarms, and what others wrote to them.
pub(super) struct AlarmTopics {
    gardens: Arc<[Garden]>,
    /// The newest payload of each topic that was not looked at yet.
    seen: BTreeMap<String, Vec<u8>>,
    overwritten: HashMap<String, Instant>,
}

impl AlarmTopics {
    pub(super) fn new(gardens: Arc<[Garden]>) -> Self {
        Self { gardens, seen: BTreeMap::new(), overwritten: HashMap::new() }
    }

    /// Filters for the alarms of every garden. What this session publishes does not come
    /// back, and nothing is to be acknowledged.
    pub(super) fn filters(&self) -> Vec<Filter> {
        self.gardens
            .iter()
            .map(|garden| {
                let mut filter = Filter::new(format!("trug/{}/alarm/#", garden.site.id), QoS::AtMostOnce);
                filter.nolocal = true;
                filter.retain_forward_rule = RetainForwardRule::OnEverySubscribe;
                filter
            })
            .collect()
    }

    /// A connection begins: the broker says again what it keeps.
    pub(super) fn begin(&mut self) {
        self.seen.clear();
    }

    /// Notes what came on a topic.
    pub(super) fn see(&mut self, topic: &[u8], payload: &[u8]) {
        let Ok(topic) = std::str::from_utf8(topic) else { return };
        let Some((site, key)) = alarm_of_topic(topic) else { return };
        let ours = self.gardens.iter().any(|garden| garden.site.id.as_str() == site);
        let exempt = key.is_some_and(|key| key.kind == Kind::StoreFailing);
        if ours && !exempt && (self.seen.len() < SEEN_MAX || self.seen.contains_key(topic)) {
            self.seen.insert(topic.to_owned(), payload.to_vec());
        }
    }

    /// Takes topics whose time has come to be looked at.
    pub(super) fn take(&mut self, now: Instant) -> Vec<Retained> {
        let due = |topic: &&String| self.overwritten.get(*topic).is_none_or(|last| now - *last >= AGAIN);
        let topics: Vec<String> = self.seen.keys().filter(due).take(AT_ONCE).cloned().collect();
        topics.into_iter().filter_map(|topic| self.seen.remove_entry(&topic)).collect()
    }

    /// Notes that topics are overwritten.
    pub(super) fn overwrite(&mut self, with: &[Retained], now: Instant) {
        self.overwritten.retain(|_, last| now - *last < AGAIN);
        for (topic, _) in with {
            warn!(topic, "a message that is not ours stood on an alarm's topic; it is overwritten");
            self.overwritten.insert(topic.clone(), now);
        }
    }

    pub(super) fn gardens(&self) -> Arc<[Garden]> {
        Arc::clone(&self.gardens)
    }
}

/// Every alarm of the gardens that stands, to be published again.
pub(super) fn all_standing(reader: &Reader, gardens: &[Garden]) -> Result<Vec<Retained>, StoreError> {
    let ours = |site: &crate::model::Id| gardens.iter().any(|garden| garden.site.id == *site);
    let rows = reader.alarms_present()?;
    Ok(rows
        .iter()
        .filter(|row| ours(&row.record.key.site))
        .map(|row| standing(row, gardens))
        .map(|letter| (letter.topic, letter.payload))
        .collect())
}

/// What must be published instead of messages that do not say what the store says.
pub(super) fn not_ours(
    reader: &Reader,
    gardens: &[Garden],
    seen: Vec<Retained>,
) -> Result<Vec<Retained>, StoreError> {
    let mut instead = Vec::new();
    for (topic, payload) in seen {
        let Some((_, key)) = alarm_of_topic(&topic) else { continue };
        let row = match &key {
            Some(key) => reader.alarm_of(key)?,
            None => None,
        };
        let ours = row.map(|row| standing(&row, gardens).payload).unwrap_or_default();
        if !says_the_same(&payload, &ours) {
            instead.push((topic, ours));
        }
    }
    Ok(instead)
}

/// Whether two payloads hold the same JSON, or the same bytes where they hold none.
fn says_the_same(one: &[u8], other: &[u8]) -> bool {
    let json = |payload| serde_json::from_slice::<serde_json::Value>(payload).ok();
    one == other || json(one).is_some_and(|one| Some(one) == json(other))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn topics_are_read_as_alarms() {
        let key = |topic| alarm_of_topic(topic).map(|(site, key)| (site.to_owned(), key.is_some()));
        assert_eq!(key("trug/school/alarm/dry-bed/bed"), Some(("school".to_owned(), true)));
        for (topic, site) in [
            ("trug/school/alarm/damp-bed/bed", "school"),
            ("trug/school/alarm/dry-bed/a/b", "school"),
            ("trug/school/alarm/dry-bed", "school"),
            ("trug/a/b/alarm/dry-bed/bed", "a/b"),
        ] {
            assert_eq!(key(topic), Some((site.to_owned(), false)), "{topic}");
        }
        for topic in ["trug/school/status", "school/alarm/dry-bed/bed", "trug/alarm/dry-bed/bed", ""] {
            assert_eq!(key(topic), None, "{topic}");
        }
    }

    #[test]
    fn the_order_of_fields_makes_no_difference() {
        assert!(says_the_same(br#"{"a":1,"b":2}"#, br#"{"b":2, "a":1}"#));
        assert!(!says_the_same(br#"{"a":1}"#, br#"{"a":2}"#));
        assert!(says_the_same(b"", b""));
        assert!(!says_the_same(b"", b"{}"));
        assert!(!says_the_same(b"no json", b"nor this"));
    }

    #[test]
    fn two_programs_on_one_topic_do_not_write_in_turns_without_an_end() {
        let garden = crate::settings::from_text(
            ("trug.toml", include_str!("../../config/trug.toml")),
            &[("garden.toml", include_str!("../../config/gardens/saltbush-gully.toml"))],
            std::iter::empty(),
        )
        .expect("no faults")
        .gardens;
        let mut topics = AlarmTopics::new(garden.into());
        let topic = "trug/saltbush-gully/alarm/dry-bed/kitchen-bed";
        let start = Instant::now();
        topics.see(topic.as_bytes(), b"one");
        topics.see(b"trug/elsewhere/alarm/dry-bed/kitchen-bed", b"one");
        topics.see(b"trug/saltbush-gully/alarm/store-failing/trug", b"one");
        topics.see(topic.as_bytes(), b"two");
        let taken = topics.take(start);
        assert_eq!(taken, [(topic.to_owned(), b"two".to_vec())]);
        topics.overwrite(&taken, start);
        topics.see(topic.as_bytes(), b"three");
        assert_eq!(topics.take(start + AGAIN / 2), []);
        assert_eq!(topics.take(start + AGAIN), [(topic.to_owned(), b"three".to_vec())]);
    }
}

//! An alarm's step as a letter: its topic, its key and the published JSON.

use jiff::Timestamp;

use crate::alarms::{AlarmKey, AlarmRecord, AlarmText, Kind, State};
use crate::engine::alarm_json::AlarmJson;
use crate::garden::plan::Garden;
use crate::garden::record::AlarmChange;
use crate::model::Id;
use crate::store::{AlarmPublication, AlarmRow, Store};

/// The topic of an alarm: `trug/SITE/alarm/KIND/PLACE`.
pub fn alarm_topic(site: &str, kind: &str, place: &str) -> String {
    format!("trug/{site}/alarm/{kind}/{place}")
}

/// The topic of a site's status: `trug/SITE/status`.
pub fn status_topic(site: &str) -> String {
    format!("trug/{site}/status")
}

/// The letter that tells a step. Its key is the same however often it is made.
pub fn letter(change: &AlarmChange) -> AlarmPublication {
    let record = &change.record;
    let (site, kind, place) = (record.key.site.as_str(), record.key.kind.name(), record.key.place.as_str());
    AlarmPublication {
        key: step_key(record),
        topic: alarm_topic(site, kind, place),
        payload: serde_json::to_vec(&AlarmJson::of_change(change))
            .expect("text and finite numbers always serialise"),
    }
}

/// How a stored alarm stands, as its last step was published.
pub(crate) fn standing(row: &AlarmRow, gardens: &[Garden]) -> AlarmPublication {
    let record = &row.record;
    let AlarmKey { site, kind, place } = &record.key;
    let garden = gardens.iter().find(|garden| garden.site.id == *site);
    let priority = garden.map_or(kind.priority(), |garden| garden.priority_of(record));
    AlarmPublication {
        key: step_key(record),
        topic: alarm_topic(site.as_str(), kind.name(), place.as_str()),
        payload: serde_json::to_vec(&AlarmJson::of_row(row, priority, None))
            .expect("text and finite numbers always serialise"),
    }
}

fn step_key(record: &AlarmRecord) -> String {
    let AlarmKey { site, kind, place } = &record.key;
    format!("{site}/{}/{place}/{}/{}", kind.name(), record.at.as_millisecond(), record.state.name())
}

/// The alarm of a topic below `trug/SITE/alarm/`: the site, and the alarm where the rest
/// names one that this program can have. `None` for another topic.
pub(crate) fn alarm_of_topic(topic: &str) -> Option<(&str, Option<AlarmKey>)> {
    let (site, alarm) = topic.strip_prefix("trug/")?.split_once("/alarm/")?;
    let key = alarm
        .split_once('/')
        .filter(|(_, place)| Id::is_valid(place) && Id::is_valid(site))
        .and_then(|(kind, place)| Some((Kind::from_name(kind)?, place)))
        .map(|(kind, place)| AlarmKey { site: Id::new(site), kind, place: Id::new(place) });
    Some((site, key))
}

/// The ends of alarms that go on under another id of their sensor: the broker keeps how
/// each stood under the earlier one.
pub(crate) fn letters_of_renamed(store: &Store, gardens: &[Garden], now: Timestamp) -> Vec<AlarmPublication> {
    let end = |key: &AlarmKey| {
        let garden = gardens.iter().find(|garden| garden.site.id == key.site);
        let text = format!("{} has another id now; where this alarm stands, it stands there.", key.place);
        letter(&AlarmChange {
            record: AlarmRecord {
                key: key.clone(),
                state: State::Normal,
                since: now,
                at: now,
                shelf: None,
                course: crate::alarms::AlarmCourse::default(),
                said: AlarmText::new(text, &[], "the garden's file"),
            },
            priority: garden.map_or(key.kind.priority(), |garden| garden.priority_at(key.kind, &key.place)),
            from: State::Normal,
            how: None,
            tell: Vec::new(),
        })
    };
    store.renamed().iter().map(end).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::Priority;
    use crate::why::Step;

    #[test]
    fn a_letter_holds_the_contracts_fields() {
        let record = AlarmRecord {
            key: AlarmKey { site: Id::new("school"), kind: Kind::DryBed, place: Id::new("kitchen-bed") },
            state: State::Unacknowledged,
            since: "2026-04-17T05:30:00Z".parse().expect("valid"),
            at: "2026-04-17T06:00:00Z".parse().expect("valid"),
            shelf: None,
            course: crate::alarms::AlarmCourse::default(),
            said: AlarmText {
                text: "Kitchen bed is dry \"now\"\n".to_owned(),
                values: vec![("depletion_mm".into(), 8.0), ("nothing".into(), f64::NAN)],
                source: "FAO-56 eq. 82-83".into(),
                why: vec![Step {
                    gives: "depletion".into(),
                    form: "Dr = 1000 (FC - theta) Zr".into(),
                    with: "1000 x (0.150 - 0.134) x 0.50 m = 8.0 mm".to_owned(),
                    source: "FAO-56".into(),
                    check: "plain arithmetic".into(),
                }],
            },
        };
        let change = AlarmChange {
            record,
            priority: Priority::Medium,
            from: State::Normal,
            how: None,
            tell: vec!["grounds".to_owned()],
        };
        let letter = letter(&change);
        assert_eq!(letter.topic, "trug/school/alarm/dry-bed/kitchen-bed");
        assert_eq!(letter.key, "school/dry-bed/kitchen-bed/1776405600000/unacknowledged");
        let json: serde_json::Value = serde_json::from_slice(&letter.payload).expect("JSON");
        assert_eq!(
            json,
            serde_json::json!({
                "kind": "dry-bed", "site": "school", "place": "kitchen-bed", "state": "unacknowledged",
                "priority": "medium", "since": "2026-04-17T05:30:00Z", "at": "2026-04-17T06:00:00Z",
                "for": ["grounds"], "text": "Kitchen bed is dry \"now\"\n",
                "values": {"depletion_mm": 8.0}, "source": "FAO-56 eq. 82-83",
                "why": [{
                    "gives": "depletion", "equation": "Dr = 1000 (FC - theta) Zr",
                    "numbers": "1000 x (0.150 - 0.134) x 0.50 m = 8.0 mm", "source": "FAO-56",
                    "check": "plain arithmetic"
                }]
            })
        );
    }
}

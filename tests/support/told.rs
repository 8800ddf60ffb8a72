//! An alarm's steps, as they are published and as they are stored.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::Deserialize;
use trug::store::{AlarmRow, Reader};

use super::listener::Heard;

/// What scripts and screens rely on in an alarm's message.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub(crate) struct Published {
    pub(crate) kind: String,
    pub(crate) site: String,
    pub(crate) place: String,
    pub(crate) state: String,
    pub(crate) priority: String,
    pub(crate) since: String,
    pub(crate) at: String,
    pub(crate) r#for: Vec<String>,
    pub(crate) text: String,
    pub(crate) values: BTreeMap<String, f64>,
    pub(crate) source: String,
}

impl Published {
    pub(crate) fn read(heard: &Heard) -> Self {
        let it: Self = serde_json::from_slice(&heard.payload)
            .unwrap_or_else(|e| panic!("{}: {e}: {}", heard.topic, heard.text()));
        assert_eq!(heard.topic, format!("trug/{}/alarm/{}/{}", it.site, it.kind, it.place));
        assert!(!it.text.is_empty() && !it.source.is_empty(), "{it:?}");
        assert!(["low", "medium", "high"].contains(&it.priority.as_str()), "{it:?}");
        it
    }

    /// What the store keeps of it as well.
    pub(crate) fn step(&self) -> Step {
        Step {
            topic: format!("trug/{}/alarm/{}/{}", self.site, self.kind, self.place),
            state: self.state.clone(),
            since: self.since.parse().expect("a time"),
            at: self.at.parse().expect("a time"),
            text: self.text.clone(),
            tell: self.r#for.clone(),
        }
    }
}

/// One step of an alarm.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Step {
    pub(crate) topic: String,
    pub(crate) state: String,
    pub(crate) since: Timestamp,
    pub(crate) at: Timestamp,
    pub(crate) text: String,
    pub(crate) tell: Vec<String>,
}

impl Step {
    pub(crate) fn stored(row: &AlarmRow) -> Self {
        let key = &row.record.key;
        Self {
            topic: format!("trug/{}/alarm/{}/{}", key.site, key.kind.name(), key.place),
            state: row.record.state.name().to_owned(),
            since: row.record.since,
            at: row.record.at,
            text: row.record.said.text.clone(),
            tell: row.tell.clone(),
        }
    }
}

pub(crate) fn history(reader: &Reader) -> Vec<Step> {
    let changes =
        reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).expect("the history can be read");
    changes.iter().map(Step::stored).collect()
}

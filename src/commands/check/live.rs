//! `trug check --live`: what the daemon heard in the last day, beside the files: messages
//! that were refused, topics without a sensor, sensors that were not heard.

use std::collections::BTreeSet;
use std::io::{self, Write};

use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

use super::super::shared::{reader, safe, zone_of};
use crate::settings::Settings;
use crate::store::{RefusedTopic, UnplacedTopic};
use crate::text::labels;
use crate::text::spoken::counted;

/// How far back is looked.
const DAY: SignedDuration = SignedDuration::from_hours(24);
/// Topics without a sensor that are looked at, the latest first.
const TOPICS_MAX: u32 = 1000;
/// Topics that people are shown of each list.
const SHOWN_MAX: usize = 20;
const PAYLOAD_SHOWN: usize = 80;
const REASON_SHOWN: usize = 300;

/// What came in the last day and found no place, and what did not come.
pub(super) struct LastDay {
    since: Timestamp,
    zone: jiff::tz::TimeZone,
    /// There is a store.
    known: bool,
    refused: Vec<RefusedTopic>,
    not_placed: Vec<UnplacedTopic>,
    /// Garden and sensor.
    not_heard: Vec<(String, String)>,
}

impl LastDay {
    /// # Errors
    /// When the store is there and cannot be read.
    pub(super) fn read(settings: &Settings, now: Timestamp) -> anyhow::Result<Self> {
        let since = now.saturating_sub(DAY).unwrap_or(Timestamp::MIN);
        let mut found = Self {
            since,
            zone: zone_of(settings.gardens.first()),
            known: settings.store.path.exists(),
            refused: Vec::new(),
            not_placed: Vec::new(),
            not_heard: Vec::new(),
        };
        let mut heard = BTreeSet::new();
        if found.known {
            let reader = reader(settings)?;
            found.refused = reader.refused_topics(since).context("reading refused messages")?;
            let topics = reader.unplaced(TOPICS_MAX).context("reading topics without a sensor")?;
            found.not_placed = topics.into_iter().filter(|it| it.last >= since).collect();
            let series = reader.series().context("reading which sensors are stored")?;
            let counts = reader.readings_by_series(since, Timestamp::MAX).context("counting readings")?;
            let named = counts.iter().filter_map(|(number, _)| series.get(number));
            heard.extend(named.map(|it| (it.site.clone(), it.sensor.clone())));
        }
        let all = settings.gardens.iter().flat_map(|garden| {
            garden.sensors.iter().map(|sensor| (garden.site.id.to_string(), sensor.id.to_string()))
        });
        found.not_heard = all.filter(|it| !heard.contains(it)).collect();
        Ok(found)
    }

    /// Whether everything came and could be taken. Topics of others are no fault.
    pub(super) fn is_well(&self) -> bool {
        self.known && self.refused.is_empty() && self.not_heard.is_empty()
    }

    pub(super) fn tell(&self, out: &mut dyn Write) -> io::Result<()> {
        if !self.known {
            return writeln!(out, "\nlive: there is no store yet, so no daemon has heard anything");
        }
        writeln!(out, "\nlive, since {}:", labels::full_moment(self.since, &self.zone))?;
        for it in self.refused.iter().take(SHOWN_MAX) {
            writeln!(
                out,
                "  refused on {}, {}, the last one {}: {}; it was {}",
                safe(&it.topic),
                counted(it.messages, "message", "messages"),
                labels::full_moment(it.last, &self.zone),
                labels::shown(&it.reason, REASON_SHOWN),
                payload(&it.payload),
            )?;
        }
        more(self.refused.len(), out)?;
        for (site, sensor) in self.not_heard.iter().take(SHOWN_MAX) {
            writeln!(out, "  not heard: sensor {sensor} of {site}")?;
        }
        more(self.not_heard.len(), out)?;
        for it in self.not_placed.iter().take(SHOWN_MAX) {
            let times = counted(it.messages, "message", "messages");
            writeln!(
                out,
                "  no sensor has the topic {}, {times}; it was {}",
                safe(&it.topic),
                payload(&it.payload)
            )?;
        }
        more(self.not_placed.len(), out)?;
        if self.is_well() {
            writeln!(out, "  every sensor was heard and nothing was refused")?;
        }
        Ok(())
    }

    pub(super) fn json(&self) -> Value {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        json!({
            "since": self.since.to_string(),
            "ok": self.is_well(),
            "refused": self.refused.iter().map(|it| json!({
                "topic": it.topic, "messages": it.messages, "last": it.last.to_string(), "reason": it.reason,
                "payload": text(&it.payload),
            })).collect::<Vec<_>>(),
            "not_heard": self.not_heard.iter().map(|(site, sensor)| json!({ "site": site, "sensor": sensor }))
                .collect::<Vec<_>>(),
            "not_placed": self.not_placed.iter().map(|it| json!({
                "topic": it.topic, "messages": it.messages, "last": it.last.to_string(), "payload": text(&it.payload),
            })).collect::<Vec<_>>(),
        })
    }
}

fn payload(bytes: &[u8]) -> String {
    if bytes.is_empty() {
        return "empty".to_owned();
    }
    format!("\"{}\"", labels::shown(&String::from_utf8_lossy(bytes), PAYLOAD_SHOWN))
}

fn more(count: usize, out: &mut dyn Write) -> io::Result<()> {
    match count.checked_sub(SHOWN_MAX) {
        None | Some(0) => Ok(()),
        Some(more) => writeln!(out, "  and {more} more"),
    }
}

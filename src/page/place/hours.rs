//! The wettings of a garden's beds, kept for a while. They are found in hours of every
//! probe of the garden, which takes most of a page's time, and a class asks for the
//! same ones thirty times.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use jiff::{SignedDuration, Timestamp};

use super::asked::Asked;
use super::bed_water::{by_the_hour, hourly};
use crate::analysis::month::{Rise, rises};
use crate::garden::log::LogEntry;
use crate::garden::plan::{Garden, Sensor};
use crate::history::{Point, Step};
use crate::model::{Id, Quantity};
use crate::page::{Record, Unavailable};

/// Spans that are kept.
const KEPT_MAX: usize = 16;

/// How long a span is kept while readings come in: wettings are told to the hour.
const FRESH: SignedDuration = SignedDuration::from_mins(5);

/// How long before a span readings are looked at: a probe's noise is known after three
/// days.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(4 * 24);

/// One reading for each hour of each sensor.
pub(super) type Readings = BTreeMap<Id, Vec<Point>>;

/// The rises of each bed, those of the days before the span among them.
pub(super) type Found = Vec<Vec<Rise>>;

#[derive(Debug)]
struct Entry {
    site: Id,
    span: (Timestamp, Timestamp),
    /// How often the record had changed when it was read, and when that was.
    changed: u64,
    read_at: Timestamp,
    /// What had been written down by then.
    log: Vec<LogEntry>,
    found: Arc<Found>,
}

/// What was found last.
#[derive(Debug, Default)]
pub(in crate::page) struct Hours {
    entries: Mutex<Vec<Entry>>,
    /// One span is read at a time: who asks for the same one waits for it.
    reading: tokio::sync::Mutex<()>,
}

impl Hours {
    /// The rises of a garden's beds in a span. `changed` grows with each change of the
    /// record.
    pub(super) async fn of(
        &self,
        record: &Record,
        garden: &Garden,
        log: &[LogEntry],
        asked: &Asked,
        changed: u64,
    ) -> Result<Arc<Found>, Unavailable> {
        let site = &garden.site.id;
        let span = (asked.from.saturating_sub(LOOK_BACK).unwrap_or(asked.from), asked.to);
        let find = || self.find(site, span, log, changed, asked.now);
        if let Some(found) = find() {
            return Ok(found);
        }
        let _one = self.reading.lock().await;
        // Somebody else may have asked for the same one.
        if let Some(found) = find() {
            return Ok(found);
        }
        let sensors: Vec<(&Sensor, bool)> =
            garden.sensors.iter().filter_map(|sensor| Some((sensor, adds_up(sensor)?))).collect();
        // In two halves at once: the read is most of a first visit.
        let half = |sensors: &[(&Sensor, bool)]| {
            let ids = sensors.iter().map(|(sensor, _)| sensor.id.as_str().to_owned()).collect();
            record.bins_of(site.as_str(), ids, span.0, span.1, Step::Hour)
        };
        let (one, other) = sensors.split_at(sensors.len() / 2);
        let (one, other) = tokio::try_join!(half(one), half(other))?;
        let hours = sensors.iter().zip(one.iter().chain(&other));
        let readings: Readings =
            hours.map(|((sensor, sums), bins)| (sensor.id.clone(), hourly(bins, *sums))).collect();
        let found = Arc::new(rises(&by_the_hour(garden), &readings, log));
        self.keep(Entry {
            site: site.clone(),
            span,
            changed,
            read_at: asked.now,
            log: log.to_vec(),
            found: Arc::clone(&found),
        });
        Ok(found)
    }

    fn find(
        &self,
        site: &Id,
        span: (Timestamp, Timestamp),
        log: &[LogEntry],
        changed: u64,
        now: Timestamp,
    ) -> Option<Arc<Found>> {
        let entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        let entry =
            entries.iter().find(|entry| entry.site == *site && entry.span == span && entry.log == log)?;
        let age = now.duration_since(entry.read_at);
        let fresh = entry.changed == changed || (!age.is_negative() && age < FRESH);
        fresh.then(|| Arc::clone(&entry.found))
    }

    /// The oldest go first.
    fn keep(&self, entry: Entry) {
        let mut entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        entries.retain(|other| (&other.site, other.span) != (&entry.site, entry.span));
        if entries.len() >= KEPT_MAX {
            entries.remove(0);
        }
        entries.push(entry);
    }
}

/// Whether the values of a sensor add up; `None` where it says nothing of wettings.
fn adds_up(sensor: &Sensor) -> Option<bool> {
    match sensor.measures {
        Quantity::Rain | Quantity::WaterFlow => Some(true),
        Quantity::SoilMoisture | Quantity::SoilTemperature => Some(false),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_600 + second).expect("in range")
    }

    fn entry(number: i64) -> Entry {
        let span = (at(number), at(number + 1));
        let found = Arc::new(Vec::new());
        let site = Id::new("saltbush-gully");
        Entry { site, span, changed: 1, read_at: at(0), log: Vec::new(), found }
    }

    #[test]
    fn a_span_is_kept_while_nothing_changes_and_some_minutes_longer() {
        let hours = Hours::default();
        hours.keep(entry(1));
        let find = |number, changed, now| {
            hours
                .find(&Id::new("saltbush-gully"), (at(number), at(number + 1)), &[], changed, at(now))
                .is_some()
        };
        assert!(find(1, 1, 86_400), "the same record");
        assert!(find(1, 2, 299) && !find(1, 2, 300), "five minutes of another");
        assert!(!find(1, 2, -1), "a clock that was put back");
        assert!(!find(2, 1, 0), "another span");
        assert!(hours.find(&Id::new("elsewhere"), (at(1), at(2)), &[], 1, at(0)).is_none(), "another site");
    }

    #[test]
    fn no_more_is_kept_than_there_is_room_for() {
        let hours = Hours::default();
        let kept = || hours.entries.lock().expect("no test panics while it holds this").len();
        for number in 0..KEPT_MAX as i64 + 3 {
            hours.keep(entry(number));
        }
        assert_eq!(kept(), KEPT_MAX);
    }
}

//! The log of what people saw and did: written by commands, read by the daemon.
//!
//! An entry is only ever added. Any program may write it; the
//! daemon looks every few seconds and notes how far it has judged.

use std::path::Path;

use jiff::Timestamp;
use rusqlite::{Connection, Params, Row, params};
use serde::{Serialize, Serializer};
use serde_json::{Map, Value};

use super::columns::{millis, time};
use super::error::StoreError;
use super::query::{self, understood, write_error};
use super::queue_rows::{counter, set_counter};
use super::reader::Reader;
use super::writer::{Store, open_beside};
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::log_entry;
use crate::model::Id;

/// Entries that the log may hold; more are refused. A school writes a few a day.
const ENTRIES_MAX: i64 = 1_000_000;

/// How far the daemon has judged.
const TAKEN: &str = "log_taken";

/// An entry as it is stored.
#[derive(Clone, Debug, PartialEq)]
pub struct LogRow {
    pub seq: i64,
    pub written_at: Timestamp,
    pub entry: LogEntry,
}

/// An entry's numbers, and the crop of one that was planted, as JSON: each number by
/// its name in stored rows, a count as a whole number, what is not known left out.
struct Detail<'a>(&'a LogEvent);

impl Serialize for Detail<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let numbers = self.0.numbers().into_iter().filter_map(|(name, value)| {
            let field = log_entry::number(name)?;
            let value = if field.whole { Value::from(value as u64) } else { Value::from(value) };
            Some((field.stored, value))
        });
        let crop = match self.0 {
            LogEvent::Planted { crop: Some(crop) } => Some(("crop", Value::from(crop.as_str()))),
            _ => None,
        };
        serializer.collect_map(numbers.chain(crop))
    }
}

/// What a stored row says; `None` for a kind that this program does not know, or
/// without its number.
fn event(kind: &str, detail: &str) -> Option<LogEvent> {
    let kind = log_entry::kind(kind)?;
    let detail: Map<String, Value> = serde_json::from_str(detail).ok()?;
    let crop = detail.get("crop").and_then(Value::as_str).map(str::to_owned);
    let number = |name: &str| {
        let field = kind.numbers.iter().find(|number| number.name == name)?;
        detail.get(field.stored)?.as_f64()
    };
    log_entry::event(kind, number, crop)
}

/// Adds an entry to the log. It may be done while a daemon writes to the file.
///
/// # Errors
///
/// When the file is missing, not ours, of another version, full of entries, or
/// cannot be written.
pub fn write_log(path: &Path, entry: &LogEntry, written_at: Timestamp) -> Result<(), StoreError> {
    let connection = open_beside(path)?;
    let detail =
        serde_json::to_string(&Detail(&entry.what)).expect("numbers and texts always have a JSON form");
    let added = connection
        .execute(
            "INSERT INTO log (written_at, at, site, place, kind, detail, note)
             SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7 WHERE (SELECT count(*) FROM log) < ?8",
            params![
                millis(written_at),
                millis(entry.at),
                entry.site.as_str(),
                entry.place.as_ref().map(Id::as_str),
                entry.what.name(),
                detail,
                entry.note,
                ENTRIES_MAX
            ],
        )
        .map_err(write_error(path, "the log"))?;
    if added == 0 { Err(StoreError::LogFull { path: path.to_owned(), most: ENTRIES_MAX }) } else { Ok(()) }
}

/// The entries after `seq`, in the order in which they were written. One that
/// this program cannot understand is left out.
fn read(connection: &Connection, seq: i64) -> rusqlite::Result<Vec<LogRow>> {
    entries(connection, "WHERE seq > ?1 ORDER BY seq", [seq])
}

fn entries(connection: &Connection, which: &str, parameters: impl Params) -> rusqlite::Result<Vec<LogRow>> {
    let sql = format!("SELECT seq, written_at, at, site, place, kind, detail, note FROM log {which}");
    let rows = query::list(connection, &sql, parameters, |row| understood(entry(row)))?;
    Ok(rows.into_iter().filter_map(Result::ok).flatten().collect())
}

/// One row; `None` where what was seen cannot be understood.
fn entry(row: &Row<'_>) -> rusqlite::Result<Option<LogRow>> {
    let (kind, detail): (String, String) = (row.get(5)?, row.get(6)?);
    let Some(what) = event(&kind, &detail) else { return Ok(None) };
    let entry =
        LogEntry { site: row.get(3)?, place: row.get(4)?, at: time(row, 2)?, what, note: row.get(7)? };
    Ok(Some(LogRow { seq: row.get(0)?, written_at: time(row, 1)?, entry }))
}

impl Reader {
    /// The log's entries after `seq` (0: all), in the order of writing.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn log(&self, seq: i64) -> Result<Vec<LogRow>, StoreError> {
        self.with("the log", |connection| read(connection, seq))
    }

    /// What was logged at a site with `from` <= time < `to`, in order of time.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn log_of(&self, site: &str, from: Timestamp, to: Timestamp) -> Result<Vec<LogRow>, StoreError> {
        self.with("the log", |connection| {
            let which = "WHERE site = ?1 AND at >= ?2 AND at < ?3 ORDER BY at, seq";
            entries(connection, which, params![site, millis(from), millis(to)])
        })
    }
}

impl Store {
    /// The entries that the daemon has not judged yet.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn log_to_take(&mut self) -> Result<Vec<LogRow>, StoreError> {
        self.read("the log", |connection| read(connection, counter(connection, TAKEN)?))
    }

    /// Notes that the entries up to `seq` are judged and the result is
    /// committed. Judging one twice changes nothing.
    ///
    /// # Errors
    ///
    /// When the file cannot be written.
    pub fn log_taken(&mut self, seq: i64) -> Result<(), StoreError> {
        self.write("the log", |connection| set_counter(connection, TAKEN, seq))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garden::log::WaterTest;

    #[test]
    fn a_row_holds_its_numbers_in_their_order_and_no_others() {
        let json = |event: &LogEvent| serde_json::to_string(&Detail(event)).expect("JSON");
        let test =
            WaterTest { ph: Some(7.0), temperature_c: Some(21.5), oxygen_mg_l: None, ..WaterTest::default() };
        assert_eq!(json(&LogEvent::WaterTest(test)), r#"{"temperature_c":21.5,"ph":7.0}"#);
        let added = LogEvent::FishAdded { count: 12, grams_each: Some(40.0) };
        assert_eq!(json(&added), r#"{"count":12,"grams":40.0}"#);
        assert_eq!(json(&LogEvent::Planted { crop: Some("pea".to_owned()) }), r#"{"crop":"pea"}"#);
        assert_eq!(json(&LogEvent::Note), "{}");
    }

    #[test]
    fn every_kind_of_entry_comes_back() {
        let test = WaterTest { ph: Some(7.2), ammonia_mg_l: Some(0.5), ..WaterTest::default() };
        for seen in [
            LogEvent::WaterTest(test),
            LogEvent::MulchLaid { depth_mm: 100.0 },
            LogEvent::WettingAgent,
            LogEvent::WaterDrop { seconds: 75.0 },
            LogEvent::EthanolDrop { molarity: 1.2 },
            LogEvent::Watered { litres: None },
            LogEvent::Planted { crop: Some("cabbage".to_owned()) },
            LogEvent::Harvest { kg: 2.5 },
            LogEvent::FishAdded { count: 12, grams_each: Some(40.0) },
            LogEvent::FishLost { count: 1 },
            LogEvent::Fed { grams: 30.0 },
            LogEvent::TankCleaning { hours: 2.0 },
            LogEvent::Bag { temperature_c: Some(17.0), ph: None },
            LogEvent::ProbeReplaced,
            LogEvent::Note,
        ] {
            let json = serde_json::to_string(&Detail(&seen)).expect("JSON");
            assert_eq!(event(seen.name(), &json), Some(seen), "{json}");
        }
        assert_eq!(event("harvest", "{}"), None);
        assert_eq!(event("song", "{}"), None);
        assert_eq!(event("fish-lost", r#"{"count":1.5}"#), None);
    }
}

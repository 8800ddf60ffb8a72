//! The log of what people saw and did: written by commands, read by the daemon.
//!
//! An entry is only ever added. Any program may write it; the
//! daemon looks every few seconds and notes how far it has judged.

use std::path::Path;

use jiff::Timestamp;
use rusqlite::{Connection, Params, Row, params};
use serde::{Deserialize, Serialize};

use super::columns::{millis, time};
use super::error::StoreError;
use super::query::{self, understood, write_error};
use super::queue_rows::{counter, set_counter};
use super::reader::Reader;
use super::writer::{Store, open_beside};
use crate::garden::log::{LogEntry, Seen, WaterTest};
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

/// The numbers of an entry; which of them there are depends on its kind.
#[derive(Debug, Default, Serialize, Deserialize)]
#[serde(default)]
struct Detail {
    #[serde(skip_serializing_if = "Option::is_none")]
    temperature_c: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ph: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ammonia_mg_l: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    nitrite_mg_l: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    nitrate_mg_l: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    oxygen_mg_l: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    depth_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    seconds: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    molarity: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    litres: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    crop: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    kg: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    count: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    grams: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    hours: Option<f64>,
}

impl Detail {
    fn of(seen: &Seen) -> Self {
        let none = Self::default();
        match seen.clone() {
            Seen::WaterTest(test) => Self {
                temperature_c: test.temperature_c,
                ph: test.ph,
                ammonia_mg_l: test.ammonia_mg_l,
                nitrite_mg_l: test.nitrite_mg_l,
                nitrate_mg_l: test.nitrate_mg_l,
                oxygen_mg_l: test.oxygen_mg_l,
                ..none
            },
            Seen::MulchLaid { depth_mm } => Self { depth_mm: Some(depth_mm), ..none },
            Seen::WettingAgent | Seen::Note => none,
            Seen::WaterDrop { seconds } => Self { seconds: Some(seconds), ..none },
            Seen::EthanolDrop { molarity } => Self { molarity: Some(molarity), ..none },
            Seen::Watered { litres } => Self { litres, ..none },
            Seen::Planted { crop } => Self { crop, ..none },
            Seen::Harvest { kg } => Self { kg: Some(kg), ..none },
            Seen::FishAdded { count, grams_each } => Self { count: Some(count), grams: grams_each, ..none },
            Seen::FishLost { count } => Self { count: Some(count), ..none },
            Seen::Fed { grams } => Self { grams: Some(grams), ..none },
            Seen::TankCleaning { hours } => Self { hours: Some(hours), ..none },
            Seen::Bag { temperature_c, ph } => Self { temperature_c, ph, ..none },
        }
    }

    /// `None` for a kind that this program does not know, or without its number.
    fn seen(self, kind: &str) -> Option<Seen> {
        Some(match kind {
            "water-test" => Seen::WaterTest(WaterTest {
                temperature_c: self.temperature_c,
                ph: self.ph,
                ammonia_mg_l: self.ammonia_mg_l,
                nitrite_mg_l: self.nitrite_mg_l,
                nitrate_mg_l: self.nitrate_mg_l,
                oxygen_mg_l: self.oxygen_mg_l,
            }),
            "mulch" => Seen::MulchLaid { depth_mm: self.depth_mm? },
            "wetting-agent" => Seen::WettingAgent,
            "water-drop" => Seen::WaterDrop { seconds: self.seconds? },
            "ethanol-drop" => Seen::EthanolDrop { molarity: self.molarity? },
            "watered" => Seen::Watered { litres: self.litres },
            "planted" => Seen::Planted { crop: self.crop },
            "harvest" => Seen::Harvest { kg: self.kg? },
            "fish-added" => Seen::FishAdded { count: self.count?, grams_each: self.grams },
            "fish-lost" => Seen::FishLost { count: self.count? },
            "fed" => Seen::Fed { grams: self.grams? },
            "tank-cleaning" => Seen::TankCleaning { hours: self.hours? },
            "bag" => Seen::Bag { temperature_c: self.temperature_c, ph: self.ph },
            "note" => Seen::Note,
            _ => return None,
        })
    }
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
        serde_json::to_string(&Detail::of(&entry.what)).expect("numbers and texts always have a JSON form");
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
    let seen = serde_json::from_str::<Detail>(&detail).ok().and_then(|detail| detail.seen(&kind));
    let Some(what) = seen else { return Ok(None) };
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

    #[test]
    fn every_kind_of_entry_comes_back() {
        let test = WaterTest { ph: Some(7.2), ammonia_mg_l: Some(0.5), ..WaterTest::default() };
        for seen in [
            Seen::WaterTest(test),
            Seen::MulchLaid { depth_mm: 100.0 },
            Seen::WettingAgent,
            Seen::WaterDrop { seconds: 75.0 },
            Seen::EthanolDrop { molarity: 1.2 },
            Seen::Watered { litres: None },
            Seen::Planted { crop: Some("cabbage".to_owned()) },
            Seen::Harvest { kg: 2.5 },
            Seen::FishAdded { count: 12, grams_each: Some(40.0) },
            Seen::FishLost { count: 1 },
            Seen::Fed { grams: 30.0 },
            Seen::TankCleaning { hours: 2.0 },
            Seen::Bag { temperature_c: Some(17.0), ph: None },
            Seen::Note,
        ] {
            let json = serde_json::to_string(&Detail::of(&seen)).expect("JSON");
            let back = serde_json::from_str::<Detail>(&json).expect("JSON").seen(seen.name());
            assert_eq!(back, Some(seen), "{json}");
        }
        assert_eq!(Detail::default().seen("harvest"), None);
        assert_eq!(Detail::default().seen("song"), None);
    }
}

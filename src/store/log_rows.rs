//! The log of what people saw and did: written by commands, read by the daemon.
//!
//! A row is only ever added. An entry that was wrong is struck by a later row, either one
//! of the kind [`STRUCK`] or the entry that puts it right; it stays in the record, and
//! nothing is judged by it. Any program may write; the daemon looks every few seconds and
//! notes how far it has judged.

use std::path::Path;

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension as _, Params, Row, params};
use serde::{Serialize, Serializer};
use serde_json::{Map, Value};

use super::columns::{millis, time};
use super::counters::{counter, set_counter};
use super::error::StoreError;
use super::query::{self, understood, write_error};
use super::reader::Reader;
use super::writer::{Store, open_beside};
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::log_entry;
use crate::model::Id;

/// Entries that the log may hold; more are refused. A school writes a few a day.
const ENTRIES_MAX: i64 = 1_000_000;

/// How far the daemon has judged.
const TAKEN: &str = "log_taken";

/// The kind of a row that does nothing but strike another one.
const STRUCK: &str = "struck";

/// An entry as it is stored.
#[derive(Clone, Debug, PartialEq)]
pub struct LogRow {
    pub seq: i64,
    pub written_at: Timestamp,
    pub entry: LogEntry,
    /// The number of the entry that this one puts right.
    pub corrects: Option<i64>,
    /// Where it was struck.
    pub struck: Option<Strike>,
}

/// That an entry was struck.
#[derive(Clone, Debug, PartialEq)]
pub struct Strike {
    pub written_at: Timestamp,
    /// Why, in the words of whoever struck it; empty where another entry puts it right.
    pub why: String,
    /// The number of the entry that puts it right.
    pub corrected_by: Option<i64>,
}

/// What the daemon has not judged yet of one row.
#[derive(Clone, Debug, PartialEq)]
pub struct LogNews {
    pub seq: i64,
    /// The entry; `None` where the row only strikes, or where it is struck itself.
    pub entry: Option<LogEntry>,
    /// The entry that it strikes; `None` also where the same stands in the log once more.
    pub strikes: Option<LogEntry>,
}

/// An entry's numbers, and the crop or job that it names, as JSON: each number by
/// its name in stored rows, a count as a whole number, what is not known left out.
struct Detail<'a>(&'a LogEvent);

impl Serialize for Detail<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let numbers = self.0.numbers().into_iter().filter_map(|(name, value)| {
            let field = log_entry::number(name)?;
            let value = if field.whole { Value::from(value as u64) } else { Value::from(value) };
            Some((field.stored, value))
        });
        let named = self.0.named().map(|(name, value)| (name, Value::from(value)));
        serializer.collect_map(numbers.chain(named))
    }
}

/// What a stored row says; `None` for a kind that this program does not know, or
/// without its number.
fn event(kind: &str, detail: &str) -> Option<LogEvent> {
    let kind = log_entry::kind(kind)?;
    let detail: Map<String, Value> = serde_json::from_str(detail).ok()?;
    let named = detail.get(if kind.job { "job" } else { "crop" }).and_then(Value::as_str).map(str::to_owned);
    let number = |name: &str| {
        let field = kind.numbers.iter().find(|number| number.name == name)?;
        detail.get(field.stored)?.as_f64()
    };
    log_entry::event(kind, number, named)
}

/// Adds an entry to the log and returns its number. It may be done while a daemon writes
/// to the file.
///
/// # Errors
///
/// When the file is missing, not ours, of another version, full of entries, or
/// cannot be written.
pub fn write_log(path: &Path, entry: &LogEntry, written_at: Timestamp) -> Result<i64, StoreError> {
    add(path, entry, None, written_at)
}

/// Adds an entry that puts another one of its site right: that one is struck.
///
/// # Errors
///
/// As [`write_log`]; [`StoreError::NoSuchEntry`] or [`StoreError::StruckAlready`] where
/// there is nothing to put right.
pub fn correct_log(
    path: &Path,
    entry: &LogEntry,
    wrong: i64,
    written_at: Timestamp,
) -> Result<i64, StoreError> {
    add(path, entry, Some(wrong), written_at)
}

/// Whether an entry `?` of a site can be struck.
const CAN_BE_STRUCK: &str = "EXISTS (SELECT 1 FROM log WHERE seq = ?1 AND site = ?2 AND kind <> 'struck')
     AND NOT EXISTS (SELECT 1 FROM log WHERE strikes = ?1)";

fn add(path: &Path, entry: &LogEntry, wrong: Option<i64>, written_at: Timestamp) -> Result<i64, StoreError> {
    let connection = open_beside(path)?;
    let detail =
        serde_json::to_string(&Detail(&entry.what)).expect("numbers and texts always have a JSON form");
    let sql = format!(
        "INSERT INTO log (strikes, site, written_at, at, place, kind, detail, note)
         SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8
         WHERE (SELECT count(*) FROM log) < ?9 AND (?1 IS NULL OR ({CAN_BE_STRUCK}))"
    );
    let added = connection
        .execute(
            &sql,
            params![
                wrong,
                entry.site.as_str(),
                millis(written_at),
                millis(entry.at),
                entry.place.as_ref().map(Id::as_str),
                entry.what.name(),
                detail,
                entry.note,
                ENTRIES_MAX
            ],
        )
        .map_err(write_error(path, "the log"))?;
    if added == 0 {
        Err(refused(&connection, path, &entry.site, wrong))
    } else {
        Ok(connection.last_insert_rowid())
    }
}

/// Strikes an entry of a site: it stays in the record, and nothing is judged by it any more.
///
/// # Errors
///
/// As [`correct_log`].
pub fn strike_log(
    path: &Path,
    site: &Id,
    wrong: i64,
    why: &str,
    written_at: Timestamp,
) -> Result<(), StoreError> {
    let connection = open_beside(path)?;
    let sql = format!(
        "INSERT INTO log (strikes, site, written_at, at, place, kind, detail, note)
         SELECT seq, site, ?3, at, place, '{STRUCK}', '{{}}', ?4 FROM log
         WHERE seq = ?1 AND (SELECT count(*) FROM log) < ?5 AND {CAN_BE_STRUCK}"
    );
    let added = connection
        .execute(&sql, params![wrong, site.as_str(), millis(written_at), why, ENTRIES_MAX])
        .map_err(write_error(path, "the log"))?;
    if added == 0 { Err(refused(&connection, path, site, Some(wrong))) } else { Ok(()) }
}

/// Why nothing was added.
fn refused(connection: &Connection, path: &Path, site: &Id, wrong: Option<i64>) -> StoreError {
    let Some(number) = wrong else {
        return StoreError::LogFull { path: path.to_owned(), most: ENTRIES_MAX };
    };
    let is = |sql: &str| {
        connection.query_row(sql, params![number, site.as_str()], |row| row.get(0)).unwrap_or(false)
    };
    if !is("SELECT EXISTS (SELECT 1 FROM log WHERE seq = ?1 AND site = ?2 AND kind <> 'struck')") {
        StoreError::NoSuchEntry { number }
    } else if is("SELECT EXISTS (SELECT 1 FROM log WHERE strikes = ?1 AND ?2 <> '')") {
        StoreError::StruckAlready { number }
    } else {
        StoreError::LogFull { path: path.to_owned(), most: ENTRIES_MAX }
    }
}

/// The entries after `seq` that hold, in the order in which they were written. One that
/// this program cannot understand is left out.
fn read(connection: &Connection, seq: i64) -> rusqlite::Result<Vec<LogRow>> {
    entries(connection, "AND it.seq > ?1 AND by.seq IS NULL ORDER BY it.seq", [seq])
}

fn entries(connection: &Connection, which: &str, parameters: impl Params) -> rusqlite::Result<Vec<LogRow>> {
    let sql = format!(
        "SELECT it.seq, it.written_at, it.at, it.site, it.place, it.kind, it.detail, it.note, it.strikes,
                by.seq, by.written_at, by.kind, by.note
         FROM log it LEFT JOIN log by ON by.strikes = it.seq WHERE it.kind <> '{STRUCK}' {which}"
    );
    let rows = query::list(connection, &sql, parameters, |row| understood(log_row(row)))?;
    Ok(rows.into_iter().filter_map(Result::ok).flatten().collect())
}

/// One row; `None` where what was seen cannot be understood.
fn log_row(row: &Row<'_>) -> rusqlite::Result<Option<LogRow>> {
    let (kind, detail): (String, String) = (row.get(5)?, row.get(6)?);
    let Some(what) = event(&kind, &detail) else { return Ok(None) };
    let entry =
        LogEntry { site: row.get(3)?, place: row.get(4)?, at: time(row, 2)?, what, note: row.get(7)? };
    let struck = match row.get::<_, Option<i64>>(9)? {
        None => None,
        Some(by) => {
            let alone = row.get::<_, String>(11)? == STRUCK;
            let why = if alone { row.get(12)? } else { String::new() };
            Some(Strike { written_at: time(row, 10)?, why, corrected_by: (!alone).then_some(by) })
        }
    };
    Ok(Some(LogRow { seq: row.get(0)?, written_at: time(row, 1)?, entry, corrects: row.get(8)?, struck }))
}

/// An entry by its number, struck or not.
fn by_number(connection: &Connection, number: i64) -> rusqlite::Result<Option<LogRow>> {
    Ok(entries(connection, "AND it.seq = ?1", [number])?.pop())
}

/// What the daemon has not judged of the rows after `seq`.
fn news(connection: &Connection, seq: i64) -> rusqlite::Result<Vec<LogNews>> {
    let sql = "SELECT seq, strikes FROM log WHERE seq > ?1 ORDER BY seq";
    let rows: Vec<(i64, Option<i64>)> =
        query::list(connection, sql, [seq], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let mut news = Vec::with_capacity(rows.len());
    for (seq, strikes) in rows {
        let entry = by_number(connection, seq)?.filter(|row| row.struck.is_none()).map(|row| row.entry);
        let strikes = match strikes {
            Some(number) if !has_twin(connection, number)? => by_number(connection, number)?,
            _ => None,
        };
        news.push(LogNews { seq, entry, strikes: strikes.map(|row| row.entry) });
    }
    Ok(news)
}

/// Whether another entry that holds says the same of the same place and time.
fn has_twin(connection: &Connection, number: i64) -> rusqlite::Result<bool> {
    let sql = "SELECT 1 FROM log it JOIN log twin
               ON twin.seq <> it.seq AND twin.site = it.site AND twin.at = it.at AND twin.place IS it.place
                  AND twin.kind = it.kind AND twin.detail = it.detail
               WHERE it.seq = ?1 AND NOT EXISTS (SELECT 1 FROM log WHERE strikes = twin.seq) LIMIT 1";
    Ok(connection.query_row(sql, [number], |_| Ok(())).optional()?.is_some())
}

/// The number of the last entry that was judged.
pub(super) fn taken_to(connection: &Connection) -> rusqlite::Result<i64> {
    counter(connection, TAKEN)
}

impl Reader {
    /// The number of the last entry that was judged.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn log_judged(&self) -> Result<i64, StoreError> {
        self.with("the log", taken_to)
    }

    /// Whether an entry of a site was struck by one after number `seq`.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn struck_since(&self, site: &str, seq: i64) -> Result<bool, StoreError> {
        self.with("the log", |connection| {
            let sql =
                "SELECT EXISTS (SELECT 1 FROM log WHERE seq > ?1 AND site = ?2 AND strikes IS NOT NULL)";
            query::one(connection, sql, params![seq, site])
        })
    }

    /// The log's entries after `seq` (0: all) that hold, in the order of writing.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn log(&self, seq: i64) -> Result<Vec<LogRow>, StoreError> {
        self.with("the log", |connection| read(connection, seq))
    }

    /// What was logged at a site with `from` <= time < `to` and holds, in order of time.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn log_of(&self, site: &str, from: Timestamp, to: Timestamp) -> Result<Vec<LogRow>, StoreError> {
        let mut rows = self.log_with_struck(site, from, to)?;
        rows.retain(|row| row.struck.is_none());
        Ok(rows)
    }

    /// The same with the entries that were struck.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn log_with_struck(
        &self,
        site: &str,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<LogRow>, StoreError> {
        self.with("the log", |connection| {
            let which = "AND it.site = ?1 AND it.at >= ?2 AND it.at < ?3 ORDER BY it.at, it.seq";
            entries(connection, which, params![site, millis(from), millis(to)])
        })
    }

    /// What was logged anywhere with `from` <= time < `to`, also what was struck, in order
    /// of time.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn whole_log(&self, from: Timestamp, to: Timestamp) -> Result<Vec<LogRow>, StoreError> {
        self.with("the log", |connection| {
            let which = "AND it.at >= ?1 AND it.at < ?2 ORDER BY it.at, it.seq";
            entries(connection, which, params![millis(from), millis(to)])
        })
    }

    /// An entry of a site by its number, struck or not.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn log_entry(&self, site: &str, number: i64) -> Result<Option<LogRow>, StoreError> {
        let row = self.with("the log", |connection| by_number(connection, number))?;
        Ok(row.filter(|row| row.entry.site.as_str() == site))
    }
}

impl Store {
    /// What the daemon has not judged yet.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn log_to_take(&mut self) -> Result<Vec<LogNews>, StoreError> {
        self.read("the log", |connection| news(connection, counter(connection, TAKEN)?))
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
            LogEvent::Harvest { kg: 2.5, crop: None },
            LogEvent::Harvest { kg: 2.5, crop: Some("cabbage".to_owned()) },
            LogEvent::Compost { litres: Some(60.0) },
            LogEvent::WormCastings { litres: None },
            LogEvent::Pests,
            LogEvent::WaterChange { litres: Some(50.0) },
            LogEvent::CarbonateHardness { mg_l: None, degrees: Some(5.0) },
            LogEvent::FilterCleaned,
            LogEvent::SensorCleaned,
            LogEvent::BatteryChanged,
            LogEvent::JobDone { job: "Holiday handover".to_owned() },
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
        assert_eq!(event("job-done", "{}"), None);
        assert_eq!(event("song", "{}"), None);
        assert_eq!(event("fish-lost", r#"{"count":1.5}"#), None);
    }
}

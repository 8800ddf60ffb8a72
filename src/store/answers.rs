//! Answers to alarms: left by a command, taken by the daemon.
//!
//! The daemon alone writes readings and alarms. Somebody who has taken an alarm
//! on says so in another process; the answer waits in a table of its own until
//! the daemon, which looks every few seconds, has made a step of it.

use std::path::Path;

use jiff::Timestamp;
use rusqlite::{Row, params};

use super::columns::{alarm_key, cut_chars, millis, time, timestamp};
use super::error::StoreError;
use super::query::{self, understood, write_error};
use super::reader::Reader;
use super::writer::{Store, open_beside};
use crate::alarms::{AlarmNote, Answer, Input};

/// Answers that may wait; more are refused, since nobody is taking them.
const WAITING_MAX: i64 = 10_000;

/// An answer that waits.
#[derive(Clone, Debug, PartialEq)]
pub struct AnswerRow {
    pub seq: i64,
    pub answer: Answer,
}

/// The column of an answer that is a note and nothing else.
const NOTE: &str = "note";

/// The column of what is asked for, and until when. What only the garden's plan
/// or a judgement can bring is no answer.
fn action(input: Input) -> Option<(&'static str, Option<Timestamp>)> {
    match input {
        Input::Acknowledge => Some(("acknowledge", None)),
        Input::Reset => Some(("reset", None)),
        Input::Shelve { until, one_shot: false } => Some(("shelve", Some(until))),
        Input::Shelve { until, one_shot: true } => Some(("shelve-once", Some(until))),
        Input::Unshelve => Some(("unshelve", None)),
        Input::TakeOut => Some(("take-out", None)),
        Input::PutBack => Some(("put-back", None)),
        Input::Breach
        | Input::Deadband
        | Input::Clear
        | Input::Unknown
        | Input::Time
        | Input::Suppress
        | Input::Release => None,
    }
}

/// The reverse of [`action`].
fn input(action: &str, until: Option<Timestamp>) -> Option<Input> {
    Some(match (action, until) {
        ("acknowledge", _) => Input::Acknowledge,
        ("reset", _) => Input::Reset,
        ("shelve", Some(until)) => Input::Shelve { until, one_shot: false },
        ("shelve-once", Some(until)) => Input::Shelve { until, one_shot: true },
        ("unshelve", _) => Input::Unshelve,
        ("take-out", _) => Input::TakeOut,
        ("put-back", _) => Input::PutBack,
        _ => return None,
    })
}

/// Leaves a person's answer to an alarm. It may be left while a daemon writes to
/// the file. Returns its number; `None` where it is nothing that a person can bring, or
/// says nothing: then it is not kept.
///
/// # Errors
///
/// When the file is missing, not ours, of another version, or cannot be written.
pub fn leave_answer(path: &Path, answer: &Answer) -> Result<Option<i64>, StoreError> {
    let (action, until) = match answer.input {
        Some(input) => match action(input) {
            Some(action) => action,
            None => return Ok(None),
        },
        None if answer.note.is_some() => (NOTE, None),
        None => return Ok(None),
    };
    let connection = open_beside(path)?;
    connection
        .execute(
            "INSERT INTO answer (at, site, kind, place, action, until, how, since, note)
             SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9 WHERE (SELECT count(*) FROM answer) < ?10",
            params![
                millis(answer.at),
                answer.key.site.as_str(),
                answer.key.kind.name(),
                answer.key.place.as_str(),
                action,
                until.map(millis),
                answer.how,
                answer.since.map(millis),
                answer.note.as_deref().map(|note| cut_chars(note, AlarmNote::TEXT_MAX)),
                WAITING_MAX
            ],
        )
        .map_err(write_error(path, "an answer"))
        .and_then(|added| match added {
            0 => Err(StoreError::AnswersFull { path: path.to_owned(), most: WAITING_MAX }),
            _ => Ok(Some(connection.last_insert_rowid())),
        })
}

impl Reader {
    /// Whether the daemon has not taken an answer yet.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn answer_waits(&self, seq: i64) -> Result<bool, StoreError> {
        self.with("answers", |connection| {
            query::one(connection, "SELECT EXISTS (SELECT 1 FROM answer WHERE seq = ?1)", [seq])
        })
    }
}

impl Store {
    /// The answers that wait, oldest first. A kind that this program does not know
    /// is left out.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn answers(&mut self) -> Result<Vec<AnswerRow>, StoreError> {
        self.read("answers", |connection| {
            let sql =
                "SELECT seq, at, site, kind, place, action, until, how, since, note FROM answer ORDER BY seq";
            let rows = query::list(connection, sql, [], |row| understood(read(row)))?;
            Ok(rows.into_iter().filter_map(Result::ok).flatten().collect())
        })
    }

    /// Forgets the answers up to `seq`: their steps are committed. Taking one
    /// twice does no harm, since an alarm is taken on once.
    ///
    /// # Errors
    ///
    /// When the file cannot be written.
    pub fn forget_answers(&mut self, seq: i64) -> Result<(), StoreError> {
        self.write("answers", |connection| {
            connection.execute("DELETE FROM answer WHERE seq <= ?1", [seq]).map(drop)
        })
    }
}

/// One row; `None` where the answer is not known.
fn read(row: &Row<'_>) -> rusqlite::Result<Option<AnswerRow>> {
    let (action, until): (String, Option<i64>) = (row.get(5)?, row.get(6)?);
    let input = match action.as_str() {
        NOTE => None,
        action => match input(action, until.and_then(timestamp)) {
            Some(input) => Some(input),
            None => return Ok(None),
        },
    };
    let since: Option<i64> = row.get(8)?;
    // A time that is none is that of no occurrence.
    let since = since.map(|since| timestamp(since).unwrap_or(Timestamp::MIN));
    let (key, at) = (alarm_key(row, 2)?, time(row, 1)?);
    let answer = Answer { key, at, input, how: row.get(7)?, since, note: row.get(9)? };
    Ok(Some(AnswerRow { seq: row.get(0)?, answer }))
}

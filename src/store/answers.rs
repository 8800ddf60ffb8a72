//! Answers to alarms: left by a command, taken by the daemon.
//!
//! The daemon alone writes readings and alarms. Somebody who has taken an alarm
//! on says so in another process; the answer waits in a table of its own until
//! the daemon, which looks every few seconds, has made a step of it.

use std::path::Path;

use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags, params};

use super::columns::{millis, timestamp};
use super::error::StoreError;
use super::schema;
use super::writer::{BUSY, Store};
use crate::alarms::{Input, Kind};
use crate::garden::plan::Id;
use crate::garden::record::AlarmKey;

/// Answers that may wait; more are refused, since nobody is taking them.
const WAITING_MAX: i64 = 10_000;

/// An answer that waits.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    pub seq: i64,
    pub at: Timestamp,
    pub key: AlarmKey,
    /// One of those for which [`Input::is_answer`] holds.
    pub input: Input,
    /// By which way it came.
    pub how: String,
}

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
/// the file.
///
/// # Errors
///
/// When the file is missing, not ours, of another version, or cannot be written.
pub fn leave_answer(
    path: &Path,
    key: &AlarmKey,
    answer: Input,
    how: &str,
    at: Timestamp,
) -> Result<(), StoreError> {
    let Some((action, until)) = action(answer) else { return Ok(()) };
    if !path.exists() {
        return Err(StoreError::Missing { path: path.to_owned() });
    }
    let open = |source| StoreError::Open { path: path.to_owned(), source };
    let connection = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE).map_err(open)?;
    connection.busy_timeout(BUSY).map_err(open)?;
    schema::check(&connection, path)?;
    connection
        .execute(
            "INSERT INTO answer (at, site, kind, place, action, until, how)
             SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7 WHERE (SELECT count(*) FROM answer) < ?8",
            params![
                millis(at),
                key.site.as_str(),
                key.kind.name(),
                key.place.as_str(),
                action,
                until.map(millis),
                how,
                WAITING_MAX
            ],
        )
        .map_err(|source| StoreError::Write { what: "an answer", path: path.to_owned(), source })
        .and_then(|added| match added {
            0 => Err(StoreError::AnswersFull { path: path.to_owned(), most: WAITING_MAX }),
            _ => Ok(()),
        })
}

impl Store {
    /// The answers that wait, oldest first. A kind that this program does not know
    /// is left out.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn answers(&mut self) -> Result<Vec<Answer>, StoreError> {
        let read = || -> rusqlite::Result<Vec<Answer>> {
            let mut select = self.connection().prepare_cached(
                "SELECT seq, at, site, kind, place, action, until, how FROM answer ORDER BY seq",
            )?;
            let mut rows = select.query([])?;
            let mut answers = Vec::new();
            while let Some(row) = rows.next()? {
                let (site, kind, place): (String, String, String) = (row.get(2)?, row.get(3)?, row.get(4)?);
                let (action, until): (String, Option<i64>) = (row.get(5)?, row.get(6)?);
                if let (Some(kind), Some(at), Some(input)) = (
                    Kind::from_name(&kind),
                    timestamp(row.get(1)?),
                    input(&action, until.and_then(timestamp)),
                ) {
                    answers.push(Answer {
                        seq: row.get(0)?,
                        at,
                        key: AlarmKey { site: Id::new(&site), kind, place: Id::new(&place) },
                        input,
                        how: row.get(7)?,
                    });
                }
            }
            Ok(answers)
        };
        read().map_err(|source| StoreError::Read { what: "answers", path: self.path().to_owned(), source })
    }

    /// Forgets the answers up to `seq`: their steps are committed. Taking one
    /// twice does no harm, since an alarm is taken on once.
    ///
    /// # Errors
    ///
    /// When the file cannot be written.
    pub fn forget_answers(&mut self, seq: i64) -> Result<(), StoreError> {
        self.connection()
            .execute("DELETE FROM answer WHERE seq <= ?1", [seq])
            .map(|_| ())
            .map_err(|source| StoreError::Write { what: "answers", path: self.path().to_owned(), source })
    }
}

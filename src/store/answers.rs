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
use crate::alarms::Kind;
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
}

/// Leaves the answer that somebody has taken the alarm on. It may be left while
/// a daemon writes to the file.
///
/// # Errors
///
/// When the file is missing, not ours, of another version, or cannot be written.
pub fn leave_answer(path: &Path, key: &AlarmKey, at: Timestamp) -> Result<(), StoreError> {
    if !path.exists() {
        return Err(StoreError::Missing { path: path.to_owned() });
    }
    let open = |source| StoreError::Open { path: path.to_owned(), source };
    let connection = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE).map_err(open)?;
    connection.busy_timeout(BUSY).map_err(open)?;
    schema::check(&connection, path)?;
    connection
        .execute(
            "INSERT INTO answer (at, site, kind, place)
             SELECT ?1, ?2, ?3, ?4 WHERE (SELECT count(*) FROM answer) < ?5",
            params![millis(at), key.site.as_str(), key.kind.name(), key.place.as_str(), WAITING_MAX],
        )
        .map_err(|source| StoreError::Write { what: "an answer", path: path.to_owned(), source })?;
    Ok(())
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
            let mut select = self
                .connection()
                .prepare_cached("SELECT seq, at, site, kind, place FROM answer ORDER BY seq")?;
            let rows = select.query_map([], |row| {
                let kind: String = row.get(3)?;
                Ok((row.get(0)?, row.get(1)?, row.get::<_, String>(2)?, kind, row.get::<_, String>(4)?))
            })?;
            let mut answers = Vec::new();
            for row in rows {
                let (seq, at, site, kind, place) = row?;
                if let (Some(kind), Some(at)) = (Kind::from_name(&kind), timestamp(at)) {
                    answers.push(Answer {
                        seq,
                        at,
                        key: AlarmKey { site: Id::new(&site), kind, place: Id::new(&place) },
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

//! What waits to be told. There are at most two rows for each alarm and group.

use jiff::Timestamp;
use rusqlite::{Row, Transaction, params};
use tracing::warn;

use super::StoreError;
use super::columns::{millis, timestamp};
use super::reader::Reader;
use crate::alarms::AlarmKey;
use crate::alarms::Kind;
use crate::model::Id;
use crate::telling::{WaitFor, Waiting};

/// Puts what is given for a site in the place of what was kept for it. Of two that
/// are for the same thing the last stays.
pub(super) fn set(transaction: &Transaction<'_>, waiting: &[(Id, Vec<Waiting>)]) -> rusqlite::Result<()> {
    let mut delete = transaction.prepare_cached("DELETE FROM waiting WHERE site = ?1")?;
    let mut insert = transaction.prepare_cached(
        "INSERT INTO waiting (site, who, kind, place, wait, since, due)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
         ON CONFLICT (site, who, kind, place, wait)
         DO UPDATE SET since = excluded.since, due = excluded.due",
    )?;
    for (site, rows) in waiting {
        delete.execute([site.as_str()])?;
        for it in rows {
            insert.execute(params![
                site.as_str(),
                it.who,
                it.alarm.kind.name(),
                it.alarm.place.as_str(),
                it.wait.name(),
                millis(it.since),
                millis(it.due)
            ])?;
        }
    }
    Ok(())
}

impl Reader {
    /// All that waits to be told, in order of site, group and time. A row that
    /// cannot be understood is left out, and the log says why.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn waiting(&self) -> Result<Vec<Waiting>, StoreError> {
        self.with("what waits to be told", |connection| {
            let mut select = connection.prepare_cached(
                "SELECT site, who, kind, place, wait, since, due FROM waiting
                 ORDER BY site, who, due, kind, place, wait",
            )?;
            let mut rows = select.query([])?;
            let mut waiting = Vec::new();
            while let Some(row) = rows.next()? {
                match read(row)? {
                    Ok(it) => waiting.push(it),
                    Err(reason) => {
                        warn!(reason, "something that waits to be told cannot be understood; it is left out");
                    }
                }
            }
            Ok(waiting)
        })
    }
}

/// One row; the inner error says what in it cannot be understood.
fn read(row: &Row<'_>) -> rusqlite::Result<Result<Waiting, String>> {
    let (site, who, kind): (String, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
    let (place, wait): (String, String) = (row.get(3)?, row.get(4)?);
    let (since, due): (i64, i64) = (row.get(5)?, row.get(6)?);
    let time = |millis| -> Result<Timestamp, String> {
        timestamp(millis).ok_or_else(|| format!("the time {millis}"))
    };
    Ok((|| {
        Ok(Waiting {
            who,
            alarm: AlarmKey {
                site: Id::new(&site),
                kind: Kind::from_name(&kind).ok_or_else(|| format!("the kind {kind:?}"))?,
                place: Id::new(&place),
            },
            since: time(since)?,
            due: time(due)?,
            wait: WaitFor::from_name(&wait).ok_or_else(|| format!("the wait {wait:?}"))?,
        })
    })())
}

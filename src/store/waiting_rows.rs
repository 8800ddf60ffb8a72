//! What waits to be told. There are at most two rows for each alarm and group.

use rusqlite::{Transaction, params};
use tracing::warn;

use super::StoreError;
use super::columns::{alarm_key, millis, time};
use super::reader::Reader;
use crate::model::Id;
use crate::telling::Waiting;

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
        self.list_understood(
            "what waits to be told",
            "SELECT site, kind, place, who, wait, since, due FROM waiting
             ORDER BY site, who, due, kind, place, wait",
            [],
            |row| {
                Ok(Waiting {
                    alarm: alarm_key(row, 0)?,
                    who: row.get(3)?,
                    wait: row.get(4)?,
                    since: time(row, 5)?,
                    due: time(row, 6)?,
                })
            },
            |reason| warn!(reason, "something that waits to be told cannot be understood; it is left out"),
        )
    }
}

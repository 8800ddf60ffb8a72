//! Readings that a server refused for good. They stay in the store, and are listed here
//! until the server takes them or somebody lets them go.

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Transaction, params};

use super::columns::millis;
use super::counters::count;
use super::records::ForwardProgress;

/// Refused readings that are listed for one forwarder; beyond it the oldest are let go
/// and counted. Some 30 MB.
const LISTED_MAX: i64 = 200_000;

/// Characters of what a server said that are kept.
pub(super) const WHY_MAX: usize = 200;

/// The counter of what is no longer listed.
pub(super) fn unlisted(forwarder: &str) -> String {
    format!("forward_refused_unlisted {forwarder}")
}

/// Lists what was refused. What is listed already is listed with the newer words.
pub(super) fn add(
    transaction: &Transaction<'_>,
    progress: &[ForwardProgress],
    at: Timestamp,
) -> rusqlite::Result<()> {
    // In two steps: an insert that conflicts would use up a number.
    let mut update = transaction.prepare_cached(
        "UPDATE forward_refused SET refused_at = ?4, why = ?5 WHERE forwarder = ?1 AND at = ?2 AND series = ?3",
    )?;
    let mut insert = transaction.prepare_cached(
        "INSERT INTO forward_refused (forwarder, at, series, refused_at, why) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?;
    for ForwardProgress { name, refused, .. } in progress.iter().filter(|it| !it.refused.is_empty()) {
        for row in refused {
            let why: String = row.why.chars().take(WHY_MAX).collect();
            let values = params![name, millis(row.at), row.series, millis(at), why];
            if update.execute(values)? == 0 {
                insert.execute(values)?;
            }
        }
        let bound: Option<i64> = transaction
            .prepare_cached(
                "SELECT seq FROM forward_refused WHERE forwarder = ?1 ORDER BY seq DESC LIMIT 1 OFFSET ?2",
            )?
            .query_row(params![name, LISTED_MAX], |row| row.get(0))
            .optional()?;
        if let Some(bound) = bound {
            let gone = transaction
                .prepare_cached("DELETE FROM forward_refused WHERE forwarder = ?1 AND seq <= ?2")?
                .execute(params![name, bound])?;
            count(transaction, &unlisted(name), gone)?;
        }
    }
    Ok(())
}

/// Forgets what a server refused that is not sent to any more.
pub(super) fn forget(connection: &Connection, forwarder: &str) -> rusqlite::Result<usize> {
    connection.execute("DELETE FROM counter WHERE name = ?1", [unlisted(forwarder)])?;
    connection.execute("DELETE FROM forward_refused WHERE forwarder = ?1", [forwarder])
}

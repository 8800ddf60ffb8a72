//! What servers refused for good, as it is listed and taken off the list.

use std::collections::HashSet;
use std::path::Path;

use rusqlite::{OptionalExtension, Transaction, TransactionBehavior, params};

use super::StoreError;
use super::columns::{millis, time};
use super::counters::counter;
use super::forward_rows;
use super::query::{self, write_error};
use super::reader::Reader;
use super::records::{ForwardRow, Refusals, RefusedRow};
use super::refused_rows::{WHY_MAX, forget, unlisted};
use super::writer::open_beside;

impl Reader {
    /// What each server has refused for good and has not taken since, for those of which
    /// there is something.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn refusals(&self) -> Result<Vec<Refusals>, StoreError> {
        self.with("what servers refused", |connection| {
            let names: Vec<String> =
                query::list(connection, "SELECT name FROM forwarder ORDER BY name", [], |row| row.get(0))?;
            let mut refusals = Vec::new();
            for forwarder in names {
                let rows: i64 = query::one(
                    connection,
                    "SELECT count(*) FROM forward_refused WHERE forwarder = ?1",
                    [&forwarder],
                )?;
                let unlisted = counter(connection, &unlisted(&forwarder))?;
                let last = connection
                    .prepare_cached(
                        "SELECT refused_at, why FROM forward_refused WHERE forwarder = ?1 ORDER BY seq DESC LIMIT 1",
                    )?
                    .query_row([&forwarder], |row| Ok((time(row, 0)?, row.get(1)?)))
                    .optional()?;
                if rows > 0 || unlisted > 0 {
                    let (rows, unlisted) = (rows.unsigned_abs(), unlisted.unsigned_abs());
                    refusals.push(Refusals { forwarder, rows, unlisted, last });
                }
            }
            Ok(refusals)
        })
    }

    /// Readings that a server refused, listed after number `after`, in order. Those that
    /// are no longer in the store are left out.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn refused_rows(
        &self,
        forwarder: &str,
        after: i64,
        limit: u32,
    ) -> Result<Vec<ForwardRow>, StoreError> {
        self.with("what servers refused", |connection| {
            let _moment = connection.unchecked_transaction()?;
            let sql = "SELECT q.seq, q.at, q.series, r.raw, r.value, r.flag
                       FROM forward_refused q LEFT JOIN reading r ON r.at = q.at AND r.series = q.series
                       WHERE q.forwarder = ?3 AND q.seq > ?1 ORDER BY q.seq LIMIT ?2";
            forward_rows::of_list(connection, sql, after, limit, forwarder)
        })
    }
}

/// Takes readings off the list of what a server refused: those with a number
/// above the first and up to the second of `tried` that are not in `but`; without `tried`
/// all of them, and the count of those that are no longer listed. Returns how many were listed. The daemon may be running.
///
/// # Errors
///
/// When the database cannot be written.
pub fn settle_refused(
    path: &Path,
    forwarder: &str,
    tried: Option<(i64, i64)>,
    but: &[RefusedRow],
) -> Result<usize, StoreError> {
    let mut connection = open_beside(path)?;
    let failed = write_error(path, "what servers refused");
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
    let settled = match tried {
        None => forget(&transaction, forwarder),
        Some(tried) => forget_tried(&transaction, forwarder, tried, but),
    };
    let settled = settled.map_err(failed)?;
    transaction.commit().map_err(failed)?;
    Ok(settled)
}

fn forget_tried(
    transaction: &Transaction<'_>,
    forwarder: &str,
    (after, until): (i64, i64),
    but: &[RefusedRow],
) -> rusqlite::Result<usize> {
    let mut words = transaction.prepare(
        "UPDATE forward_refused SET why = ?4 WHERE forwarder = ?1 AND at = ?2 AND series = ?3 RETURNING seq",
    )?;
    let mut kept = HashSet::new();
    for row in but {
        let why: String = row.why.chars().take(WHY_MAX).collect();
        let seq = words.query_row(params![forwarder, millis(row.at), row.series, why], |row| row.get(0));
        kept.extend(seq.optional()?.into_iter().collect::<Vec<i64>>());
    }
    let listed: Vec<i64> = query::list(
        transaction,
        "SELECT seq FROM forward_refused WHERE forwarder = ?1 AND seq > ?2 AND seq <= ?3",
        params![forwarder, after, until],
        |row| row.get(0),
    )?;
    let mut delete = transaction.prepare("DELETE FROM forward_refused WHERE seq = ?1")?;
    let mut settled = 0;
    for seq in listed.into_iter().filter(|seq| !kept.contains(seq)) {
        settled += delete.execute([seq])?;
    }
    Ok(settled)
}

//! Counters that last: what was ever dropped, and the last numbers.

use jiff::Timestamp;
use rusqlite::{Connection, Transaction, params};

use super::columns::millis;
use super::query;

/// Sets a counter.
pub(super) fn set_counter(connection: &Connection, name: &str, value: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT INTO counter (name, value) VALUES (?1, ?2)
             ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        )?
        .execute(params![name, value])?;
    Ok(())
}

/// Adds to a counter, where there is something to add.
pub(super) fn count(transaction: &Transaction<'_>, name: &str, more: usize) -> rusqlite::Result<()> {
    if more == 0 {
        return Ok(());
    }
    transaction
        .prepare_cached(
            "INSERT INTO counter (name, value) VALUES (?1, ?2)
             ON CONFLICT (name) DO UPDATE SET value = value + excluded.value",
        )?
        .execute(params![name, i64::try_from(more).expect("a count of rows fits")])?;
    Ok(())
}

/// Adds to a counter of what was dropped, and notes when.
pub(super) fn count_dropped(
    transaction: &Transaction<'_>,
    name: &str,
    more: usize,
    at: Timestamp,
) -> rusqlite::Result<()> {
    if more > 0 {
        set_counter(transaction, &dropped_at(name), millis(at))?;
    }
    count(transaction, name, more)
}

/// The counter with the time, in milliseconds, at which something was last dropped.
pub(super) fn dropped_at(name: &str) -> String {
    format!("{name}_at")
}

/// A counter's value; 0 where nothing was ever counted.
pub(super) fn counter(connection: &Connection, name: &str) -> rusqlite::Result<i64> {
    query::one(connection, "SELECT coalesce(max(value), 0) FROM counter WHERE name = ?1", [name])
}

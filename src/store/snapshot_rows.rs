//! What the core knew of each site at one moment, as bytes: one row a site, the newest.
//!
//! A row is written right after a transaction, when all that the core has taken is in the
//! file, so that it never knows of a reading that is not there. Whatever changes the stored
//! past instead of adding to it (an import, an import taken back, a replay that writes)
//! lets go of the rows of its sites first.

use std::collections::HashSet;

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension as _, TransactionBehavior, params};

use super::columns::{millis, time};
use super::error::StoreError;
use super::log_rows;
use super::query::{self, write_error};
use super::reader::Reader;
use super::writer::Store;
use crate::garden::plan::Garden;

/// One site's row. What its bytes hold, and whether they can be believed, is the engine's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SiteSnapshot {
    pub site: String,
    /// The form of the row.
    pub format: i64,
    /// For which program and which plan it was made.
    pub made_for: Vec<u8>,
    pub kept_at: Timestamp,
    /// The number of the last entry of the log that it knows.
    pub log_to: i64,
    /// Bytes of the state before they were packed.
    pub length: i64,
    /// Of all else in the row.
    pub checksum: Vec<u8>,
    pub packed: Vec<u8>,
}

/// Lets go of a site's row.
pub(super) fn forget(connection: &Connection, site: &str) -> rusqlite::Result<()> {
    connection.prepare_cached("DELETE FROM snapshot WHERE site = ?1")?.execute([site]).map(|_| ())
}

/// Lets go of the rows of one site, or of all.
pub(super) fn forget_of(connection: &Connection, site: Option<&str>) -> rusqlite::Result<()> {
    match site {
        Some(site) => forget(connection, site),
        None => connection.execute("DELETE FROM snapshot", []).map(|_| ()),
    }
}

impl Store {
    /// Keeps the newest state of some sites, all of them or none.
    ///
    /// # Errors
    ///
    /// When the database cannot be written. Those that were kept before stay.
    pub fn keep_snapshots(&mut self, rows: &[SiteSnapshot]) -> Result<(), StoreError> {
        self.check_place()?;
        // Who waits for letters or rows is still to be woken by the next commit.
        let doubtful = self.settle()?;
        self.doubtful = true;
        let failed = write_error(&self.path, "the state of the sites");
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
        for row in rows {
            transaction
                .prepare_cached(
                    "INSERT OR REPLACE INTO snapshot
                     (site, format, made_for, kept_at, log_to, length, checksum, packed)
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
                )
                .and_then(|mut insert| {
                    insert.execute(params![
                        row.site,
                        row.format,
                        row.made_for,
                        millis(row.kept_at),
                        row.log_to,
                        row.length,
                        row.checksum,
                        row.packed
                    ])
                })
                .map_err(failed)?;
        }
        transaction.commit().map_err(failed)?;
        self.doubtful = doubtful;
        Ok(())
    }

    /// Lets go of a site's kept state.
    ///
    /// # Errors
    ///
    /// When the database cannot be written.
    pub fn forget_snapshot(&mut self, site: &str) -> Result<(), StoreError> {
        self.settle()?;
        self.write("the state of the sites", |connection| forget(connection, site))
    }

    /// Lets go of the kept states of sites that are none of these.
    ///
    /// # Errors
    ///
    /// When the database cannot be written.
    pub fn forget_gone_snapshots(&mut self, gardens: &[Garden]) -> Result<(), StoreError> {
        let ours: HashSet<&str> = gardens.iter().map(|garden| garden.site.id.as_str()).collect();
        let kept = self.read("the state of the sites", |connection| {
            query::list(connection, "SELECT site FROM snapshot", [], |row| row.get::<_, String>(0))
        })?;
        for site in kept.iter().filter(|site| !ours.contains(site.as_str())) {
            self.forget_snapshot(site)?;
        }
        Ok(())
    }

    /// The number of the last entry of the log that was judged.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn log_taken_to(&self) -> Result<i64, StoreError> {
        self.read("the log", log_rows::taken_to)
    }
}

impl Reader {
    /// What is kept of a site's state.
    ///
    /// # Errors
    ///
    /// When the row cannot be read.
    pub fn snapshot(&self, site: &str) -> Result<Option<SiteSnapshot>, StoreError> {
        self.with("the state of the sites", |connection| {
            connection
                .prepare_cached(
                    "SELECT site, format, made_for, kept_at, log_to, length, checksum, packed
                     FROM snapshot WHERE site = ?1",
                )?
                .query_row([site], |row| {
                    Ok(SiteSnapshot {
                        site: row.get(0)?,
                        format: row.get(1)?,
                        made_for: row.get(2)?,
                        kept_at: time(row, 3)?,
                        log_to: row.get(4)?,
                        length: row.get(5)?,
                        checksum: row.get(6)?,
                        packed: row.get(7)?,
                    })
                })
                .optional()
        })
    }
}

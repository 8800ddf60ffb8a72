//! The record's files as a crash leaves them.

use std::path::{Path, PathBuf};

use super::Draw;

/// What a disk writes whole or not at all, bytes: a sector, by SQLite's own assumption.
const SECTOR: usize = 512;
/// The header of the log of recent writes, bytes (SQLite's file format, section 4.1). It is
/// on the disk before anything that follows it.
const LOG_HEADER: usize = 32;

/// The database and its log of recent writes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct DiskImage {
    database: Vec<u8>,
    log: Vec<u8>,
}

fn log_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    PathBuf::from(name)
}

impl DiskImage {
    pub(super) fn of(path: &Path) -> Self {
        Self {
            database: std::fs::read(path).expect("the database is there"),
            log: std::fs::read(log_of(path)).unwrap_or_default(),
        }
    }

    pub(super) fn write(&self, path: &Path) {
        std::fs::write(path, &self.database).expect("the folder can be written");
        if !self.log.is_empty() {
            std::fs::write(log_of(path), &self.log).expect("the folder can be written");
        }
    }

    /// What is on the disk after the power went within the write that led from `before` to
    /// `after`. Sectors that were not made sure of are there or not, in no order. SQLite
    /// makes sure of the log's header before its frames, and of the log before it brings
    /// that into the database.
    pub(super) fn torn(before: &Self, after: &Self, draw: &mut Draw) -> Self {
        if before.database != after.database && draw.one_in(2) {
            let database = mixed(&before.database, &after.database, draw);
            return Self { database, log: after.log.clone() };
        }
        let begun_again = before.log.len() >= LOG_HEADER
            && after.log.len() >= LOG_HEADER
            && before.log[..LOG_HEADER] != after.log[..LOG_HEADER];
        if begun_again && draw.one_in(4) {
            let mut log = before.log.clone();
            // The header itself may be torn: its own checksum shows it.
            let cut = draw.below(LOG_HEADER as u64 + 1) as usize;
            log[..cut].copy_from_slice(&after.log[..cut]);
            return Self { database: before.database.clone(), log };
        }
        let mut log = mixed(&before.log, &after.log, draw);
        if after.log.len() >= LOG_HEADER && log.len() >= LOG_HEADER {
            log[..LOG_HEADER].copy_from_slice(&after.log[..LOG_HEADER]);
        }
        if draw.one_in(2) {
            // The file's new length was not kept.
            log.truncate(before.log.len().max(draw.below(log.len() as u64 + 1) as usize));
        }
        Self { database: before.database.clone(), log }
    }
}

/// Each sector as it was before or after. One that was not there before reads as zeros.
fn mixed(before: &[u8], after: &[u8], draw: &mut Draw) -> Vec<u8> {
    let mut mixed = after.to_vec();
    // Most sectors are there, or few are.
    let one_in = 2 + draw.below(8);
    let most = draw.one_in(2);
    for (n, sector) in mixed.chunks_mut(SECTOR).enumerate() {
        if draw.one_in(one_in) == most {
            let old = before.get(n * SECTOR..).unwrap_or_default();
            for (at, byte) in sector.iter_mut().enumerate() {
                *byte = old.get(at).copied().unwrap_or(0);
            }
        }
    }
    mixed
}

//! A whole copy of the record, and putting one back.
//!
//! A plain copy of the file while the daemon runs loses what is still in the log of recent
//! writes ("-wal") and may be torn. [`back_up`] asks SQLite for a copy of one moment
//! (`VACUUM INTO`: <https://www.sqlite.org/lang_vacuum.html>), reads it through, and only
//! then gives it its name. The daemon goes on writing meanwhile.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags};

use super::columns::timestamp;
use super::writer::{BUSY, lock, open_beside};
use super::{StoreError, schema};
use super::{block_rows, day_rows, query};

/// What is in a copy.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BackupContent {
    pub bytes: u64,
    pub readings: u64,
    /// Readings of which only their day's figures are kept.
    pub summarised: u64,
    pub alarm_changes: u64,
    pub log_entries: u64,
    /// The time of the newest reading.
    pub newest: Option<Timestamp>,
}

/// Why no copy was made or put back. What was there before is as it was, where nothing else
/// is said.
#[derive(Debug, thiserror::Error)]
pub enum BackupFault {
    #[error("{} is there already; a backup never overwrites a file: give another name", path.display())]
    Exists { path: PathBuf },
    #[error("there is no file {}", path.display())]
    NoFile { path: PathBuf },
    #[error("{} is the record itself, not a backup of it", path.display())]
    Itself { path: PathBuf },
    #[error("{doing} {}", path.display())]
    File { doing: &'static str, path: PathBuf, source: io::Error },
    #[error("copying the record to {}", path.display())]
    Copy { path: PathBuf, source: rusqlite::Error },
    #[error("{} is damaged: {found}", path.display())]
    Damaged { path: PathBuf, found: String },
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Copies the record at `from` into the new file `to` and reads the copy through.
///
/// # Errors
///
/// When `to` is there or cannot be written, or the record cannot be read, is damaged, is not
/// ours or of another version. No half copy is left.
pub fn back_up(from: &Path, to: &Path) -> Result<BackupContent, BackupFault> {
    if to.exists() {
        return Err(BackupFault::Exists { path: to.to_owned() });
    }
    let part = beside(to, ".part");
    remove_if_there(&part)?;
    let made = copy(from, &part).and_then(|content| {
        let file = |doing, source| BackupFault::File { doing, path: to.to_owned(), source };
        // The record may be read by its owner alone; so may its copy.
        let rights =
            fs::metadata(from).map_err(|source| file("reading the rights of", source))?.permissions();
        fs::set_permissions(&part, rights).map_err(|source| file("setting the rights of", source))?;
        File::open(&part).and_then(|it| it.sync_all()).map_err(|source| file("writing", source))?;
        // Not over a file that came meanwhile: a link is refused where a name would be replaced.
        fs::hard_link(&part, to).map_err(|source| file("naming", source))?;
        sync_folder(to).map_err(|source| file("writing", source))?;
        Ok(content)
    });
    let cleared = remove_if_there(&part);
    let made = made?;
    cleared?;
    Ok(made)
}

fn copy(from: &Path, part: &Path) -> Result<BackupContent, BackupFault> {
    let connection = open_beside(from)?;
    let before =
        counted(&connection).map_err(|source| BackupFault::Copy { path: part.to_owned(), source })?;
    connection
        .execute("VACUUM INTO ?1", [part.to_string_lossy()])
        .map_err(|source| BackupFault::Copy { path: part.to_owned(), source })?;
    let content = look_through(part)?;
    // Single readings may have gone into their days' figures meanwhile.
    let copied = content.readings + content.summarised;
    if copied < before {
        let found = format!("it holds {copied} of {before} readings");
        return Err(BackupFault::Damaged { path: part.to_owned(), found });
    }
    Ok(content)
}

/// Readings that were ever kept: those that are there, and those in days' figures.
fn counted(connection: &Connection) -> rusqlite::Result<u64> {
    // Of one moment: a reading goes from one to the other.
    let _reading = connection.unchecked_transaction()?;
    let single: i64 = query::one(connection, "SELECT count(*) FROM reading", [])?;
    Ok((single + block_rows::readings(connection)? + day_rows::readings(connection)?).unsigned_abs())
}

/// Reads a copy through.
///
/// # Errors
///
/// When it is missing, damaged, not ours or from a newer program.
pub fn look_through(path: &Path) -> Result<BackupContent, BackupFault> {
    let bytes = match fs::metadata(path) {
        Ok(found) if found.is_file() => found.len(),
        Ok(_) => return Err(BackupFault::NoFile { path: path.to_owned() }),
        Err(source) if source.kind() == io::ErrorKind::NotFound => {
            return Err(BackupFault::NoFile { path: path.to_owned() });
        }
        Err(source) => return Err(BackupFault::File { doing: "reading", path: path.to_owned(), source }),
    };
    let open = |source| StoreError::Open { path: path.to_owned(), source };
    let connection = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(open)?;
    connection.busy_timeout(BUSY).map_err(open)?;
    if schema::of(&connection, path)? == 0 {
        return Err(BackupFault::Damaged { path: path.to_owned(), found: "it is empty".to_owned() });
    }
    let damaged = |found: String| BackupFault::Damaged { path: path.to_owned(), found };
    let said: Vec<String> = query::list(&connection, "PRAGMA integrity_check(5)", [], |row| row.get(0))
        .map_err(|source| damaged(source.to_string()))?;
    if said != ["ok"] {
        return Err(damaged(said.join("; ")));
    }
    let count = |table: &str| -> Result<u64, BackupFault> {
        let known: i64 = query::one(
            &connection,
            "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = ?1",
            [table],
        )
        .map_err(open)?;
        if known == 0 {
            return Ok(0);
        }
        let rows: i64 =
            query::one(&connection, &format!("SELECT count(*) FROM {table}"), []).map_err(open)?;
        Ok(rows.unsigned_abs())
    };
    let summarised = match count("day_summary")? {
        0 => 0,
        _ => day_rows::readings(&connection).map_err(open)?.unsigned_abs(),
    };
    let single: Option<i64> = query::one(&connection, "SELECT max(at) FROM reading", []).map_err(open)?;
    // A copy of an older program has none.
    let (packed, packed_until) = match count("block")? {
        0 => (0, None),
        _ => {
            block_rows::fault(&connection).map_err(open)?.map_or(Ok(()), |found| Err(damaged(found)))?;
            let until = query::one(&connection, "SELECT max(last_at) FROM block", []).map_err(open)?;
            (block_rows::readings(&connection).map_err(open)?.unsigned_abs(), until)
        }
    };
    let newest = single.max(packed_until);
    Ok(BackupContent {
        bytes,
        readings: count("reading")? + packed,
        summarised,
        alarm_changes: count("alarm_change")?,
        log_entries: count("log")?,
        newest: newest.and_then(timestamp),
    })
}

/// A copy that was put back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PutBack {
    pub content: BackupContent,
    /// Where the record is that stood there before; `None` where there was none.
    pub aside: Option<PathBuf>,
}

/// Puts the copy `backup` in the place of the record at `path`. That one is moved aside
/// with its log of recent writes, never deleted.
///
/// # Errors
///
/// When the daemon runs, the copy is missing, damaged, not ours or from a newer program, or
/// the files cannot be written.
pub fn put_back(backup: &Path, path: &Path, now: Timestamp) -> Result<PutBack, BackupFault> {
    if same_file(backup, path) {
        return Err(BackupFault::Itself { path: backup.to_owned() });
    }
    let content = look_through(backup)?;
    let _lock = lock(path)?;
    let coming = beside(path, ".coming");
    remove_if_there(&coming)?;
    let file = |doing, source| BackupFault::File { doing, path: path.to_owned(), source };
    let placed = fs::copy(backup, &coming)
        .map_err(|source| file("writing beside", source))
        .and_then(|_| forget_received(&coming))
        .and_then(|()| put_in_place(&coming, path, "before-restore", now));
    remove_if_there(&coming)?;
    Ok(PutBack { content, aside: placed? })
}

/// A copy of earlier days does not say which messages the broker may send again.
fn forget_received(path: &Path) -> Result<(), BackupFault> {
    let failed = |source| BackupFault::Copy { path: path.to_owned(), source };
    let copy = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE).map_err(failed)?;
    let there = "SELECT count(*) FROM sqlite_schema WHERE name = 'received'";
    if query::one::<i64>(&copy, there, []).map_err(failed)? > 0 {
        copy.execute_batch("DELETE FROM received").map_err(failed)?;
    }
    copy.close().map_err(|(_, source)| failed(source))
}

/// Moves the record at `path` aside and gives its name to `coming`, which is on the disk by
/// then. Returns where the old one is; `None` where there was none.
pub(super) fn put_in_place(
    coming: &Path,
    path: &Path,
    why: &str,
    now: Timestamp,
) -> Result<Option<PathBuf>, BackupFault> {
    let file = |doing, source| BackupFault::File { doing, path: path.to_owned(), source };
    File::open(coming).and_then(|it| it.sync_all()).map_err(|source| file("writing beside", source))?;
    let aside = move_aside(path, why, now)?;
    fs::rename(coming, path).map_err(|source| file("naming", source))?;
    sync_folder(path).map_err(|source| file("writing", source))?;
    Ok(aside)
}

/// Moves a record with its logs aside: `NAME.WHY-TIME`. Returns its new path.
fn move_aside(path: &Path, why: &str, now: Timestamp) -> Result<Option<PathBuf>, BackupFault> {
    if !path.exists() {
        return Ok(None);
    }
    let time = now.strftime("%Y%m%dT%H%M%SZ");
    let aside = (0..1000)
        .map(|n| {
            let number = if n == 0 { String::new() } else { format!("-{n}") };
            beside(path, &format!(".{why}-{time}{number}"))
        })
        .find(|aside| !aside.exists())
        .unwrap_or_else(|| beside(path, &format!(".{why}-{time}-more")));
    // The logs first: a record without its log is older, a log without its record nothing.
    for log in ["-wal", "-shm", ""] {
        let (from, to) = (beside(path, log), beside(&aside, log));
        if from.exists() {
            fs::rename(&from, &to).map_err(|source| BackupFault::File {
                doing: "moving aside",
                path: from,
                source,
            })?;
        }
    }
    Ok(Some(aside))
}

/// A path with something after its name.
pub(super) fn beside(path: &Path, after: &str) -> PathBuf {
    let mut name: OsString = path.as_os_str().to_owned();
    name.push(after);
    name.into()
}

fn same_file(a: &Path, b: &Path) -> bool {
    match (fs::canonicalize(a), fs::canonicalize(b)) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    }
}

pub(super) fn remove_if_there(path: &Path) -> Result<(), BackupFault> {
    match fs::remove_file(path) {
        Err(source) if source.kind() != io::ErrorKind::NotFound => {
            Err(BackupFault::File { doing: "removing", path: path.to_owned(), source })
        }
        _ => Ok(()),
    }
}

fn sync_folder(path: &Path) -> io::Result<()> {
    let folder = path.parent().filter(|it| !it.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    File::open(folder)?.sync_all()
}

//! What can go wrong with the record.

use std::path::PathBuf;

use jiff::Timestamp;

use crate::model::SensorIx;

/// Why the store could not be opened, read or written.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    #[error("creating the folder {} for the database", path.display())]
    Folder { path: PathBuf, source: std::io::Error },

    #[error("opening the lock file {}", path.display())]
    LockFile { path: PathBuf, source: std::io::Error },

    #[error("another trug is already writing to {} (it holds {}); stop it first", path.display(), lock.display())]
    Locked { path: PathBuf, lock: PathBuf },

    #[error("opening the database {}", path.display())]
    Open { path: PathBuf, source: rusqlite::Error },

    #[error("there is no database at {}; `trug run` makes it", path.display())]
    Missing { path: PathBuf },

    #[error("{most} answers wait in {} already; is `trug run` not running?", path.display())]
    AnswersFull { path: PathBuf, most: i64 },

    #[error("the log in {} holds {most} entries already; it takes no more", path.display())]
    LogFull { path: PathBuf, most: i64 },

    #[error("the log of this garden has no entry {number}; `trug log list` shows the numbers")]
    NoSuchEntry { number: i64 },

    #[error("entry {number} of the log is struck already")]
    StruckAlready { number: i64 },

    #[error(
        "of {readings} readings of import {number} only daily figures are kept, so it cannot be taken back whole; a \
         backup from before can be put back with `trug restore`"
    )]
    ImportSummarised { number: i64, readings: u64 },

    #[error("{} is not a database", path.display())]
    NotADatabase { path: PathBuf },

    #[error("{} is damaged ({found}); `trug restore BACKUP` puts a backup in its place", path.display())]
    Damaged { path: PathBuf, found: String },

    #[error("{} is the database of another program; name another file in [store] path", path.display())]
    Foreign { path: PathBuf },

    #[error(
        "{} was written by a newer trug (its layout is version {found}, this program knows up to {known}); use that one",
        path.display()
    )]
    Newer { path: PathBuf, found: i64, known: i64 },

    #[error(
        "{} was written by an older trug (its layout is version {found}, this program reads {known}); \
         `trug run` brings it up to date",
        path.display()
    )]
    Older { path: PathBuf, found: i64, known: i64 },

    #[error("bringing {} to layout version {to}", path.display())]
    Migrate { path: PathBuf, to: i64, source: rusqlite::Error },

    #[error("writing {what} to {}", path.display())]
    Write { what: &'static str, path: PathBuf, source: rusqlite::Error },

    #[error("reading {what} from {}", path.display())]
    Read { what: &'static str, path: PathBuf, source: rusqlite::Error },

    #[error("a row of {what} in {} cannot be understood: {found}", path.display())]
    Row { what: &'static str, path: PathBuf, found: String },

    #[error(
        "the database {} was moved or deleted while trug has it open; put it back where it was, or start trug again, \
         which then makes a new one",
        path.display()
    )]
    Moved { path: PathBuf },

    #[error("the log of recent writes beside {} ({}-wal) was removed while trug has it open", path.display(), path.display())]
    LogRemoved { path: PathBuf, source: rusqlite::Error },

    #[error("sensor number {} is not one of the {known} that the store was opened with", sensor.0)]
    UnknownSensor { sensor: SensorIx, known: usize },

    #[error("a reading of sensor number {} at {at} is not a finite number", sensor.0)]
    NotFinite { sensor: SensorIx, at: Timestamp },
}

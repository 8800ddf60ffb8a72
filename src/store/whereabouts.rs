//! Whether the files that the writer has open are still those at its path.
//!
//! A database that is moved or deleted under a running program goes on being written, into
//! a file that nobody finds again; so does its log of recent writes ("-wal"). SQLite looks
//! for neither in this mode, so device and inode are compared with each commit.

use std::fs::Metadata;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

/// Which file it is, whatever it is called.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct FileId {
    device: u64,
    inode: u64,
}

impl FileId {
    fn of(path: &Path) -> Option<Self> {
        std::fs::metadata(path).ok().map(|it: Metadata| Self { device: it.dev(), inode: it.ino() })
    }
}

/// What is the matter with the files.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Misplaced {
    /// The database is not at its path any more.
    Database,
    /// Its log is not beside it.
    Log,
}

/// The files as they were when they were opened.
#[derive(Clone, Debug)]
pub(super) struct Whereabouts {
    path: PathBuf,
    log: PathBuf,
    database_id: Option<FileId>,
    /// `None`: nothing was written yet.
    log_id: Option<FileId>,
}

impl Whereabouts {
    /// Notes which files those of an open database are.
    pub(super) fn of(path: &Path) -> Self {
        let mut log = path.as_os_str().to_owned();
        log.push("-wal");
        let log = PathBuf::from(log);
        let (database_id, log_id) = (FileId::of(path), FileId::of(&log));
        Self { path: path.to_owned(), log, database_id, log_id }
    }

    /// What is not where it was; `None` where all is well. The log is noted when it is there first.
    pub(super) fn look(&mut self) -> Option<Misplaced> {
        if FileId::of(&self.path) != self.database_id {
            return Some(Misplaced::Database);
        }
        let log_id = FileId::of(&self.log);
        if self.log_id.is_none() {
            self.log_id = log_id;
        }
        (log_id != self.log_id).then_some(Misplaced::Log)
    }
}

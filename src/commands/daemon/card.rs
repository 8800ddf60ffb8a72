//! A small file beside the record by which other commands find the daemon that writes to it:
//! its process, its version, and how the last reading of the configuration ended.
//!
//! The daemon holds a lock on the file as long as it lives, so that one that a crash left behind
//! names nobody.

use std::ffi::OsString;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

/// How the configuration was read again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReloadResult {
    /// It is in use now.
    TakenOver,
    /// It says what it said before.
    Unchanged,
    /// It has faults, or something that it names is not there.
    Refused,
    /// It has none, and could not be used all the same.
    Failed,
}

/// What became of the configuration when it was read again, for who asked for it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReloadOutcome {
    pub result: ReloadResult,
    /// RFC 3339.
    pub at: String,
    /// Whole sentences.
    pub words: Vec<String>,
    /// The faults, as `trug check` tells them; empty where there are none.
    pub faults: String,
    /// The same as `trug check --json` has them.
    pub faults_json: serde_json::Value,
}

/// What stands in the file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DaemonCard {
    pub process: u32,
    pub version: String,
    /// RFC 3339.
    pub started: String,
    /// The daemon's file, as it was given.
    pub configuration: String,
    /// How often the configuration was begun to be read again, and how often that has ended.
    pub begun: u64,
    pub ended: u64,
    pub outcome: Option<ReloadOutcome>,
}

/// The file, held by the daemon.
#[derive(Debug)]
pub struct HeldCard {
    file: File,
    pub card: DaemonCard,
}

fn path_of(store: &Path) -> PathBuf {
    let mut name = OsString::from(store.as_os_str());
    name.push(".daemon");
    name.into()
}

impl HeldCard {
    /// Makes the file beside the record at `store`, and holds it.
    ///
    /// # Errors
    /// When it cannot be written, or another daemon holds it.
    pub fn hold(store: &Path, card: DaemonCard) -> io::Result<Self> {
        let file = OpenOptions::new().write(true).create(true).truncate(false).open(path_of(store))?;
        file.try_lock().map_err(|fault| match fault {
            TryLockError::WouldBlock => io::Error::from(io::ErrorKind::ResourceBusy),
            TryLockError::Error(fault) => fault,
        })?;
        let mut held = Self { file, card };
        held.write()?;
        Ok(held)
    }

    /// Writes the card as it is. It is written in place, since the lock is the file's: who reads
    /// half of it reads it again.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn write(&mut self) -> io::Result<()> {
        let text = serde_json::to_string_pretty(&self.card)?;
        self.file.set_len(0)?;
        self.file.seek(SeekFrom::Start(0))?;
        self.file.write_all(text.as_bytes())
    }
}

impl DaemonCard {
    /// The card of the daemon that runs on the record at `store`; `None` where none does.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn of_running(store: &Path) -> io::Result<Option<Self>> {
        /// Reads of a file that is just being written.
        const TRIES: u32 = 50;
        let path = path_of(store);
        let file = match File::open(&path) {
            Ok(file) => file,
            Err(fault) if fault.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(fault) => return Err(fault),
        };
        match file.try_lock_shared() {
            Ok(()) => return Ok(None),
            Err(TryLockError::WouldBlock) => {}
            Err(TryLockError::Error(fault)) => return Err(fault),
        }
        for _ in 0..TRIES {
            let text = std::fs::read_to_string(&path)?;
            if let Ok(card) = serde_json::from_str(&text) {
                return Ok(Some(card));
            }
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        Err(io::Error::new(io::ErrorKind::InvalidData, format!("{} cannot be understood", path.display())))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_card_names_a_daemon_as_long_as_it_is_held() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = folder.path().join("trug.db");
        assert_eq!(DaemonCard::of_running(&store).expect("read"), None);
        let card = DaemonCard {
            process: 7,
            version: "0.1.0".to_owned(),
            started: "2026-04-17T05:30:00Z".to_owned(),
            configuration: "trug.toml".to_owned(),
            begun: 0,
            ended: 0,
            outcome: None,
        };
        let mut held = HeldCard::hold(&store, card.clone()).expect("held");
        assert_eq!(DaemonCard::of_running(&store).expect("read"), Some(card.clone()));
        assert!(HeldCard::hold(&store, card.clone()).is_err(), "one daemon holds it");
        held.card.begun = 1;
        held.write().expect("written");
        assert_eq!(DaemonCard::of_running(&store).expect("read").map(|it| it.begun), Some(1));
        drop(held);
        assert_eq!(
            DaemonCard::of_running(&store).expect("read"),
            None,
            "the file is there, and nobody holds it"
        );
    }
}

//! What each key is for, and what holds without it.
//!
//! A default that is written as the file has it is tried by a test: the key with it and the file
//! without the key must mean the same. What has no such form stands in words.

mod daemon;
mod garden;

use super::KeyFile;

/// A key: its name, what holds without it, and what it is for.
pub(super) type KeyNote = (&'static str, &'static str, &'static str);

/// The tables of each file.
const FILES: [(KeyFile, &[TableNote]); 2] =
    [(KeyFile::Daemon, daemon::TABLES), (KeyFile::Garden, garden::TABLES)];

/// Every table and the file that it is of, in the order in which people write them.
pub(super) fn tables() -> impl Iterator<Item = (KeyFile, &'static TableNote)> {
    FILES.into_iter().flat_map(|(file, tables)| tables.iter().map(move |table| (file, table)))
}

/// A table of a file.
pub(super) struct TableNote {
    /// Dotted, without ids.
    pub(super) path: &'static str,
    /// Whether there may be several: `[[bed]]`.
    pub(super) list: bool,
    pub(super) meaning: &'static str,
    pub(super) keys: &'static [KeyNote],
}

impl TableNote {
    /// As the file has it; a table that is written in one line, as its key of the one above.
    pub(super) fn heading(&self, file: KeyFile) -> String {
        let inline = tables()
            .filter(|(of, other)| *of == file && other.list && other.path != "watering.rule")
            .find_map(|(_, other)| Some((other, self.path.strip_prefix(other.path)?.strip_prefix('.')?)));
        match inline {
            Some((above, key)) => format!("{key} of [[{}]]", above.path),
            None if self.list => format!("[[{}]]", self.path),
            None => format!("[{}]", self.path),
        }
    }
}

const fn one(path: &'static str, meaning: &'static str, keys: &'static [KeyNote]) -> TableNote {
    TableNote { path, list: false, meaning, keys }
}

const fn several(path: &'static str, meaning: &'static str, keys: &'static [KeyNote]) -> TableNote {
    TableNote { path, list: true, meaning, keys }
}

//! Reading the files themselves.

use std::io::Read;
use std::path::{Path, PathBuf};

use super::document::position;
use super::fault::Fault;

/// Largest configuration file, bytes; a garden of 40 sensors has about 10,000.
const SIZE_MAX: u64 = 16 * 1024 * 1024;

/// The text of a configuration file.
///
/// # Errors
///
/// When it cannot be read, is too large or is not UTF-8.
pub(super) fn text(path: &Path) -> Result<String, Vec<Fault>> {
    let unreadable =
        |given| Fault::of_whole(path.display().to_string(), given, "a text file that trug may read");
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(SIZE_MAX + 1).read_to_end(&mut bytes))
        .map_err(|e| vec![unreadable(format!("a file that cannot be read: {e}"))])?;
    if u64::try_from(bytes.len()).is_ok_and(|n| n > SIZE_MAX) {
        return Err(vec![unreadable(format!("a file of more than {SIZE_MAX} bytes"))]);
    }
    String::from_utf8(bytes).map_err(|e| {
        let before = e.as_bytes().get(..e.utf8_error().valid_up_to()).unwrap_or_default();
        let (line, column) = position(before);
        vec![Fault {
            line: Some(line),
            accepted: "UTF-8 text".to_owned(),
            ..unreadable(format!("bytes that are not UTF-8 at column {column}"))
        }]
    })
}

/// The folder of garden files that the daemon's file at `config` names, or the usual one beside
/// it: also where that file has faults or is not there.
pub fn garden_folder(config: &Path) -> PathBuf {
    let named = || {
        let tree: toml::Table = text(config).ok()?.parse().ok()?;
        Some(tree.get("gardens")?.get("folder")?.as_str()?.to_owned())
    };
    let folder = named().unwrap_or_else(|| super::GARDENS_FOLDER.to_owned());
    config.parent().unwrap_or(Path::new("")).join(folder)
}

/// The path of the record that the daemon's file at `config` or the variables of `env` name, also
/// where the rest has faults; `None` where neither does.
pub fn store_path(config: &Path, mut env: impl Iterator<Item = (String, String)>) -> Option<PathBuf> {
    if let Some((_, path)) = env.find(|(name, _)| name.eq_ignore_ascii_case("TRUG__STORE__PATH")) {
        return Some(path.into());
    }
    let tree: toml::Table = text(config).ok()?.parse().ok()?;
    tree.get("store")?.get("path")?.as_str().map(PathBuf::from)
}

/// The names and texts of the garden files of a folder; none where it cannot be read.
pub fn garden_texts(folder: &Path) -> Vec<(String, String)> {
    let files = garden_files(folder).unwrap_or_default();
    files.iter().filter_map(|path| Some((path.display().to_string(), text(path).ok()?))).collect()
}

/// The garden files of a folder, sorted by name. Hidden files are left alone:
/// editors keep half-written copies in them.
///
/// # Errors
///
/// When the folder cannot be read.
pub(super) fn garden_files(folder: &Path) -> Result<Vec<PathBuf>, Vec<Fault>> {
    let list = || -> std::io::Result<Vec<PathBuf>> {
        let mut found = Vec::new();
        for entry in std::fs::read_dir(folder)? {
            let entry = entry?;
            let hidden = entry.file_name().as_encoded_bytes().starts_with(b".");
            let path = entry.path();
            if !hidden && path.extension().is_some_and(|e| e == "toml") {
                found.push(path);
            }
        }
        found.sort_unstable();
        Ok(found)
    };
    list().map_err(|e| {
        let given = format!("a folder that cannot be read: {e}");
        let accepted = "the folder with a file NAME.toml for each garden";
        let fault = Fault::of_whole(folder.display().to_string(), given, accepted);
        vec![Fault { key: "gardens.folder".to_owned(), ..fault }]
    })
}

//! Passwords and tokens: read from files of their own or the environment.

use std::fmt;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use super::document::Want;
use super::small_file;
use super::table::SettingsTable;
use super::value::SettingsItem;

/// Bytes of a secret's file that are read at most.
const SECRET_MAX: u64 = 64 * 1024;

/// A password or token. It is not shown by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// The secret itself, for the one place that sends it.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(not shown)")
    }
}

/// The secret `key`, from the environment or from the file that `file_key`
/// names; relative paths start at `folder`.
pub(super) fn secret(
    table: &SettingsTable<'_>,
    key: &'static str,
    file_key: &'static str,
    folder: &Path,
) -> Option<Secret> {
    let file = table.get(file_key, Want::Text);
    if let Some(item) = table.get(key, Want::Text) {
        if item.is_from_file() {
            return item.faulty(
                format!("a {key} in this file (not shown)"),
                format!(
                    "{file_key} = \"a file that holds only the {key}\", or an environment variable; this file is \
                     copied and shown to people, so whoever reads it would have the {key}"
                ),
                None,
            );
        }
        return checked(&item, item.text("text")?, key);
    }
    let item = file?;
    match read(&folder.join(item.text("the path of a file")?)) {
        Ok((text, open)) => {
            let checked = checked(&item, &text, key);
            if open && checked.is_some() {
                item.open_to_everybody();
            }
            checked
        }
        Err(why) => item.unusable(&why, format!("a file that trug may read and that holds only the {key}")),
    }
}

fn checked(item: &SettingsItem<'_>, text: &str, key: &str) -> Option<Secret> {
    let text = text.trim_end_matches(['\r', '\n']);
    let given = if text.is_empty() {
        "an empty file or variable"
    } else if text.chars().any(char::is_control) {
        "several lines or control characters (not shown)"
    } else {
        return Some(Secret(text.to_owned()));
    };
    item.faulty(given, format!("the {key} on one line"), None)
}

/// What a secret's file holds, and whether others than its owner and group may read or
/// change it.
fn read(path: &Path) -> Result<(String, bool), String> {
    let (bytes, metadata) = small_file::read(path, SECRET_MAX)?;
    let text = String::from_utf8(bytes).map_err(|_| "not UTF-8 text".to_owned())?;
    Ok((text, metadata.permissions().mode() & 0o006 != 0))
}

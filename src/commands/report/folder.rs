//! The folder of a report: all of it is made, or nothing.

use std::fmt;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::Report;
use crate::commands::shared::folder_of;
use crate::report::{ReportFile, has_file};

/// A folder that may be made.
pub(super) struct ReportFolder {
    path: PathBuf,
    replace: bool,
}

impl ReportFolder {
    /// The one that is asked for, or else one of this name.
    ///
    /// # Errors
    /// Plain words why it may not be made.
    pub(super) fn asked(it: &Report, name: &str) -> Result<Self, String> {
        let folder =
            Self { path: it.out.clone().unwrap_or_else(|| PathBuf::from(name)), replace: it.replace };
        if !folder.replace && fs::symlink_metadata(&folder.path).is_ok() {
            return Err(format!("{folder} is there already; give another folder with --out, or --replace"));
        }
        match not_ours(&folder.path) {
            Some(other) => Err(format!(
                "{folder} holds {other:?}, which is no part of a report, so it is not replaced; give another folder with --out"
            )),
            None => Ok(folder),
        }
    }

    /// Writes the files into a folder beside it and gives that its name at the end, so that
    /// nobody ever finds half of it.
    pub(super) fn write(&self, files: &[ReportFile]) -> io::Result<()> {
        let folder = self.path.as_path();
        let name = folder.file_name().ok_or_else(|| io::Error::other("it has no name"))?;
        let above = folder_of(folder);
        fs::create_dir_all(above)?;
        let fresh = tempfile::Builder::new().prefix(".trug-report-").tempdir_in(above)?;
        let inside = fresh.path().join(name);
        fs::create_dir(&inside)?;
        for file in files {
            let mut target = fs::File::create_new(inside.join(&file.name))?;
            target.write_all(&file.bytes)?;
            target.sync_all()?;
        }
        if fs::symlink_metadata(folder).is_ok() {
            if !self.replace {
                return Err(io::ErrorKind::AlreadyExists.into());
            }
            // The old one is put aside first and goes with the temporary folder; where the
            // new one cannot take its name, the old one gets it back.
            let aside = fresh.path().join("before");
            fs::rename(folder, &aside)?;
            return fs::rename(&inside, folder).inspect_err(|_| {
                let _ = fs::rename(&aside, folder);
            });
        }
        fs::rename(&inside, folder)
    }
}

impl fmt::Display for ReportFolder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.path.display().fmt(f)
    }
}

/// Something in a folder that no report has: such a folder is never replaced.
fn not_ours(folder: &Path) -> Option<String> {
    if !folder.exists() {
        return None;
    }
    let Ok(entries) = fs::read_dir(folder) else { return Some(folder.display().to_string()) };
    let mut names =
        entries.filter_map(Result::ok).map(|entry| entry.file_name().to_string_lossy().into_owned());
    names.find(|name| !has_file(name))
}

/// Its files, for programs.
pub(super) fn files_json(files: &[ReportFile]) -> Vec<Value> {
    files.iter().map(|file| json!({ "name": file.name, "bytes": file.bytes.len() })).collect()
}

/// Its files, for people.
pub(super) fn list_files(files: &[ReportFile], out: &mut dyn Write) -> io::Result<()> {
    for file in files {
        writeln!(out, "  {}  ({} kB)", file.name, file.bytes.len().div_ceil(1000))?;
    }
    Ok(())
}

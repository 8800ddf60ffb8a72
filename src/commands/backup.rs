//! `trug backup` and `trug restore`: a whole copy of the record, and putting one back.

use std::io::Write;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::json;

use super::exit::{Exit, WrongInput};
use super::shared::print_json;
use crate::settings::Settings;
use crate::store::{BackupContent, BackupFault, back_up, look_through, put_back};
use crate::text::labels;
use crate::text::spoken::counted;

/// What the command line of `trug backup` says.
#[derive(Clone, Debug, clap::Args)]
pub struct BackupArgs {
    /// The new file; one that is there is never overwritten
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Read an existing backup through instead of making one
    #[arg(long)]
    verify: bool,
    #[arg(from_global)]
    json: bool,
}

/// What the command line of `trug restore` says.
#[derive(Clone, Debug, clap::Args)]
pub struct RestoreArgs {
    /// A file that `trug backup` made
    #[arg(value_name = "FILE")]
    file: PathBuf,
    #[arg(from_global)]
    json: bool,
}

/// Copies the record into a new file and reads the copy through; the daemon may be running.
///
/// # Errors
/// When the record cannot be read or the file cannot be written, or [`WrongInput`].
pub fn back_up_to(settings: &Settings, it: &BackupArgs, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let content = if it.verify { look_through(&it.file) } else { back_up(&settings.store.path, &it.file) };
    let content = content.map_err(|fault| said(fault, "making the backup"))?;
    if it.json {
        print_json(&as_json(&it.file, &content), out)?;
    } else {
        let done = if it.verify { "is whole" } else { "holds the whole record" };
        writeln!(out, "{} {done}: {}.", it.file.display(), in_words(&content))?;
        if !it.verify {
            writeln!(out, "Keep it on another disk. trug restore {} puts it back.", it.file.display())?;
        }
    }
    Ok(Exit::Yes)
}

/// Puts a backup in the place of the record, which is moved aside; the daemon must be
/// stopped.
///
/// # Errors
/// When the daemon runs or the files cannot be written, or [`WrongInput`].
pub fn restore(
    settings: &Settings,
    it: &RestoreArgs,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let back = put_back(&it.file, &settings.store.path, now)
        .map_err(|fault| said(fault, "putting the backup back"))?;
    let aside = back.aside.as_deref().map(Path::display);
    if it.json {
        let mut answer = as_json(&settings.store.path, &back.content);
        answer["aside"] = json!(aside.map(|it| it.to_string()));
        print_json(&answer, out)?;
        return Ok(Exit::Yes);
    }
    let record = settings.store.path.display();
    writeln!(out, "{record} is the backup {} now: {}.", it.file.display(), in_words(&back.content))?;
    if let Some(aside) = aside {
        writeln!(out, "What stood there before is {aside}. Nothing of it was deleted.")?;
    }
    writeln!(out, "Start trug again. Readings that came after the backup are in the other file alone.")?;
    Ok(Exit::Yes)
}

/// What is wrong with what was given is told as such; anything else failed.
fn said(fault: BackupFault, doing: &'static str) -> anyhow::Error {
    match fault {
        BackupFault::Exists { .. }
        | BackupFault::NoFile { .. }
        | BackupFault::Itself { .. }
        | BackupFault::Damaged { .. } => WrongInput::beside(fault.to_string()).into(),
        fault => anyhow::Error::new(fault).context(doing),
    }
}

fn in_words(content: &BackupContent) -> String {
    let newest = content.newest.map_or_else(String::new, |at| {
        format!(", the newest of {} UTC", labels::full_moment(at, &TimeZone::UTC))
    });
    format!(
        "{}{newest}, {} and {}, {:.1} MB",
        counted(content.readings, "reading", "readings"),
        counted(content.alarm_changes, "alarm change", "alarm changes"),
        counted(content.log_entries, "entry in the log", "entries in the log"),
        content.bytes as f64 / 1e6
    )
}

fn as_json(file: &Path, content: &BackupContent) -> serde_json::Value {
    json!({
        "file": file.display().to_string(),
        "bytes": content.bytes,
        "readings": content.readings,
        "alarm_changes": content.alarm_changes,
        "log_entries": content.log_entries,
        "newest": content.newest.map(|at| at.to_string()),
    })
}

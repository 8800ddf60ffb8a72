//! `trug import --batches` and `--undo`: what imports brought, and taking one back.

use std::io::Write;

use anyhow::Context as _;
use jiff::Timestamp;

use super::super::exit::{Exit, WrongInput};
use super::super::shared::{print_json, reader, safe, zone_of};
use crate::settings::Settings;
use crate::store::{ImportBatch, Store, UndoneImport};
use crate::text::labels;
use crate::text::spoken::counted;

/// Lists the imports.
///
/// # Errors
/// When the store cannot be read or `out` cannot be written.
pub(super) fn list(settings: &Settings, json: bool, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let batches = reader(settings)?.imports().context("reading the imports")?;
    if json {
        let of = |it: &ImportBatch| {
            serde_json::json!({
                "batch": it.number, "at": it.at.to_string(), "files": it.files, "readings": it.readings,
                "undone_at": it.undone_at.map(|at| at.to_string()),
            })
        };
        print_json(&batches.iter().map(of).collect::<Vec<_>>(), out)?;
        return Ok(Exit::Yes);
    }
    if batches.is_empty() {
        writeln!(out, "Nothing was imported yet.")?;
    }
    let zone = zone_of(settings.gardens.first());
    for it in &batches {
        let undone = it
            .undone_at
            .map_or(String::new(), |at| format!(" Taken back {}.", labels::full_moment(at, &zone)));
        writeln!(
            out,
            "{}: {}, {}, from {}.{undone}",
            it.number,
            labels::full_moment(it.at, &zone),
            counted(it.readings, "reading", "readings"),
            safe(&it.files),
        )?;
    }
    Ok(Exit::Yes)
}

/// Takes an import back: its readings and the steps of alarms that it made.
///
/// # Errors
/// When the store cannot be opened for writing, or [`WrongInput`] where there is no such
/// import.
pub(super) fn undo(
    settings: &Settings,
    number: i64,
    now: Timestamp,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let wrong = |why: String| WrongInput::new(format!("{why}\nNothing was taken back."));
    if !settings.store.path.exists() {
        return Err(wrong("There is no store yet, so nothing was imported.".to_owned()).into());
    }
    let mut store = Store::open(&settings.store.path, &settings.gardens).context("opening the store")?;
    let batches = reader(settings)?.imports().context("reading the imports")?;
    match batches.iter().find(|it| it.number == number) {
        None => {
            let known: Vec<String> = batches.iter().map(|it| it.number.to_string()).collect();
            let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
            return Err(wrong(format!("No import has the number {number}; there are: {known}.")).into());
        }
        Some(ImportBatch { undone_at: Some(at), .. }) => {
            let zone = zone_of(settings.gardens.first());
            let at = labels::full_moment(*at, &zone);
            return Err(wrong(format!("Import {number} was taken back already, {at}.")).into());
        }
        Some(_) => {}
    }
    let undone = store.undo_import(number, now).context("taking the import back")?;
    let UndoneImport { readings, steps, from, to } = undone;
    if json {
        let told = serde_json::json!({
            "batch": number, "readings": readings, "alarm_steps": steps,
            "from": from.map(|at| at.to_string()), "to": to.map(|at| at.to_string()),
        });
        print_json(&told, out)?;
        return Ok(Exit::Yes);
    }
    writeln!(
        out,
        "Import {number} is taken back: {} and {} are gone.",
        counted(readings, "reading", "readings"),
        counted(steps, "step of alarms", "steps of alarms"),
    )?;
    if let Some(from) = from {
        writeln!(
            out,
            "What came in later may have been judged with them: `trug replay --from {from}` says what would differ. \
             Time-series servers keep what was sent to them."
        )?;
    }
    Ok(Exit::Yes)
}

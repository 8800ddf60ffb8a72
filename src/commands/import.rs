//! `trug import`: loggers' past readings through the same pipeline.
//!
//! The lines of all files are put in order of time and then taken as if they came
//! in now: the same calibration, flags and rules, the same history of alarms.
//! Nobody is told of what is past. Readings that are older than what a garden has
//! already been judged on are stored and not judged, so files that belong together
//! are given together.

mod files;
mod preview;
mod sensors;
mod times;
mod undo;

use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context as _;

use self::files::{FileContents, RefusedLine};
use self::sensors::KnownSensors;
use self::times::LoggerClock;
use super::exit::{Exit, WrongInput};
use super::shared::print_json;
use crate::engine::{Engine, system_now};
use crate::garden::Clock;
use crate::garden::record::Reject;
use crate::model::Sample;
use crate::settings::Settings;
use crate::text::spoken::counted;

/// Readings in one transaction.
const BATCH: usize = 20_000;
/// How long it may take to make the charts' quarter hours; the daemon makes the rest.
const FILL_LONGEST: Duration = Duration::from_secs(10);
/// Refused lines that are shown.
const SHOWN_MAX: usize = 20;

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct Import {
    // `SENSOR`: the value column is this sensor's. None, or none that a file has: a column
    // `sensor` names the sensor of each line.
    /// The sensor of the value column, SENSOR=COLUMN or SENSOR=FILE:COLUMN; may be repeated
    #[arg(long = "sensor", value_name = "ID")]
    sensors: Vec<String>,
    /// The garden, where two have a sensor of one id
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    // The first of these that a file has is its column of the time.
    /// The column of the time; may be repeated where files differ
    #[arg(long, value_name = "COLUMN", default_value = "time")]
    time: Vec<String>,
    /// The column of the date, where it stands apart from the time of day
    #[arg(long, value_name = "COLUMN")]
    date: Option<String>,
    /// The column of the raw number
    #[arg(long, value_name = "COLUMN", default_value = "raw")]
    value: String,
    /// The offset of times that are written without one; without it, the garden's own clock
    #[arg(long, value_name = "OFFSET", allow_hyphen_values = true)]
    utc_offset: Option<String>,
    /// How times are written, such as "%d/%m/%Y %H:%M"; with --date, of date, blank and time
    #[arg(long, value_name = "FORM")]
    time_format: Option<String>,
    /// Say what the files hold and would bring, and write nothing
    #[arg(long)]
    dry_run: bool,
    /// Take the other lines where some are refused; the refused ones go to the rejects
    #[arg(long)]
    skip_refused: bool,
    /// List the imports with their numbers
    #[arg(long, conflicts_with_all = ["files", "undo"])]
    batches: bool,
    /// Take an import back: its readings, and the steps of alarms that it made
    #[arg(long, value_name = "NUMBER", conflicts_with = "files")]
    undo: Option<i64>,
    /// The CSV files; readings of all of them are judged in order of time
    #[arg(required_unless_present_any = ["batches", "undo"], value_name = "FILE")]
    files: Vec<PathBuf>,
    #[arg(from_global)]
    json: bool,
}

/// What was done with the lines.
#[derive(Default)]
struct ImportCounts {
    stored: usize,
    repeated: usize,
    conflicting: usize,
    summarised: usize,
    late: usize,
    alarms: usize,
    /// The import's number, by which it can be taken back.
    batch: Option<i64>,
}

/// Takes the files and tells the result: no where some lines were refused. Then nothing is
/// taken, unless the rest was asked for.
///
/// # Errors
/// When the store fails while running, or [`WrongInput`] where the files or the names are
/// wrong: nothing was taken then.
pub fn run(settings: &Settings, it: &Import, out: &mut dyn Write) -> anyhow::Result<Exit> {
    if it.batches {
        return undo::list(settings, it.json, out);
    }
    if let Some(number) = it.undo {
        return undo::undo(settings, number, system_now(), it.json, out);
    }
    let known = KnownSensors::new(settings);
    let mut found = LoggerClock::new(it.utc_offset.as_deref(), it.time_format.as_deref())
        .and_then(|clock| files::read(it, &known, &clock, system_now()))
        .map_err(|reason| WrongInput::new(format!("{reason}\nNothing was taken.")))?;
    // Stable: readings of one time stay in the order of the files.
    found.lines.sort_by_key(|line| line.at);
    let whole = found.refused.is_empty();
    if it.dry_run {
        tell_dry_run(settings, it, &found, out)?;
    } else if !whole && !it.skip_refused {
        tell_refused(it, &found, out)?;
    } else {
        let counts = take(settings, it, &found)?;
        if it.json {
            tell_programs(it, &found, &counts, out)?;
        } else {
            tell_people(it, &found, &counts, out)?;
        }
    }
    Ok(Exit::yes_if(whole))
}

/// Takes the readings as one batch, and keeps the refused lines among the rejects.
fn take(settings: &Settings, it: &Import, found: &FileContents) -> anyhow::Result<ImportCounts> {
    let mut keeper = Engine::open(settings, Clock::Readings).context("opening the store")?;
    keeper.tell_nobody();
    keeper.on_change(Box::new(|_| {}));
    // What the store itself brings up to date when it is opened is no part of the import.
    keeper.commit(system_now()).context("storing readings")?;
    let names: Vec<String> = it.files.iter().map(|file| file.display().to_string()).collect();
    let number = keeper.begin_import(&names.join(", "), system_now()).context("beginning the import")?;
    let mut counts = ImportCounts::default();
    let mut add = |committed: crate::store::Committed| {
        counts.stored += committed.stored;
        counts.repeated += committed.repeated;
        counts.conflicting += committed.conflicting;
        counts.summarised += committed.summarised;
    };
    for line in &found.lines {
        keeper.take(line.sensor, Sample { at: Some(line.at), raw: line.raw, battery: None }, line.at);
        if keeper.waiting() >= BATCH {
            add(keeper.commit(system_now()).context("storing readings")?);
        }
    }
    for refused in &found.refused {
        keeper.refuse(Reject {
            at: system_now(),
            topic: format!("import of {} line {}", it.files[refused.file].display(), refused.line),
            payload: refused.text.as_bytes()[..refused.text.len().min(Reject::PAYLOAD_MAX)].to_vec(),
            reason: refused.reason.clone(),
        });
    }
    let (late, alarms) = (keeper.late(), keeper.raised());
    add(keeper.commit(system_now()).context("storing readings")?);
    (counts.late, counts.alarms) = (late, alarms);
    keeper.end_import(number).context("ending the import")?;
    counts.batch = (counts.stored > 0).then_some(number);
    keeper.fill_quarters(system_now(), FILL_LONGEST);
    Ok(counts)
}

fn refused_json(it: &Import, found: &FileContents) -> Vec<serde_json::Value> {
    found
        .refused
        .iter()
        .map(|RefusedLine { file, line, text, reason }| {
            let file = it.files[*file].display().to_string();
            serde_json::json!({ "file": file, "line": line, "text": text, "reason": reason })
        })
        .collect()
}

fn tell_programs(
    it: &Import,
    found: &FileContents,
    counts: &ImportCounts,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let told = serde_json::json!({
        "stored": counts.stored, "repeated": counts.repeated, "conflicting": counts.conflicting,
        "only_daily_figures_kept": counts.summarised,
        "late": counts.late, "alarms_raised": counts.alarms, "lines_without_a_value": found.empty,
        "from": found.lines.first().map(|line| line.at.to_string()),
        "to": found.lines.last().map(|line| line.at.to_string()),
        "told_by_order": found.told_by_order, "refused": refused_json(it, found), "batch": counts.batch,
        "refused_not_kept": found.refused_more,
    });
    print_json(&told, out)
}

fn tell_people(
    it: &Import,
    found: &FileContents,
    counts: &ImportCounts,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let ImportCounts { stored, repeated, conflicting, summarised, late, alarms, batch } = counts;
    let were = if *repeated == 1 { "was" } else { "were" };
    writeln!(out, "{} stored, {repeated} {were} there already.", counted(*stored, "reading", "readings"))?;
    if let (Some(first), Some(last)) = (found.lines.first(), found.lines.last()) {
        writeln!(out, "They are from {} to {}.", first.at, last.at)?;
    }
    tell_lines(found, out)?;
    if *conflicting > 0 {
        let have = counted(*conflicting, "reading has", "readings have");
        writeln!(
            out,
            "{have} a time at which another value is stored; the first one stays, and the other is among the rejects."
        )?;
    }
    if *summarised > 0 {
        let are = counted(*summarised, "reading is", "readings are");
        writeln!(
            out,
            "{are} of days of which only daily figures are kept. They may be in these already, so they were not taken \
             and are among the rejects."
        )?;
    }
    if *late > 0 {
        let are = counted(*late, "reading is", "readings are");
        writeln!(
            out,
            "{are} older than what the garden has been judged on: stored, and nothing is raised by it."
        )?;
    }
    let were = counted(*alarms, "alarm was", "alarms were");
    writeln!(out, "{were} raised on the way; `trug alarms --from --to` lists them.")?;
    if let Some(batch) = batch {
        writeln!(out, "This is import {batch}; `trug import --undo {batch}` takes it back.")?;
    }
    tell_refused_lines(it, found, out)?;
    if !found.refused.is_empty() {
        let which =
            if found.refused_more > 0 { "The refused lines that were kept" } else { "The refused lines" };
        writeln!(out, "{which} are among the rejects.")?;
    }
    Ok(())
}

/// Says why nothing was taken.
fn tell_refused(it: &Import, found: &FileContents, out: &mut dyn Write) -> anyhow::Result<()> {
    if it.json {
        let told = serde_json::json!({
            "stored": 0, "would_take": found.lines.len(), "lines_without_a_value": found.empty,
            "refused": refused_json(it, found),
            "refused_not_kept": found.refused_more,
        });
        return print_json(&told, out);
    }
    tell_refused_lines(it, found, out)?;
    writeln!(
        out,
        "{} refused, so nothing was taken: the store is as it was. Mend the file, or take the other {} with \
         --skip-refused.",
        counted(found.refused.len() + found.refused_more, "line is", "lines are"),
        counted(found.lines.len(), "reading", "readings"),
    )?;
    Ok(())
}

/// Says what the files hold and would bring.
fn tell_dry_run(
    settings: &Settings,
    it: &Import,
    found: &FileContents,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let sensors = preview::preview(settings, &found.lines)?;
    if it.json {
        let told = serde_json::json!({
            "dry_run": true, "stored": 0, "would_take": found.lines.len(),
            "sensors": sensors.iter().map(preview::SensorPreview::json).collect::<Vec<_>>(),
            "lines_without_a_value": found.empty, "told_by_order": found.told_by_order,
            "refused": refused_json(it, found),
            "refused_not_kept": found.refused_more,
        });
        return print_json(&told, out);
    }
    for sensor in &sensors {
        sensor.tell(out)?;
    }
    tell_lines(found, out)?;
    tell_refused_lines(it, found, out)?;
    writeln!(out, "Nothing was written: this was a dry run.")?;
    Ok(())
}

/// What is to be said of lines that were not refused.
fn tell_lines(found: &FileContents, out: &mut dyn Write) -> anyhow::Result<()> {
    if found.empty > 0 {
        writeln!(out, "{} no value.", counted(found.empty, "line had", "lines had"))?;
    }
    if found.told_by_order > 0 {
        writeln!(
            out,
            "{} twice, since the clock goes back there; the order of the file told which is which.",
            counted(found.told_by_order, "time comes", "times come")
        )?;
    }
    Ok(())
}

fn tell_refused_lines(it: &Import, found: &FileContents, out: &mut dyn Write) -> anyhow::Result<()> {
    for RefusedLine { file, line, text, reason } in found.refused.iter().take(SHOWN_MAX) {
        if it.files.len() > 1 {
            write!(out, "{} ", it.files[*file].display())?;
        }
        writeln!(out, "line {line}: {reason}: {text}")?;
    }
    if found.refused.len() > SHOWN_MAX && found.refused_more == 0 {
        let more = found.refused.len() - SHOWN_MAX;
        writeln!(out, "and {}.", counted(more, "more refused line", "more refused lines"))?;
    } else if found.refused_more > 0 {
        let (more, kept) =
            (found.refused.len().saturating_sub(SHOWN_MAX) + found.refused_more, found.refused.len());
        let more = counted(more, "more refused line", "more refused lines");
        writeln!(out, "and {more}; only the first {kept} were kept.")?;
    }
    Ok(())
}

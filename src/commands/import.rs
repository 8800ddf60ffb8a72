//! `trug import`: loggers' past readings through the same pipeline.
//!
//! The lines of all files are put in order of time and then taken as if they came
//! in now: the same calibration, flags and rules, the same history of alarms.
//! Nobody is told of what is past. Readings that are older than what a garden has
//! already been judged on are stored and not judged, so files that belong together
//! are given together.

mod files;
mod sensors;
mod times;

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

/// Readings in one transaction.
const BATCH: usize = 5000;
/// How long it may take to make the charts' quarter hours; the daemon makes the rest.
const FILL_LONGEST: Duration = Duration::from_secs(10);
/// Refused lines that are shown; all of them go to the rejects.
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
    /// The column of the raw number
    #[arg(long, value_name = "COLUMN", default_value = "raw")]
    value: String,
    /// The offset of times that are written without one; without it, the garden's own clock
    #[arg(long, value_name = "OFFSET", allow_hyphen_values = true)]
    utc_offset: Option<String>,
    /// How times are written, such as "%d/%m/%Y %H:%M"
    #[arg(long, value_name = "FORM")]
    time_format: Option<String>,
    /// The CSV files; readings of all of them are judged in order of time
    #[arg(required = true, value_name = "FILE")]
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
    late: usize,
    alarms: usize,
}

/// Takes the files and tells the result: no where some lines were refused.
///
/// # Errors
/// When the store fails while running, or [`WrongInput`] where the files or the names are
/// wrong: nothing was taken then.
pub fn run(settings: &Settings, it: &Import, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let known = KnownSensors::new(settings);
    let mut found = LoggerClock::new(it.utc_offset.as_deref(), it.time_format.as_deref())
        .and_then(|clock| files::read(it, &known, &clock, system_now()))
        .map_err(|reason| WrongInput::new(format!("{reason}\nNothing was taken.")))?;
    // Stable: readings of one time stay in the order of the files.
    found.lines.sort_by_key(|line| line.at);

    let mut keeper = Engine::open(settings, Clock::Readings).context("opening the store")?;
    keeper.tell_nobody();
    keeper.on_change(Box::new(|_| {}));
    let mut counts = ImportCounts::default();
    let mut add = |committed: crate::store::Committed| {
        counts.stored += committed.stored;
        counts.repeated += committed.repeated;
        counts.conflicting += committed.conflicting;
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
    keeper.fill_quarters(system_now(), FILL_LONGEST);
    if it.json {
        tell_programs(it, &found, &counts, out)?;
    } else {
        tell_people(it, &found, &counts, out)?;
    }
    Ok(Exit::yes_if(found.refused.is_empty()))
}

fn tell_programs(
    it: &Import,
    found: &FileContents,
    counts: &ImportCounts,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let refused: Vec<_> = found
        .refused
        .iter()
        .map(|RefusedLine { file, line, text, reason }| {
            let file = it.files[*file].display().to_string();
            serde_json::json!({ "file": file, "line": line, "text": text, "reason": reason })
        })
        .collect();
    let told = serde_json::json!({
        "stored": counts.stored, "repeated": counts.repeated, "conflicting": counts.conflicting,
        "late": counts.late, "alarms_raised": counts.alarms, "lines_without_a_value": found.empty,
        "from": found.lines.first().map(|line| line.at.to_string()),
        "to": found.lines.last().map(|line| line.at.to_string()),
        "told_by_order": found.told_by_order, "refused": refused,
    });
    print_json(&told, out)
}

fn tell_people(
    it: &Import,
    found: &FileContents,
    counts: &ImportCounts,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let ImportCounts { stored, repeated, conflicting, late, alarms } = counts;
    writeln!(out, "{stored} readings stored, {repeated} were there already.")?;
    if let (Some(first), Some(last)) = (found.lines.first(), found.lines.last()) {
        writeln!(out, "They are from {} to {}.", first.at, last.at)?;
    }
    if found.empty > 0 {
        writeln!(out, "{} lines had no value.", found.empty)?;
    }
    if found.told_by_order > 0 {
        writeln!(
            out,
            "{} times come twice, since the clock goes back there; the order of the file told which is which.",
            found.told_by_order
        )?;
    }
    if *conflicting > 0 {
        writeln!(
            out,
            "{conflicting} readings have a time at which another value is stored; the first one stays, and these \
             are among the rejects."
        )?;
    }
    if *late > 0 {
        writeln!(
            out,
            "{late} readings are older than what their garden has been judged on: they are stored, and raise \
             nothing."
        )?;
    }
    writeln!(out, "{alarms} alarms were raised on the way; `trug alarms --from --to` lists them.")?;
    for RefusedLine { file, line, text, reason } in found.refused.iter().take(SHOWN_MAX) {
        if it.files.len() > 1 {
            write!(out, "{} ", it.files[*file].display())?;
        }
        writeln!(out, "line {line}: {reason}: {text}")?;
    }
    if found.refused.len() > SHOWN_MAX {
        let more = found.refused.len() - SHOWN_MAX;
        writeln!(out, "and {more} more refused lines; all are among the rejects.")?;
    }
    Ok(())
}

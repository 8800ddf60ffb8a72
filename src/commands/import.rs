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

use self::files::{Found, Refused};
use self::sensors::Known;
use crate::engine::{Keeper, system_now};
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

/// What to read and how its columns are called.
#[derive(Clone, Debug)]
pub struct Import {
    pub files: Vec<PathBuf>,
    /// `SENSOR`: the value column is this sensor's. `SENSOR=COLUMN`: that column
    /// is; `SENSOR=FILE:COLUMN`: that of one file. None, or none that a file has: a
    /// column `sensor` names the sensor of each line.
    pub sensors: Vec<String>,
    /// Only needed where two gardens have a sensor of one id.
    pub site: Option<String>,
    /// The first of these that a file has is its column of the time.
    pub time: Vec<String>,
    pub value: String,
    /// The offset of local times, such as `+09:30`; `None`: the garden's clock.
    pub utc_offset: Option<String>,
    /// How times are written, in the letters of strftime.
    pub time_format: Option<String>,
    pub json: bool,
}

/// Exit codes: all taken, some lines refused.
const ALL_TAKEN: u8 = 0;
const SOME_REFUSED: u8 = 1;
/// Exit code: the files or the names are wrong; nothing was taken.
const WRONG_INPUT: u8 = 2;

/// What came of it.
#[derive(Default)]
struct Counts {
    stored: usize,
    repeated: usize,
    conflicting: usize,
    late: usize,
    alarms: usize,
}

/// Takes the files and says what came of it.
///
/// # Errors
/// When the store fails while running (exit code 3).
pub fn run(settings: &Settings, it: &Import, out: &mut dyn Write) -> anyhow::Result<u8> {
    let known = Known::new(settings);
    let found = times::Reading::new(it.utc_offset.as_deref(), it.time_format.as_deref())
        .and_then(|times| files::read(it, &known, &times, system_now()));
    let mut found = match found {
        Ok(found) => found,
        Err(reason) => {
            writeln!(out, "{reason}\nNothing was taken.")?;
            return Ok(WRONG_INPUT);
        }
    };
    // Stable: readings of one time stay in the order of the files.
    found.lines.sort_by_key(|line| line.at);

    let mut keeper = Keeper::open(settings, Clock::Readings).context("opening the store")?;
    keeper.tell_nobody();
    keeper.on_change(Box::new(|_| {}));
    let mut counts = Counts::default();
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
        tell_programs(it, &found, &counts, out)?
    } else {
        tell_people(it, &found, &counts, out)?
    }
    Ok(if found.refused.is_empty() { ALL_TAKEN } else { SOME_REFUSED })
}

fn tell_programs(it: &Import, found: &Found, counts: &Counts, out: &mut dyn Write) -> anyhow::Result<()> {
    let refused: Vec<_> = found
        .refused
        .iter()
        .map(|Refused { file, line, text, reason }| {
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
    Ok(writeln!(out, "{told:#}")?)
}

fn tell_people(it: &Import, found: &Found, counts: &Counts, out: &mut dyn Write) -> anyhow::Result<()> {
    let Counts { stored, repeated, conflicting, late, alarms } = counts;
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
    for Refused { file, line, text, reason } in found.refused.iter().take(SHOWN_MAX) {
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

//! `trug import`: a logger's past readings through the same pipeline.
//!
//! The lines are sorted by time and then taken as if they came in now: the same
//! calibration, flags and rules, the same history of alarms. Nobody is told of
//! what is past. Readings that are older than what a garden has already been
//! judged on are stored and not judged.

use std::collections::HashMap;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use super::daemon::{Keeper, system_now};
use crate::garden::Clock;
use crate::garden::record::{Reject, SensorIx, TimeFrom};
use crate::intake::{Sample, time_of};
use crate::settings::Settings;

/// Readings in one transaction.
const BATCH: usize = 5000;
/// Refused lines that are shown; all of them go to the rejects.
const SHOWN_MAX: usize = 20;

/// What to read and how its columns are called.
#[derive(Clone, Debug)]
pub struct Import {
    pub file: PathBuf,
    /// `SENSOR`: the value column is this sensor's. `SENSOR=COLUMN`: that column
    /// is. None: a column `sensor` names the sensor of each line.
    pub sensors: Vec<String>,
    /// Only needed where two gardens have a sensor of one id.
    pub site: Option<String>,
    pub time: String,
    pub value: String,
    pub json: bool,
}

/// Exit codes: all taken, some lines refused.
const ALL_TAKEN: u8 = 0;
const SOME_REFUSED: u8 = 1;
/// Exit code: the file or the names are wrong; nothing was taken.
const WRONG_INPUT: u8 = 2;

/// Where a value stands in a line.
enum Columns {
    /// One line is one reading of the sensor that it names.
    Long { time: usize, sensor: usize, site: Option<usize>, value: usize },
    /// One line holds readings of several sensors at one time.
    Wide { time: usize, values: Vec<(usize, SensorIx)> },
}

struct Line {
    at: Timestamp,
    sensor: SensorIx,
    raw: f64,
}

/// Takes the file and says what came of it.
///
/// # Errors
/// When the store fails while running (exit code 3).
pub fn run(settings: &Settings, it: &Import, out: &mut dyn Write) -> anyhow::Result<u8> {
    let mut keeper = Keeper::open(settings, Clock::Readings).context("opening the store")?;
    keeper.tell_nobody();
    keeper.on_change(Box::new(|_| {}));
    let known = Known::new(settings);

    let mut refused: Vec<(u64, String, String)> = Vec::new();
    let mut lines = match read(it, &known, &mut refused) {
        Ok(lines) => lines,
        Err(reason) => {
            writeln!(out, "{reason}\nNothing was taken.")?;
            return Ok(WRONG_INPUT);
        }
    };
    // Stable: readings of one time stay in the order of the file.
    lines.sort_by_key(|line| line.at);

    let (mut stored, mut repeated, mut conflicting) = (0, 0, 0);
    let mut add = |committed: crate::store::Committed| {
        stored += committed.stored;
        repeated += committed.repeated;
        conflicting += committed.conflicting;
    };
    for line in &lines {
        keeper.take(line.sensor, Sample { at: Some(line.at), raw: line.raw }, line.at);
        if keeper.waiting() >= BATCH {
            add(keeper.commit(system_now()).context("storing readings")?);
        }
    }
    for (number, text, reason) in &refused {
        keeper.refuse(Reject {
            at: system_now(),
            topic: format!("import of {} line {number}", it.file.display()),
            payload: text.as_bytes()[..text.len().min(Reject::PAYLOAD_MAX)].to_vec(),
            reason: reason.clone(),
        });
    }
    let late = keeper.late();
    let alarms = keeper.raised();
    add(keeper.commit(system_now()).context("storing readings")?);

    if it.json {
        let refused: Vec<_> = refused
            .iter()
            .map(|(line, text, reason)| serde_json::json!({ "line": line, "text": text, "reason": reason }))
            .collect();
        let told = serde_json::json!({
            "stored": stored, "repeated": repeated, "conflicting": conflicting, "late": late,
            "alarms_raised": alarms, "refused": refused,
        });
        writeln!(out, "{told:#}")?;
    } else {
        writeln!(out, "{stored} readings stored, {repeated} were there already.")?;
        if conflicting > 0 {
            writeln!(
                out,
                "{conflicting} readings have a time at which another value is stored; the first one stays, and these \
                 are among the rejects."
            )?;
        }
        if late > 0 {
            writeln!(
                out,
                "{late} readings are older than what their garden has been judged on: they are stored, and raise \
                 nothing."
            )?;
        }
        writeln!(out, "{alarms} alarms were raised on the way; `trug alarms --from --to` lists them.")?;
        for (line, text, reason) in refused.iter().take(SHOWN_MAX) {
            writeln!(out, "line {line}: {reason}: {text}")?;
        }
        if refused.len() > SHOWN_MAX {
            writeln!(
                out,
                "and {} more refused lines; all are among the rejects.",
                refused.len() - SHOWN_MAX
            )?;
        }
    }
    Ok(if refused.is_empty() { ALL_TAKEN } else { SOME_REFUSED })
}

/// The sensors by name.
struct Known {
    by_name: HashMap<(String, String), SensorIx>,
    sites: Vec<(String, TimeZone)>,
    site_of: Vec<usize>,
}

impl Known {
    fn new(settings: &Settings) -> Self {
        let mut known = Self { by_name: HashMap::new(), sites: Vec::new(), site_of: Vec::new() };
        for (index, garden) in settings.gardens.iter().enumerate() {
            let site = garden.site.id.to_string();
            for sensor in &garden.sensors {
                let number = SensorIx(u32::try_from(known.site_of.len()).unwrap_or(u32::MAX));
                known.by_name.insert((site.clone(), sensor.id.to_string()), number);
                known.site_of.push(index);
            }
            known.sites.push((site, garden.site.time_zone.clone()));
        }
        known
    }

    fn sensor(&self, site: Option<&str>, id: &str) -> Result<SensorIx, String> {
        let found: Vec<SensorIx> = self
            .sites
            .iter()
            .filter(|(name, _)| site.is_none_or(|wanted| wanted == name))
            .filter_map(|(name, _)| self.by_name.get(&(name.clone(), id.to_owned())).copied())
            .collect();
        match found.as_slice() {
            [only] => Ok(*only),
            [] => {
                let mut ids: Vec<&str> = self.by_name.keys().map(|(_, id)| id.as_str()).collect();
                ids.sort_by(|a, b| {
                    strsim::jaro_winkler(b, id).total_cmp(&strsim::jaro_winkler(a, id)).then(a.cmp(b))
                });
                let near = ids.first().map_or(String::new(), |n| format!("; the nearest is {n:?}"));
                Err(format!("no sensor is called {id:?}{near}"))
            }
            _ => Err(format!("several gardens have a sensor {id:?}; say which with --site")),
        }
    }

    fn zone(&self, sensor: SensorIx) -> &TimeZone {
        &self.sites[self.site_of[sensor.0 as usize]].1
    }
}

fn read(it: &Import, known: &Known, refused: &mut Vec<(u64, String, String)>) -> Result<Vec<Line>, String> {
    let file = &it.file;
    let mut bytes = Vec::new();
    open(file)
        .and_then(|mut f| f.read_to_end(&mut bytes))
        .map_err(|e| format!("reading {}: {e}", file.display()))?;
    // Spreadsheets put a byte-order mark first.
    let text = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(&bytes);
    let mut csv = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text);
    let headers = csv
        .byte_headers()
        .map_err(|e| format!("reading the first line of {}: {e}", file.display()))?
        .iter()
        .map(|h| String::from_utf8_lossy(h).into_owned())
        .collect::<Vec<_>>();
    let columns = columns(it, known, &headers)?;
    let mut lines = Vec::new();
    let mut record = csv::ByteRecord::new();
    loop {
        match csv.read_byte_record(&mut record) {
            Ok(false) => break,
            Ok(true) => {}
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line);
                refused.push((line, String::new(), error.to_string()));
                if error.is_io_error() {
                    break;
                }
                continue;
            }
        }
        let number = record.position().map_or(0, csv::Position::line);
        if let Err(reason) = take_record(&record, &columns, it, known, &mut lines) {
            let text: Vec<_> = record.iter().map(String::from_utf8_lossy).collect();
            refused.push((number, text.join(","), reason));
        }
    }
    Ok(lines)
}

fn open(path: &Path) -> std::io::Result<std::fs::File> {
    std::fs::File::open(path)
}

fn columns(it: &Import, known: &Known, headers: &[String]) -> Result<Columns, String> {
    let find = |name: &str| headers.iter().position(|h| h == name);
    let need = |name: &str| {
        find(name).ok_or_else(|| {
            format!("{} has no column {name:?}; its columns are: {}", it.file.display(), headers.join(", "))
        })
    };
    let time = need(&it.time)?;
    if it.sensors.is_empty() {
        let sensor = need("sensor").map_err(|e| format!("{e}. Name the sensor with --sensor ID"))?;
        return Ok(Columns::Long { time, sensor, site: find("site"), value: need(&it.value)? });
    }
    let mut values = Vec::new();
    for given in &it.sensors {
        let (id, column) = given.split_once('=').unwrap_or((given, &it.value));
        values.push((need(column)?, known.sensor(it.site.as_deref(), id)?));
    }
    Ok(Columns::Wide { time, values })
}

fn take_record(
    record: &csv::ByteRecord,
    columns: &Columns,
    it: &Import,
    known: &Known,
    lines: &mut Vec<Line>,
) -> Result<(), String> {
    let cell = |column: usize| -> Result<&str, String> {
        let bytes = record.get(column).ok_or("the line is too short")?;
        std::str::from_utf8(bytes).map_err(|_| "a cell is not UTF-8 text".to_owned())
    };
    match columns {
        Columns::Long { time, sensor, site, value } => {
            let site = match site {
                Some(column) => Some(cell(*column)?),
                None => it.site.as_deref(),
            };
            let sensor = known.sensor(site, cell(*sensor)?)?;
            let at = moment(cell(*time)?, known.zone(sensor))?;
            let raw = number(cell(*value)?)?;
            lines.push(Line { at, sensor, raw });
        }
        Columns::Wide { time, values } => {
            let (mut any, mut faults) = (false, Vec::new());
            for (column, sensor) in values {
                // An empty cell of a wide file is a sensor that said nothing.
                let reading = match cell(*column) {
                    Ok("") if values.len() > 1 => continue,
                    Ok(text) => cell(*time)
                        .and_then(|time| moment(time, known.zone(*sensor)))
                        .and_then(|at| Ok(Line { at, sensor: *sensor, raw: number(text)? })),
                    Err(fault) => Err(fault),
                };
                any = true;
                // One bad cell takes nothing from the others of its line.
                match reading {
                    Ok(line) => lines.push(line),
                    Err(fault) if faults.contains(&fault) => {}
                    Err(fault) => faults.push(fault),
                }
            }
            if !any {
                return Err("no value in the line".to_owned());
            }
            if !faults.is_empty() {
                return Err(faults.join("; "));
            }
        }
    }
    Ok(())
}

fn number(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(format!("the value {text:?} is not a finite number")),
    }
}

/// RFC 3339 with any offset, a local date and time without one, or Unix seconds.
fn moment(text: &str, zone: &TimeZone) -> Result<Timestamp, String> {
    let at = if let Ok(at) = text.parse::<Timestamp>() {
        at
    } else if let Ok(local) = text.parse::<DateTime>() {
        zone.to_timestamp(local).map_err(|e| format!("the time {text:?}: {e}"))?
    } else if let Ok(seconds) = text.parse::<i64>() {
        Timestamp::from_second(seconds).map_err(|e| format!("the time {text:?}: {e}"))?
    } else {
        return Err(format!(
            "the time {text:?} is not a time; accepted are 2026-04-17T06:00:00+09:30, 2026-04-17 06:00 on the garden's \
             own clock, and Unix seconds"
        ));
    };
    match time_of(Some(at), system_now()) {
        (at, TimeFrom::Device, _) => Ok(at),
        (_, TimeFrom::Arrival, _) => {
            Err(format!("the time {text:?} cannot be true: it is before 2020 or in the future"))
        }
    }
}

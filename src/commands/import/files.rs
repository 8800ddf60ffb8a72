//! The files of one import.

use std::borrow::Cow;
use std::collections::HashMap;
use std::path::Path;

use jiff::Timestamp;

use super::super::csv_file::{CsvFile, CsvLine, is_missing, number};
use super::Import;
use super::sensors::{KnownSensors, SensorColumn};
use super::times::{LoggerClock, ReadTime, TimeForm, UNTOLD, settle};
use crate::garden::record::Reject;
use crate::model::SensorIx;

/// A reading of a file.
#[derive(Clone, Copy, Debug)]
pub(super) struct FileReading {
    pub(super) at: Timestamp,
    pub(super) sensor: SensorIx,
    pub(super) raw: f64,
}

/// A line that was not taken, or not whole.
#[derive(Debug)]
pub(super) struct RefusedLine {
    /// The file's place among those given.
    pub(super) file: usize,
    /// 1 is the line of the headers.
    pub(super) line: u64,
    pub(super) text: String,
    pub(super) reason: String,
}

/// What the files hold.
#[derive(Debug, Default)]
pub(super) struct FileContents {
    pub(super) lines: Vec<FileReading>,
    /// The first of them; see [`REFUSED_BYTES_MAX`].
    pub(super) refused: Vec<RefusedLine>,
    /// Those that were not kept.
    pub(super) refused_more: usize,
    /// Bytes of those that were.
    refused_bytes: usize,
    /// Lines without any value.
    pub(super) empty: usize,
    /// Readings of an hour that comes twice, told by the order of the file.
    pub(super) told_by_order: usize,
}

/// Readings that one import takes, and bytes of refused lines that are kept.
const READINGS_MAX: usize = 20_000_000;
const REFUSED_BYTES_MAX: usize = 32 * 1024 * 1024;
/// Bytes of a reason that are kept: it may name what stood there.
const REASON_MAX: usize = 300;
/// Names of sensors that are looked up once: more are no names.
const NAMED_MAX: usize = 10_000;

impl FileContents {
    fn refuse(&mut self, mut line: RefusedLine) {
        line.text.truncate(line.text.floor_char_boundary(Reject::PAYLOAD_MAX));
        line.reason.truncate(line.reason.floor_char_boundary(REASON_MAX));
        line.text.shrink_to_fit();
        line.reason.shrink_to_fit();
        let bytes = line.text.len() + line.reason.len() + size_of::<RefusedLine>();
        if self.refused_bytes + bytes > REFUSED_BYTES_MAX {
            self.refused_more += 1;
        } else {
            self.refused_bytes += bytes;
            self.refused.push(line);
        }
    }
}

/// Where a value stands in a line.
enum Columns {
    /// One line is one reading of the sensor that it names.
    Long { time: TimeColumns, sensor: usize, site: Option<usize>, value: usize },
    /// One line holds readings of several sensors at one time.
    Wide { time: TimeColumns, values: Vec<(usize, SensorIx)> },
}

/// Where the time of a line stands.
#[derive(Clone, Copy)]
struct TimeColumns {
    /// A column of its own for the date.
    date: Option<usize>,
    time: usize,
}

impl TimeColumns {
    /// The time of a line as one text: date, a blank, time of day.
    fn text<'r>(self, cell: &dyn Fn(usize) -> Result<&'r str, String>) -> Result<Cow<'r, str>, String> {
        let time = cell(self.time)?;
        Ok(match self.date {
            Some(date) => Cow::Owned(format!("{} {time}", cell(date)?)),
            None => Cow::Borrowed(time),
        })
    }
}

/// One file while it is read.
struct ImportFile<'a> {
    number: usize,
    it: &'a Import,
    known: &'a KnownSensors,
    times: &'a LoggerClock,
    now: Timestamp,
    columns: Columns,
    /// Semicolons part the cells, so a comma stands in a number.
    decimal_comma: bool,
    /// Sensors of a long file by `site`, a zero and `sensor`.
    named: HashMap<String, Result<SensorIx, String>>,
    key: String,
    /// How the first time that could be read is written: the others of the file are too.
    form: Option<TimeForm>,
    rows: Vec<(ReadTime, SensorIx, f64, u64)>,
    empty: usize,
}

/// Reads all files. The lines are in no order yet.
///
/// # Errors
/// Plain words, when a file cannot be read or a column or sensor is not there.
pub(super) fn read(
    it: &Import,
    known: &KnownSensors,
    times: &LoggerClock,
    now: Timestamp,
) -> Result<FileContents, String> {
    let wanted = it
        .sensors
        .iter()
        .map(|given| SensorColumn::new(given, &it.value, it.site.as_deref(), known))
        .collect::<Result<Vec<_>, _>>()?;
    let mut used = vec![false; wanted.len()];
    let mut found = FileContents::default();
    let mut seen = Vec::new();
    for (number, path) in it.files.iter().enumerate() {
        let csv = CsvFile::open(path)?;
        let headers = csv.headers()?;
        let columns = columns(it, path, &headers, &wanted, &mut used)?;
        seen.push(format!("{}: {}", path.display(), headers.join(", ")));
        let mut file = ImportFile {
            number,
            it,
            known,
            times,
            now,
            columns,
            decimal_comma: csv.decimal_comma(),
            named: HashMap::new(),
            key: String::new(),
            form: None,
            rows: Vec::new(),
            empty: 0,
        };
        file.take(&csv, &mut found);
        if found.lines.len() + file.rows.len() > READINGS_MAX {
            return Err(format!(
                "there are more than {READINGS_MAX} readings up to {}; import the files in several goes",
                path.display()
            ));
        }
        file.settle(&mut found);
    }
    match wanted.iter().zip(used).find(|(_, used)| !used) {
        Some((wanted, _)) => Err(format!(
            "no file has the column of --sensor {}; the columns are: {}",
            wanted.given,
            seen.join("; ")
        )),
        None => Ok(found),
    }
}

fn columns(
    it: &Import,
    path: &Path,
    headers: &[String],
    wanted: &[SensorColumn],
    used: &mut [bool],
) -> Result<Columns, String> {
    let find = |name: &str| headers.iter().position(|h| h == name);
    let none = |names: &str| {
        format!("{} has no column {names}; its columns are: {}", path.display(), headers.join(", "))
    };
    let names = it.time.iter().map(|name| format!("{name:?}")).collect::<Vec<_>>().join(" or ");
    let time = it.time.iter().find_map(|name| find(name)).ok_or_else(|| none(&names))?;
    let date = match &it.date {
        Some(name) => Some(find(name).ok_or_else(|| none(&format!("{name:?}")))?),
        None => None,
    };
    let time = TimeColumns { date, time };
    let mut values = Vec::new();
    for (wanted, used) in wanted.iter().zip(used) {
        if let Some(column) = wanted.find(path, headers) {
            *used = true;
            values.push((column, wanted.sensor));
        }
    }
    if !values.is_empty() {
        return Ok(Columns::Wide { time, values });
    }
    match (find("sensor"), find(&it.value)) {
        (Some(sensor), Some(value)) => Ok(Columns::Long { time, sensor, site: find("site"), value }),
        (None, _) if wanted.is_empty() => {
            Err(format!("{}. Name the sensor with --sensor ID", none("\"sensor\"")))
        }
        (Some(_), None) => Err(none(&format!("{:?}", it.value))),
        (None, _) => {
            let given: Vec<_> = wanted.iter().map(|w| format!("--sensor {}", w.given)).collect();
            Err(none(&format!("of {}", given.join(", "))))
        }
    }
}

impl ImportFile<'_> {
    fn take(&mut self, csv: &CsvFile, found: &mut FileContents) {
        let file = self.number;
        csv.each_line(|line| {
            if self.rows.len() > READINGS_MAX {
                // It is refused as a whole.
                return;
            }
            let refused = match line {
                Ok(CsvLine { number, cells }) => match self.record(cells, number) {
                    Ok(()) => return,
                    Err(reason) => {
                        let text = cells.iter().map(String::from_utf8_lossy).collect::<Vec<_>>().join(",");
                        RefusedLine { file, line: number, text, reason }
                    }
                },
                Err((line, reason)) => RefusedLine { file, line, text: String::new(), reason },
            };
            found.refuse(refused);
        });
    }

    fn record(&mut self, record: &csv::ByteRecord, line: u64) -> Result<(), String> {
        let cell = |column: usize| -> Result<&str, String> {
            let bytes = record.get(column).ok_or("the line is too short")?;
            std::str::from_utf8(bytes).map_err(|_| "a cell is not UTF-8 text".to_owned())
        };
        let (it, known, times, now) = (self.it, self.known, self.times, self.now);
        let form = &mut self.form;
        let mut moment = |columns: TimeColumns, zone| -> Result<ReadTime, String> {
            let text = columns.text(&cell)?;
            let (at, written) = times.moment(&text, zone, now)?;
            match *form.get_or_insert(written) {
                first if first == written => Ok(at),
                first => Err(format!(
                    "the time {text:?} is {}, and the first of this file is {}: one file has one form of time",
                    written.words(),
                    first.words()
                )),
            }
        };
        match &self.columns {
            Columns::Long { time, sensor, site, value } => {
                if is_missing(cell(*value)?) {
                    self.empty += 1;
                    return Ok(());
                }
                let site = match site {
                    Some(column) => Some(cell(*column)?),
                    None => it.site.as_deref(),
                };
                let id = cell(*sensor)?;
                self.key.clear();
                self.key.extend([site.unwrap_or_default(), "\0", id]);
                let sensor = match self.named.get(&self.key) {
                    Some(named) => named.clone()?,
                    None => {
                        let named = known.sensor(site, id);
                        if self.named.len() < NAMED_MAX {
                            self.named.insert(self.key.clone(), named.clone());
                        }
                        named?
                    }
                };
                let at = moment(*time, known.zone(sensor))?;
                self.rows.push((at, sensor, number(cell(*value)?, self.decimal_comma)?, line));
                Ok(())
            }
            Columns::Wide { time, values } => {
                let (mut any, mut faults) = (false, Vec::new());
                let mut at: Option<(usize, ReadTime)> = None;
                for &(column, sensor) in values {
                    // An empty cell is a sensor that said nothing.
                    let reading = match cell(column) {
                        Ok(text) if is_missing(text) => continue,
                        Ok(text) => {
                            let zone = known.zone(sensor);
                            let read = match at {
                                // One file is mostly of one garden.
                                Some((of, moment)) if std::ptr::eq(known.zone(values[of].1), zone) => {
                                    Ok(moment)
                                }
                                _ => moment(*time, zone),
                            };
                            read.and_then(|moment| Ok((moment, number(text, self.decimal_comma)?)))
                        }
                        Err(fault) => Err(fault),
                    };
                    any = true;
                    // One bad cell takes nothing from the others of its line.
                    match reading {
                        Ok((moment, raw)) => {
                            at.get_or_insert_with(|| {
                                (values.iter().position(|v| v.1 == sensor).unwrap_or_default(), moment)
                            });
                            self.rows.push((moment, sensor, raw, line));
                        }
                        Err(fault) if faults.contains(&fault) => {}
                        Err(fault) => faults.push(fault),
                    }
                }
                self.empty += usize::from(!any);
                if faults.is_empty() { Ok(()) } else { Err(faults.join("; ")) }
            }
        }
    }

    /// Tells the times of hours that come twice, and hands the lines on.
    fn settle(self, found: &mut FileContents) {
        found.empty += self.empty;
        let mut by_sensor: HashMap<SensorIx, Vec<usize>> = HashMap::new();
        if self.rows.iter().any(|(moment, ..)| matches!(moment, ReadTime::Twice { .. })) {
            for (place, (_, sensor, ..)) in self.rows.iter().enumerate() {
                by_sensor.entry(*sensor).or_default().push(place);
            }
        }
        let mut rows = self.rows;
        for places in by_sensor.values() {
            let mut moments: Vec<ReadTime> = places.iter().map(|&place| rows[place].0).collect();
            let before = moments.iter().filter(|m| matches!(m, ReadTime::Twice { .. })).count();
            found.told_by_order += before - settle(&mut moments).len();
            for (&place, moment) in places.iter().zip(moments) {
                rows[place].0 = moment;
            }
        }
        let mut untold = 0;
        for (moment, sensor, raw, line) in rows {
            match moment {
                ReadTime::Sure(at) => found.lines.push(FileReading { at, sensor, raw }),
                // A line of several sensors is told once.
                ReadTime::Twice { .. } if untold == line => {}
                ReadTime::Twice { early, .. } => {
                    untold = line;
                    found.refuse(RefusedLine {
                        file: self.number,
                        line,
                        text: format!("{early} or an hour later, {raw}"),
                        reason: UNTOLD.to_owned(),
                    });
                }
            }
        }
    }
}

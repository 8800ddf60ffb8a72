//! `trug export`: stored readings as CSV or line protocol.

use std::fs::File;
use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::Path;

use anyhow::Context as _;
use jiff::Timestamp;

use super::times::{self, End};
use crate::deliver::line::{self, Line};
use crate::garden::plan::Garden;
use crate::garden::record::TimeFrom;
use crate::store::{Filter, Reader, Row};

/// The first line of the CSV form. `trug import` takes `time`, `sensor` and `raw`.
pub const CSV_COLUMNS: [&str; 11] =
    ["time", "site", "sensor", "place", "quantity", "unit", "raw", "value", "flag", "late", "time_from"];

/// Bytes of lines that are gathered before they are written.
const GATHERED: usize = 64 * 1024;

/// How readings are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Format {
    /// Comma-separated values (RFC 4180), UTF-8.
    #[default]
    Csv,
    /// Line protocol, times in nanoseconds.
    LineProtocol,
}

/// What to export. Nothing said: all of it.
#[derive(Clone, Debug, Default)]
pub struct Export {
    pub sensors: Vec<String>,
    pub site: Option<String>,
    pub from: Option<String>,
    pub to: Option<String>,
    pub format: Format,
}

/// What was written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Exported {
    pub readings: u64,
    /// Readings that the form cannot say, such as a time after the year 2262 in
    /// line protocol.
    pub left_out: u64,
}

/// Exports into `file`, or to `out` where there is none. The exit code is 0, or 2
/// where the request is wrong. With `json` and a file, `out` gets the counts.
///
/// # Errors
///
/// When the store cannot be read or the file cannot be written (exit code 3).
pub fn run(
    reader: &Reader,
    gardens: &[Garden],
    it: &Export,
    file: Option<&Path>,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    let filter = match filter(reader, gardens, it)? {
        Ok(filter) => filter,
        Err(why) => {
            writeln!(io::stderr(), "{why}")?;
            return Ok(2);
        }
    };
    let Some(path) = file else {
        let exported = write(reader, &filter, it.format, out)?;
        if exported.left_out > 0 {
            writeln!(io::stderr(), "{} readings could not be written in this form", exported.left_out)?;
        }
        return Ok(0);
    };
    let target = File::create(path).with_context(|| format!("creating {}", path.display()))?;
    let mut target = io::BufWriter::new(target);
    let exported = write(reader, &filter, it.format, &mut target)?;
    target.flush().with_context(|| format!("writing {}", path.display()))?;
    if json {
        let counts = serde_json::json!({ "readings": exported.readings, "left_out": exported.left_out });
        writeln!(out, "{counts}")?;
    } else {
        writeln!(out, "{} readings written to {}.", exported.readings, path.display())?;
        if exported.left_out > 0 {
            writeln!(out, "{} more could not be written in this form.", exported.left_out)?;
        }
    }
    Ok(0)
}

/// Checks what was asked for against what is stored.
///
/// # Errors
///
/// The inner error is plain words about the request (exit code 2); the outer one
/// is a store that cannot be read (exit code 3).
pub fn filter(reader: &Reader, gardens: &[Garden], it: &Export) -> anyhow::Result<Result<Filter, String>> {
    let series = reader.series().context("reading which sensors are stored")?;
    let names = |pick: fn(&crate::store::Series) -> &str| {
        let mut names: Vec<&str> = series.values().map(pick).collect();
        names.sort_unstable();
        names.dedup();
        names
    };
    let unknown = |what: &str, given: &str, known: &[&str]| {
        format!("no {what} is called {given:?}; those with readings are: {}", known.join(", "))
    };
    let sites = names(|series| &series.site);
    if let Some(site) = it.site.as_deref().filter(|site| !sites.contains(site)) {
        return Ok(Err(unknown("site", site, &sites)));
    }
    let sensors = names(|series| &series.sensor);
    if let Some(sensor) = it.sensors.iter().find(|sensor| !sensors.contains(&sensor.as_str())) {
        return Ok(Err(unknown("sensor", sensor, &sensors)));
    }
    // A site that is stored and no longer configured has no clock of its own.
    let zone = times::zone(gardens, it.site.as_deref()).unwrap_or_default();
    let moment = |text: &Option<String>, end| {
        text.as_deref().map(|text| times::moment(text, zone.as_ref(), end)).transpose()
    };
    Ok(moment(&it.from, End::From).and_then(|from| {
        let to = moment(&it.to, End::To)?;
        Ok(Filter { site: it.site.clone(), sensors: it.sensors.clone(), place: None, from, to })
    }))
}

/// Writes readings in order of time.
///
/// # Errors
///
/// When the store cannot be read or `out` cannot be written.
pub fn write(
    reader: &Reader,
    filter: &Filter,
    format: Format,
    out: &mut dyn Write,
) -> anyhow::Result<Exported> {
    let mut exported = Exported::default();
    let mut failed: Option<io::Error> = None;
    let read = match format {
        Format::Csv => {
            let mut csv = csv::WriterBuilder::new().from_writer(&mut *out);
            csv.write_record(CSV_COLUMNS).context("writing the column names")?;
            let read = reader.readings(filter, |row| {
                exported.readings += 1;
                keep_going(&mut failed, csv.write_record(csv_record(&row)).map_err(io::Error::other))
            });
            failed = failed.or(csv.flush().err());
            read
        }
        Format::LineProtocol => {
            let mut lines = Vec::with_capacity(2 * GATHERED);
            let read = reader.readings(filter, |row| {
                if line::append(&mut lines, &line_of(&row)).is_err() {
                    exported.left_out += 1;
                    return ControlFlow::Continue(());
                }
                exported.readings += 1;
                if lines.len() < GATHERED {
                    return ControlFlow::Continue(());
                }
                let written = out.write_all(&lines);
                lines.clear();
                keep_going(&mut failed, written)
            });
            failed = failed.or(out.write_all(&lines).err());
            read
        }
    };
    read.context("reading what is stored")?;
    if let Some(error) = failed {
        return Err(error).context("writing the export");
    }
    out.flush().context("writing the export")?;
    Ok(exported)
}

/// Stops reading at the first failure, and keeps it.
fn keep_going(failed: &mut Option<io::Error>, written: io::Result<()>) -> ControlFlow<()> {
    match written {
        Ok(()) => ControlFlow::Continue(()),
        Err(error) => {
            *failed = Some(error);
            ControlFlow::Break(())
        }
    }
}

fn csv_record(row: &Row<'_>) -> [String; 11] {
    let number = |number: f64| number.to_string();
    [
        time(row.at),
        row.series.site.clone(),
        row.series.sensor.clone(),
        row.series.place.clone(),
        row.series.quantity.clone(),
        row.series.unit.clone(),
        number(row.raw),
        row.value.map(number).unwrap_or_default(),
        row.flag.number().to_string(),
        if row.late { "yes" } else { "no" }.to_owned(),
        match row.time_from {
            TimeFrom::Device => "device",
            TimeFrom::Arrival => "arrival",
        }
        .to_owned(),
    ]
}

/// RFC 3339 in UTC, with milliseconds only where there are some.
fn time(at: Timestamp) -> String {
    at.to_string()
}

fn line_of<'a>(row: &Row<'a>) -> Line<'a> {
    Line {
        site: &row.series.site,
        place: &row.series.place,
        sensor: &row.series.sensor,
        quantity: &row.series.quantity,
        at: row.at,
        raw: row.raw,
        value: row.value,
        flag: row.flag,
    }
}

//! `trug export`: stored readings, or their hours or days, as CSV, spreadsheet or line
//! protocol.

mod sheet;

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use clap::ValueEnum;
use clap::builder::{PossibleValuesParser, TypedValueParser};
use jiff::Timestamp;

use super::exit::{Exit, WrongInput};
use super::shared::{only_daily, span_on, zone_of};
use crate::deliver::line::{self, ReadingLine};
use crate::export::{SensorRecord, TimeSpan, column_names, reading_row};
use crate::garden::plan::{Garden, shared_zone};
use crate::history::{Bin, BinWidth};
use crate::store::{Reader, ReadingFilter, StoredReading};
use crate::text::spoken::counted;

/// Bytes of lines that are gathered before they are written.
const GATHERED: usize = 64 * 1024;

/// How readings are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    // Comma-separated values (RFC 4180), UTF-8.
    #[default]
    Csv,
    // Times in nanoseconds.
    LineProtocol,
    // A spreadsheet, which needs a file.
    Xlsx,
}

/// What the command line says. Nothing said: all of it.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct Export {
    /// Only these sensors; may be repeated
    #[arg(long = "sensor", value_name = "ID")]
    pub sensors: Vec<String>,
    /// One garden only
    #[arg(long, value_name = "ID")]
    pub site: Option<String>,
    /// From here: a date or a date and time on the garden's clock, or RFC 3339
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// To here
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Each reading, or hours or days of the garden's clock with how good they are
    #[arg(long, default_value = "raw", value_parser = step_parser())]
    pub step: BinWidth,
    /// How to write them; a spreadsheet (xlsx) needs --out
    #[arg(long, value_enum, default_value = "csv")]
    pub format: Format,
    /// Into this file; without it, to standard output
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    #[arg(from_global)]
    pub json: bool,
}

fn step_parser() -> impl TypedValueParser<Value = BinWidth> {
    PossibleValuesParser::new(BinWidth::ALL.map(BinWidth::name))
        .map(|name| BinWidth::from_name(&name).unwrap_or_default())
}

/// What was written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Exported {
    /// Rows: readings, or hours or days.
    pub readings: u64,
    /// Readings that the form cannot say, such as a time after the year 2262 in
    /// line protocol.
    pub left_out: u64,
}

/// Exports into the file that is named, else to `out`. With `json` and a file, `out` gets
/// the counts.
///
/// # Errors
/// When the store cannot be read or the file cannot be written, or [`WrongInput`].
pub fn run(reader: &Reader, gardens: &[Garden], it: &Export, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let filter = filter(reader, gardens, it)?;
    let wrong = match (it.format, it.step, &it.out) {
        (Format::LineProtocol, BinWidth::Hour | BinWidth::Day, _) => {
            Some("line protocol holds single readings: leave --step out, or choose --format csv or xlsx")
        }
        (Format::Xlsx, _, None) => Some("a spreadsheet needs a file: name it with --out"),
        _ => None,
    };
    if let Some(why) = wrong {
        return Err(WrongInput::beside(why).into());
    }
    if it.step != BinWidth::Day {
        for said in only_daily(reader, gardens, it.site.as_deref(), filter.from)? {
            writeln!(io::stderr(), "{said} --step day writes them.")?;
        }
    }
    let rows = |out: &mut dyn Write| match it.step {
        BinWidth::Raw => write(reader, &filter, it.format, out),
        BinWidth::Hour | BinWidth::Day => write_csv(reader, gardens, &filter, it.step, out),
    };
    let Some(path) = &it.out else {
        let exported = rows(out)?;
        if exported.left_out > 0 {
            let left = counted(exported.left_out, "reading", "readings");
            writeln!(io::stderr(), "{left} could not be written in this form")?;
        }
        return Ok(Exit::Yes);
    };
    let exported = if it.format == Format::Xlsx {
        Exported { readings: sheet::write(reader, gardens, &filter, it.step, path)?, left_out: 0 }
    } else {
        let target = File::create(path).with_context(|| format!("creating {}", path.display()))?;
        let mut target = io::BufWriter::new(target);
        let exported = rows(&mut target)?;
        target.flush().with_context(|| format!("writing {}", path.display()))?;
        exported
    };
    tell(exported, it.step, path, it.json, out)?;
    Ok(Exit::Yes)
}

/// Says what was written into a file.
fn tell(
    exported: Exported,
    step: BinWidth,
    path: &Path,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let (one, what) = match step {
        BinWidth::Raw => ("reading", "readings"),
        BinWidth::Hour => ("hour", "hours"),
        BinWidth::Day => ("day", "days"),
    };
    if json {
        let counts = serde_json::json!({ what: exported.readings, "left_out": exported.left_out });
        writeln!(out, "{counts}")?;
    } else {
        writeln!(out, "{} written to {}.", counted(exported.readings, one, what), path.display())?;
        if exported.left_out > 0 {
            writeln!(out, "{} more could not be written in this form.", exported.left_out)?;
        }
    }
    Ok(())
}

/// Checks what was asked for against what is stored.
///
/// # Errors
/// When the store cannot be read, or [`WrongInput`].
pub fn filter(reader: &Reader, gardens: &[Garden], it: &Export) -> anyhow::Result<ReadingFilter> {
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
        return Err(WrongInput::beside(unknown("site", site, &sites)).into());
    }
    let sensors = names(|series| &series.sensor);
    if let Some(sensor) = it.sensors.iter().find(|sensor| !sensors.contains(&sensor.as_str())) {
        return Err(WrongInput::beside(unknown("sensor", sensor, &sensors)).into());
    }
    // A site that is stored and no longer configured has no clock of its own.
    let zone = shared_zone(gardens, it.site.as_deref()).unwrap_or_default();
    let (from, to) =
        span_on(zone.as_ref(), it.from.as_deref(), it.to.as_deref()).map_err(WrongInput::beside)?;
    Ok(ReadingFilter { site: it.site.clone(), sensors: it.sensors.clone(), place: None, from, to })
}

/// Writes readings in order of time.
///
/// # Errors
///
/// When the store cannot be read or `out` cannot be written.
pub fn write(
    reader: &Reader,
    filter: &ReadingFilter,
    format: Format,
    out: &mut dyn Write,
) -> anyhow::Result<Exported> {
    match format {
        Format::Csv => write_csv(reader, &[], filter, BinWidth::Raw, out),
        Format::LineProtocol => write_lines(reader, filter, out),
        Format::Xlsx => anyhow::bail!("a spreadsheet is written by itself, since it needs a file"),
    }
}

/// Writes rows as CSV.
fn write_csv(
    reader: &Reader,
    gardens: &[Garden],
    filter: &ReadingFilter,
    step: BinWidth,
    out: &mut dyn Write,
) -> anyhow::Result<Exported> {
    let mut exported = Exported::default();
    let mut csv = csv::Writer::from_writer(&mut *out);
    csv.write_record(column_names(step)).context("writing the column names")?;
    each_row(reader, gardens, filter, step, &mut |row| {
        exported.readings += 1;
        csv.write_record(row).context("writing the export")
    })?;
    csv.flush().context("writing the export")?;
    Ok(exported)
}

/// Writes readings in line protocol.
fn write_lines(reader: &Reader, filter: &ReadingFilter, out: &mut dyn Write) -> anyhow::Result<Exported> {
    let mut exported = Exported::default();
    let mut lines = Vec::with_capacity(2 * GATHERED);
    let mut written = Ok(());
    let read = reader.readings(filter, |row| {
        if line::append(&mut lines, &line_of(&row)).is_err() {
            exported.left_out += 1;
            return ControlFlow::Continue(());
        }
        exported.readings += 1;
        if lines.len() >= GATHERED {
            written = out.write_all(&lines);
            lines.clear();
        }
        if written.is_ok() { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    });
    read.context("reading what is stored")?;
    let written = written.and_then(|()| out.write_all(&lines)).and_then(|()| out.flush());
    written.context("writing the export")?;
    Ok(exported)
}

/// Passes on the row of each reading in order of time, or of each bin sensor after sensor,
/// up to the first that cannot be taken.
fn each_row(
    reader: &Reader,
    gardens: &[Garden],
    filter: &ReadingFilter,
    step: BinWidth,
    each: &mut dyn FnMut(&[String]) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    // Bins of one read; a sensor that changed what it measures is named by the newest.
    const PART: usize = 2000;
    if step == BinWidth::Raw {
        let mut taken = Ok(());
        let read = reader.readings(filter, |row| {
            taken = each(&reading_row(&row));
            if taken.is_ok() { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
        });
        return read.context("reading what is stored").and(taken);
    }
    let mut sensors = BTreeMap::new();
    for series in reader.series().context("reading which sensors are stored")?.into_values() {
        if filter.takes(&series) {
            let newest =
                sensors.entry((series.site.clone(), series.sensor.clone())).or_insert(series.clone());
            if newest.number < series.number {
                *newest = series;
            }
        }
    }
    for series in sensors.into_values() {
        let garden = gardens.iter().find(|garden| garden.site.id.as_str() == series.site);
        let record = SensorRecord::of(series, zone_of(garden));
        let mut rest = Some(filter.from.unwrap_or(Timestamp::MIN));
        while let Some(from) = rest {
            let span = TimeSpan { from, to: filter.to.unwrap_or(Timestamp::MAX) };
            let mut taken = Ok(());
            let take = |bin: &Bin| {
                if taken.is_ok() {
                    taken = each(&record.bin_row(bin));
                }
            };
            let read = record.walk_bins(reader, span, step, PART, || false, take);
            rest = read.context("reading what is stored")?;
            taken?;
        }
    }
    Ok(())
}

fn line_of<'a>(row: &StoredReading<'a>) -> ReadingLine<'a> {
    ReadingLine {
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

//! `trug report --month 2026-04`: a month of the garden for a class, as one folder; a term or a
//! year in the same form.

mod term_report;

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use jiff::Timestamp;

use super::exit::{Exit, WrongInput};
use super::local_out::LocalWriter;
use super::shared::print_json;
use super::water::garden_called;
use crate::garden::plan::Garden;
use crate::model::{CalendarMonth, Id};
use crate::page::month::{CannotMake, MonthFiles, MonthRequest, days_of, make, until};
use crate::report::days::{days_files, days_title};
use crate::report::{Level, ReportFile, has_file, month_name};
use crate::store::Reader;
use crate::text::spoken::counted;

/// What the command line says.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct Report {
    /// The month, such as 2026-04
    #[arg(long, value_name = "MONTH", required_unless_present_any = ["term", "from"], conflicts_with_all = ["term", "from", "to"])]
    pub month: Option<String>,
    /// The days since the last [[holiday]] that is over, in place of a month
    #[arg(long)]
    pub term: bool,
    /// The first day of a term or a year, such as 2026-01-28, in place of a month
    #[arg(long, value_name = "DATE")]
    pub from: Option<String>,
    /// Its last day; without it, today
    #[arg(long, value_name = "DATE")]
    pub to: Option<String>,
    /// The garden, where there are several
    #[arg(long, value_name = "ID")]
    pub site: Option<String>,
    /// A bed to compare with another; given twice. Without it, two beds that are alike, or one
    /// before and after its mulch
    #[arg(long = "bed", value_name = "ID")]
    pub beds: Vec<String>,
    /// The folder to make; without it, report-SITE-MONTH
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,
    /// For whom the first page is: 7-9, 10-12 or older
    #[arg(long, value_name = "LEVEL", value_parser = level, default_value = "10-12")]
    pub level: Level,
    /// Replace a report's folder that is there
    #[arg(long)]
    pub replace: bool,
    /// Leave out the notes that people wrote in the log
    #[arg(long)]
    pub without_notes: bool,
    #[arg(from_global)]
    pub json: bool,
}

fn level(name: &str) -> Result<Level, String> {
    Level::of(name).ok_or_else(|| {
        let names = Level::ALL.map(Level::name).join(", ");
        format!("{name:?} is no level; accepted is one of {names}")
    })
}

/// Makes the folder, all of it or nothing: no where it was made and the month has no
/// reading.
///
/// # Errors
/// When the store cannot be read or the folder cannot be written, or [`WrongInput`].
pub fn run(
    reader: &Reader,
    gardens: &[Garden],
    it: &Report,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let out: &mut dyn Write = &mut LocalWriter::new(out, it.json, gardens, it.site.as_deref());
    if it.month.is_none() {
        return term_report::run(reader, gardens, it, now, out);
    }
    let wrong = |why: String| Err(WrongInput::beside(why).into());
    let (garden, wanted) = check(gardens, it).map_err(WrongInput::beside)?;
    // A record whose readings are ahead of the clock, such as a simulation's, is known
    // up to its last reading.
    let latest = reader.latest_at().context("reading the latest reading")?;
    let now = latest.map_or(now, |latest| latest.max(now));
    let until = match until(wanted.which, now, &garden.site.time_zone) {
        Ok(until) => until,
        Err(_) => return wrong(format!("{} has not begun", month_name(wanted.which))),
    };
    let folder = it
        .out
        .clone()
        .unwrap_or_else(|| PathBuf::from(format!("report-{}-{}", garden.site.id, wanted.which)));
    may_be_made(&folder, it.replace).map_err(WrongInput::beside)?;
    let made = match make(reader, garden, &wanted, until, usize::MAX) {
        Ok(made) => made,
        Err(CannotMake::Summarised { .. }) => {
            return by_days(reader, garden, it, (wanted.which, until), &folder, out);
        }
        Err(fault @ (CannotMake::Future | CannotMake::TooMany { .. })) => {
            return wrong(fault.to_string());
        }
        Err(CannotMake::Store(fault)) => return Err(fault).context("reading the month"),
        Err(CannotMake::Report(fault)) => return Err(fault).context("making the files"),
    };
    if let Err(fault) = write(&folder, &made.files, it.replace) {
        return match fault.kind() {
            io::ErrorKind::AlreadyExists => wrong(format!("{} is there already", folder.display())),
            _ => Err(fault).with_context(|| format!("making the folder {}", folder.display())),
        };
    }
    tell(&made, &folder, !it.without_notes, it.json, out)?;
    let readings: u64 = made.month.sensors.iter().map(|sensor| u64::from(sensor.readings)).sum();
    Ok(Exit::yes_if(readings > 0))
}

/// Makes the folder of a month of which only daily figures are kept.
fn by_days(
    reader: &Reader,
    garden: &Garden,
    it: &Report,
    (which, until): (CalendarMonth, Option<Timestamp>),
    folder: &Path,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let record = days_of(reader, garden, which, until, !it.without_notes).context("reading the month")?;
    let record = record.context("the single readings of the month came back while it was read")?;
    if !it.beds.is_empty() {
        let why = format!("{} Two beds are compared by single readings only; leave out --bed", record.single);
        return Err(WrongInput::beside(why).into());
    }
    let files = days_files(&record.contents()).context("making the files")?;
    write(folder, &files, it.replace).with_context(|| format!("making the folder {}", folder.display()))?;
    let readings: u64 = record.month.sensors.iter().map(|sensor| u64::from(sensor.readings)).sum();
    if it.json {
        let told = serde_json::json!({
            "month": which.to_string(),
            "site": garden.site.id.as_str(),
            "folder": folder.display().to_string(),
            "files": files.iter().map(|file| serde_json::json!({
                "name": file.name, "bytes": file.bytes.len(),
            })).collect::<Vec<_>>(),
            "only_daily": record.single,
            "command": record.command,
        });
        print_json(&told, out)?;
    } else {
        writeln!(out, "{}, {}, in {}:", days_title(&record.month), record.month.name, folder.display())?;
        for file in &files {
            writeln!(out, "  {}  ({} kB)", file.name, file.bytes.len().div_ceil(1000))?;
        }
        writeln!(out, "{} So it has no lesson, and no hours and waterings.", record.single)?;
    }
    Ok(Exit::yes_if(readings > 0))
}

/// Whether a folder may be made, or plain words why not.
fn may_be_made(folder: &Path, replace: bool) -> Result<(), String> {
    if !replace && fs::symlink_metadata(folder).is_ok() {
        return Err(format!(
            "{} is there already; give another folder with --out, or --replace",
            folder.display()
        ));
    }
    match not_ours(folder) {
        Some(other) => Err(format!(
            "{} holds {other:?}, which is no part of a report, so it is not replaced; give another folder with --out",
            folder.display()
        )),
        None => Ok(()),
    }
}

/// Something in a folder that no report has: such a folder is never replaced.
fn not_ours(folder: &Path) -> Option<String> {
    if !folder.exists() {
        return None;
    }
    let Ok(entries) = fs::read_dir(folder) else { return Some(folder.display().to_string()) };
    let names = entries.filter_map(Result::ok).map(|entry| entry.file_name().to_string_lossy().into_owned());
    let mut names = names;
    names.find(|name| !has_file(name))
}

/// The garden and what is wanted of it, or plain words about what is wrong.
fn check<'g>(gardens: &'g [Garden], it: &Report) -> Result<(&'g Garden, MonthRequest), String> {
    let given = it.month.as_deref().unwrap_or_default();
    let month = CalendarMonth::parse(given)
        .ok_or_else(|| format!("{given:?} is not a month; accepted is {}", CalendarMonth::ACCEPTED))?;
    let garden = garden_called(gardens, it.site.as_deref())?;
    let bed = |name: &String| -> Result<Id, String> {
        let bed = garden.beds.iter().find(|bed| bed.id.as_str() == name);
        bed.map(|bed| bed.id.clone()).ok_or_else(|| {
            let known: Vec<_> = garden.beds.iter().map(|bed| bed.id.as_str()).collect();
            format!("no bed is called {name:?}; the beds are: {}", known.join(", "))
        })
    };
    let compare = match it.beds.as_slice() {
        [] => None,
        [first, second] if first == second => {
            return Err(format!("{first:?} was given twice; a bed is compared with another one"));
        }
        [first, second] => Some((bed(first)?, bed(second)?)),
        beds => return Err(format!("{} beds were given with --bed; two are compared, or none", beds.len())),
    };
    Ok((garden, MonthRequest { which: month, compare, notes: !it.without_notes, level: it.level }))
}

/// Writes the files into a folder beside the wanted one and gives it its name at the
/// end, so that nobody ever finds half of it.
fn write(folder: &Path, files: &[ReportFile], replace: bool) -> io::Result<()> {
    let name = folder.file_name().ok_or_else(|| io::Error::other("it has no name"))?;
    let above = match folder.parent() {
        Some(above) if !above.as_os_str().is_empty() => above,
        _ => Path::new("."),
    };
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
        if !replace {
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

/// Says what was made and how complete the month is.
fn tell(
    made: &MonthFiles,
    folder: &Path,
    notes: bool,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let month = &made.month;
    let sum = |pick: fn(&crate::analysis::month::SensorMonth) -> u32| -> u64 {
        month.sensors.iter().map(|sensor| u64::from(pick(sensor))).sum()
    };
    let (expected, readings, good) = (sum(|it| it.expected), sum(|it| it.readings), sum(|it| it.good));
    if json {
        let told = serde_json::json!({
            "month": month.which.to_string(),
            "site": month.site.as_str(),
            "folder": folder.display().to_string(),
            "files": made.files.iter().map(|file| serde_json::json!({
                "name": file.name, "bytes": file.bytes.len(),
            })).collect::<Vec<_>>(),
            "until": month.until.map(|until| until.to_string()),
            "readings": { "expected": expected, "arrived": readings, "good": good },
            "sha256": {
                "readings": made.made.fingerprints.readings,
                "settings": made.made.fingerprints.settings,
                "log_and_alarms": made.made.fingerprints.told,
            },
            "command": made.made.command,
        });
        return print_json(&told, out);
    }
    writeln!(out, "{} of {}, in {}:", month_name(month.which), month.name, folder.display())?;
    for file in &made.files {
        writeln!(out, "  {}  ({} kB)", file.name, file.bytes.len().div_ceil(1000))?;
    }
    if let Some(until) = month.until {
        let until = crate::text::labels::full_moment(until, &month.time_zone);
        writeln!(out, "The month is not over: this is up to {until}.")?;
    }
    if readings == 0 {
        writeln!(out, "The month has no reading, so there is nothing to see in it.")?;
        return Ok(());
    }
    let percent = if expected == 0 { 0.0 } else { (good as f64 / expected as f64).min(1.0) * 100.0 };
    writeln!(
        out,
        "{} arrived, {good} of them good: {percent:.1} % of the {expected} expected.",
        counted(readings, "reading", "readings")
    )?;
    for sensor in month.sensors.iter().filter(|sensor| sensor.complete() < 0.9) {
        let complete = sensor.complete() * 100.0;
        writeln!(out, "  {} ({}) is {complete:.0} % complete.", sensor.id, sensor.place)?;
    }
    if notes {
        writeln!(out, "People's notes are in it: read them before you pass it on, or use --without-notes.")?;
    }
    Ok(())
}

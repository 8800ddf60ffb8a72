//! `trug report --month 2026-04`: a month of the garden for a class, as one folder; a term or a
//! year in the same form.

mod folder;
mod term_report;

use std::io::{self, Write};
use std::path::PathBuf;

use anyhow::Context as _;
use jiff::Timestamp;

use folder::{ReportFolder, files_json, list_files};

use super::days_asked::{garden_called, known_to};
use super::exit::{Exit, WrongInput};
use super::local_out::LocalWriter;
use super::shared::print_json;
use crate::garden::plan::Garden;
use crate::model::{CalendarMonth, Id};
use crate::page::month::{CannotMake, MonthFiles, MonthRequest, days_of, make, until};
use crate::report::days::{days_files, days_title};
use crate::report::{Level, month_name};
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
    let now = known_to(reader, now)?;
    let until = match until(wanted.which, now, &garden.site.time_zone) {
        Ok(until) => until,
        Err(_) => return wrong(format!("{} has not begun", month_name(wanted.which))),
    };
    let name = format!("report-{}-{}", garden.site.id, wanted.which);
    let folder = ReportFolder::asked(it, &name).map_err(WrongInput::beside)?;
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
    if let Err(fault) = folder.write(&made.files) {
        return match fault.kind() {
            io::ErrorKind::AlreadyExists => wrong(format!("{folder} is there already")),
            _ => Err(fault).with_context(|| format!("making the folder {folder}")),
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
    folder: &ReportFolder,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let record = days_of(reader, garden, which, until, !it.without_notes).context("reading the month")?;
    let record = record.context("the single readings of the month came back while it was read")?;
    if !it.beds.is_empty() {
        let why = format!("{} Two beds are compared by single readings only; leave out --bed", record.single);
        return Err(WrongInput::beside(why).into());
    }
    let files = days_files(&record.contents()).context("making the files")?;
    folder.write(&files).with_context(|| format!("making the folder {folder}"))?;
    let readings: u64 = record.month.sensors.iter().map(|sensor| u64::from(sensor.readings)).sum();
    if it.json {
        let told = serde_json::json!({
            "month": which.to_string(),
            "site": garden.site.id.as_str(),
            "folder": folder.to_string(),
            "files": files_json(&files),
            "only_daily": record.single,
            "command": record.command,
        });
        print_json(&told, out)?;
    } else {
        writeln!(out, "{}, {}, in {folder}:", days_title(&record.month), record.month.name)?;
        list_files(&files, out)?;
        writeln!(out, "{} So it has no lesson, and no hours and waterings.", record.single)?;
    }
    Ok(Exit::yes_if(readings > 0))
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

/// Says what was made and how complete the month is.
fn tell(
    made: &MonthFiles,
    folder: &ReportFolder,
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
            "folder": folder.to_string(),
            "files": files_json(&made.files),
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
    writeln!(out, "{} of {}, in {folder}:", month_name(month.which), month.name)?;
    list_files(&made.files, out)?;
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

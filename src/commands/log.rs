//! `trug log`: what people saw or did, written into the record.

use std::io::Write;

use anyhow::Context as _;
use clap::error::ErrorKind;
use clap::{Arg, ArgMatches, Args, Command, FromArgMatches, Subcommand, value_parser};
use jiff::Timestamp;

use super::exit::{Exit, WrongInput};
use super::local_out::LocalWriter;
use super::shared::{at_or_now, garden_of, place_name, print_json, reader, safe, site_of, span, zone_of};
use crate::engine::recent;
use crate::garden::jobs::job::Job;
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::log_entry::{self, About, EntryKind, KINDS, NumberField};
use crate::garden::plan::Garden;
use crate::model::Id;
use crate::settings::Settings;
use crate::store::{LogRow, StoreError, Strike, correct_log, strike_log, write_log};
use crate::text::labels;
use crate::text::spoken;

/// What the command line says.
#[derive(Args, Clone, Debug)]
pub struct LogArgs {
    #[command(subcommand)]
    pub request: LogRequest,
    #[arg(from_global)]
    pub json: bool,
}

/// What every entry may say.
#[derive(Args, Clone, Debug, Default)]
pub struct Common {
    /// The garden, where two have a place of one id
    #[arg(long, value_name = "ID")]
    pub site: Option<String>,
    /// When it was, if not now: a date and time on the garden's clock, or RFC 3339
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Anything else worth keeping; no names of children
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub note: String,
    /// The number of the entry that this one puts right: it is struck, and stays in the
    /// record as such. Without --at, this one is of the same time
    #[arg(long, value_name = "NUMBER")]
    pub corrects: Option<i64>,
}

/// Which entry is struck.
#[derive(Args, Clone, Debug)]
pub struct Striking {
    /// The entry's number, as `trug log list` shows it
    #[arg(value_name = "NUMBER")]
    number: i64,
    /// Why it is wrong; no names of children
    #[arg(long, value_name = "TEXT")]
    why: String,
    /// The garden, where there are several
    #[arg(long, value_name = "ID")]
    site: Option<String>,
}

/// Which entries to list.
#[derive(Args, Clone, Debug, Default)]
pub struct Listing {
    /// One bed or tank only
    #[arg(long, value_name = "ID")]
    place: Option<String>,
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// From here: a date or a date and time on the garden's clock, or RFC 3339
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// To here
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// Also those that were struck
    #[arg(long)]
    struck: bool,
}

/// What is asked of the log. Its subcommands are made from the kinds of entries.
#[derive(Clone, Debug)]
pub enum LogRequest {
    Write { kind: &'static EntryKind, place: Option<String>, given: Given, common: Common },
    Strike(Striking),
    List(Listing),
}

/// The values of an entry as they were typed.
#[derive(Clone, Debug)]
pub struct Given {
    numbers: Vec<(&'static NumberField, f64)>,
    /// A crop or a job.
    named: Option<String>,
}

/// The argument for the place, by the word that stands for it, and whether it can be
/// left out.
fn place_argument(kind: &EntryKind) -> (&'static str, bool) {
    match kind.about {
        About::Bed => ("BED", false),
        About::BedOrGarden => ("BED", true),
        About::Tank => ("TANK", false),
        About::Sensor => ("SENSOR", false),
        About::Any => ("PLACE", true),
        About::Job => ("JOB", false),
    }
}

fn subcommand(kind: &EntryKind) -> Command {
    let (place, optional) = place_argument(kind);
    let mut place = Arg::new(place).required(!optional);
    if optional {
        place = place.help(match kind.about {
            About::BedOrGarden => "A bed; without it, the whole garden",
            _ => "A bed or a tank; without it, the whole garden",
        });
    }
    if kind.job {
        place = place.help("The job's name in the garden's file");
    }
    let mut command = Command::new(kind.name).arg(place);
    let mut numbers: Vec<&NumberField> = kind.numbers.iter().collect();
    numbers.sort_by_key(|number| number.argument.rank);
    for NumberField { argument, whole, needed, .. } in numbers {
        let mut arg = Arg::new(argument.name).long(argument.name).value_name(argument.value);
        arg =
            if *whole { arg.value_parser(value_parser!(u32)) } else { arg.value_parser(value_parser!(f64)) };
        arg = match argument.default {
            Some(default) => arg.default_value(default),
            None => arg.required(*needed),
        };
        if !argument.help.is_empty() {
            arg = arg.help(argument.help);
        }
        command = command.arg(arg);
    }
    if kind.crop {
        command = command.arg(Arg::new("crop").long("crop").value_name("CROP").help("A crop of the table"));
    }
    command = Common::augment_args(command).about(kind.help);
    let care = kind.caution.map(|words| format!("Take care: {}", spoken::uncapital(words)));
    let after: Vec<String> = kind.how_to.map(str::to_owned).into_iter().chain(care).collect();
    if after.is_empty() { command } else { command.after_help(after.join("\n\n")) }
}

impl Subcommand for LogRequest {
    fn augment_subcommands(command: Command) -> Command {
        let mut kinds: Vec<&EntryKind> = KINDS.iter().collect();
        kinds.sort_by_key(|kind| kind.help_rank);
        command
            .subcommands(kinds.into_iter().map(subcommand))
            .subcommand(
                Striking::augment_args(Command::new("strike")).about(
                    "Strikes an entry that is wrong: it stays in the record, and nothing is judged by it",
                ),
            )
            .subcommand(Listing::augment_args(Command::new("list")).about("What is in the log"))
    }

    fn augment_subcommands_for_update(command: Command) -> Command {
        Self::augment_subcommands(command)
    }

    fn has_subcommand(name: &str) -> bool {
        matches!(name, "list" | "strike") || log_entry::kind(name).is_some()
    }
}

impl FromArgMatches for LogRequest {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let missing =
            || clap::Error::raw(ErrorKind::MissingSubcommand, "what is to be written down is missing");
        let (name, own) = matches.subcommand().ok_or_else(missing)?;
        if name == "strike" {
            return Ok(Self::Strike(Striking::from_arg_matches(own)?));
        }
        let Some(kind) = log_entry::kind(name) else {
            return Ok(Self::List(Listing::from_arg_matches(own)?));
        };
        let number = |field: &'static NumberField| {
            let id = field.argument.name;
            let typed = if field.whole {
                own.get_one::<u32>(id).copied().map(f64::from)
            } else {
                own.get_one::<f64>(id).copied()
            };
            typed.map(|value| (field, value))
        };
        let crop = if kind.crop { own.get_one("crop").cloned() } else { None };
        let place: Option<String> = own.get_one(place_argument(kind).0).cloned();
        let (place, named) = if kind.job { (None, place) } else { (place, crop) };
        Ok(Self::Write {
            kind,
            place,
            given: Given { numbers: kind.numbers.iter().filter_map(number).collect(), named },
            common: Common::from_arg_matches(own)?,
        })
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

/// What was seen or done, once its values are found possible.
fn checked(kind: &EntryKind, given: Given, common: &Common) -> Result<LogEvent, String> {
    if let Some(why) = kind.one_needed.filter(|_| given.numbers.is_empty()) {
        return Err(why.to_owned());
    }
    if kind.one_only && given.numbers.len() > 1 {
        let names: Vec<String> =
            kind.numbers.iter().map(|number| format!("--{}", number.argument.name)).collect();
        return Err(format!("give one of {}: they say the same in two units", names.join(" and ")));
    }
    for (field, value) in &given.numbers {
        let found = if field.name == log_entry::MOLARITY.name {
            log_entry::check_molarity(*value)
        } else {
            field.check(*value)
        };
        found.map_err(|fault| format!("--{} {value}: {fault}", field.argument.name))?;
    }
    log_entry::check_forms(|name| given.numbers.iter().any(|(field, _)| field.name == name))
        .map_err(|(_, why)| why.to_owned())?;
    if let Some(crop) = given.named.as_ref().filter(|_| kind.crop) {
        log_entry::check_crop(crop).map_err(|why| format!("--crop {crop:?} {why}"))?;
    }
    if kind.note_needed && common.note.trim().is_empty() {
        return Err(match kind.name {
            "note" => "a note needs words: --note TEXT".to_owned(),
            name => format!("{name} needs words, which and how many: --note TEXT"),
        });
    }
    log_entry::check_note(&common.note)?;
    let number =
        |name: &str| given.numbers.iter().find(|(field, _)| field.name == name).map(|(_, value)| *value);
    log_entry::event(kind, number, given.named).ok_or_else(|| format!("a {} needs its number", kind.name))
}

/// Writes an entry down, or lists what is there.
///
/// # Errors
/// When the store cannot be read or written, or [`WrongInput`].
pub fn run(settings: &Settings, it: LogArgs, now: Timestamp, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let LogArgs { request, json } = it;
    let out: &mut dyn Write = &mut LocalWriter::new(out, json, &settings.gardens, None);
    let (kind, place, given, common) = match request {
        LogRequest::List(listing) => return list(settings, &listing, json, out),
        LogRequest::Strike(striking) => return strike(settings, &striking, json, now, out),
        LogRequest::Write { kind, place, given, common } => (kind, place, given, common),
    };
    let gardens = &settings.gardens;
    let wrong = match common.corrects {
        None => None,
        Some(number) => Some(entry_of(settings, number, common.site.as_deref())?),
    };
    let at = wrong.as_ref().map(|row| row.entry.at);
    let written = checked(kind, given, &common).and_then(|what| {
        let entry = match &what {
            LogEvent::JobDone { job } => job_entry(gardens, job, &common, at, now)?,
            _ => {
                let site = site_with(gardens, kind, place.as_deref(), &common)?;
                let at = entry_time(gardens, &site, &common, at, now)?;
                let note = common.note.trim().to_owned();
                LogEntry { site, place: place.as_deref().map(Id::new), at, what, note }
            }
        };
        match &wrong {
            Some(row) if row.entry.site != entry.site => {
                Err(format!("entry {} is of {}, not of {}", row.seq, row.entry.site, entry.site))
            }
            _ => Ok(entry),
        }
    });
    let entry = written.map_err(WrongInput::new)?;
    let path = &settings.store.path;
    let seq = match &wrong {
        None => write_log(path, &entry, now).context("writing the log")?,
        Some(row) => correct_log(path, &entry, row.seq, now).map_err(not_struck)?,
    };
    let row =
        LogRow { seq, written_at: now, entry, corrects: wrong.as_ref().map(|row| row.seq), struck: None };
    if json {
        print_json(&as_json(&row), out)?;
    } else {
        writeln!(out, "Written down: {}", line(gardens, &row.entry))?;
        if let Some(wrong) = &wrong {
            writeln!(out, "Struck: {}. {}", line(gardens, &wrong.entry), STAYS)?;
        }
        if let Some(meaning) = log_entry::meaning(&row.entry.what) {
            writeln!(out, "{meaning}")?;
        }
    }
    Ok(Exit::Yes)
}

const STAYS: &str = "It stays in the record, and nothing is judged by it any more.";

/// The entry of a number, that is to be struck.
fn entry_of(settings: &Settings, number: i64, site: Option<&str>) -> anyhow::Result<LogRow> {
    let missing =
        || WrongInput::new(format!("the log has no entry {number}; `trug log list` shows the numbers"));
    let reader = reader(settings)?;
    let gardens = settings.gardens.iter().map(|garden| garden.site.id.as_str());
    for id in gardens.filter(|id| site.is_none_or(|site| site == *id)) {
        if let Some(row) = reader.log_entry(id, number).context("reading the log")? {
            return match row.struck {
                Some(_) => {
                    Err(WrongInput::new(format!("entry {number} of the log is struck already")).into())
                }
                None => Ok(row),
            };
        }
    }
    Err(missing().into())
}

/// What came between the look at an entry and its striking.
fn not_struck(fault: StoreError) -> anyhow::Error {
    match fault {
        StoreError::NoSuchEntry { .. } | StoreError::StruckAlready { .. } => {
            WrongInput::new(fault.to_string()).into()
        }
        other => anyhow::Error::new(other).context("writing the log"),
    }
}

fn strike(
    settings: &Settings,
    striking: &Striking,
    json: bool,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let why = striking.why.trim();
    if why.is_empty() {
        return Err(WrongInput::new("say why it is wrong: --why TEXT").into());
    }
    log_entry::check_note(why).map_err(WrongInput::new)?;
    let row = entry_of(settings, striking.number, striking.site.as_deref())?;
    strike_log(&settings.store.path, &row.entry.site, row.seq, why, now).map_err(not_struck)?;
    let struck = Some(Strike { written_at: now, why: why.to_owned(), corrected_by: None });
    let row = LogRow { struck, ..row };
    if json {
        print_json(&as_json(&row), out)?;
    } else {
        writeln!(out, "Struck: {}. {STAYS}", line(&settings.gardens, &row.entry))?;
    }
    Ok(Exit::Yes)
}

/// Finds the garden of an entry.
fn site_with(
    gardens: &[Garden],
    kind: &EntryKind,
    place: Option<&str>,
    common: &Common,
) -> Result<Id, String> {
    let wanted = match kind.about {
        About::Bed | About::BedOrGarden => recent::PlaceWanted::Bed,
        About::Tank => recent::PlaceWanted::Tank,
        About::Sensor => recent::PlaceWanted::Sensor,
        About::Any | About::Job => recent::PlaceWanted::Any,
    };
    match place {
        Some(place) => recent::place(gardens, common.site.as_deref(), place, wanted),
        None => site_of(gardens, common.site.as_deref()),
    }
}

/// The time of an entry; without `--at` that of the one that it puts right, `wrong`, else
/// now.
fn entry_time(
    gardens: &[Garden],
    site: &Id,
    common: &Common,
    wrong: Option<Timestamp>,
    now: Timestamp,
) -> Result<Timestamp, String> {
    let at = at_or_now(gardens, site, common.at.as_deref(), wrong.unwrap_or(now))?;
    log_entry::check_time(at, now).map_err(|why| format!("--at {at} {why}"))?;
    Ok(at)
}

/// The entry of a job, at the place that the garden's file gives it.
fn job_entry(
    gardens: &[Garden],
    job: &str,
    common: &Common,
    at: Option<Timestamp>,
    now: Timestamp,
) -> Result<LogEntry, String> {
    let own = |garden: &&Garden| common.site.as_ref().is_none_or(|site| garden.site.id.as_str() == *site);
    let found: Vec<(&Garden, &Job)> = gardens
        .iter()
        .filter(own)
        .flat_map(|garden| garden.jobs.iter().map(move |job| (garden, job)))
        .filter(|(_, it)| it.is_called(job))
        .collect();
    match found.as_slice() {
        [(garden, found)] => {
            let at = entry_time(gardens, &garden.site.id, common, at, now)?;
            let what = LogEvent::JobDone { job: found.name.clone() };
            let note = common.note.trim().to_owned();
            Ok(LogEntry { site: garden.site.id.clone(), place: found.place.clone(), at, what, note })
        }
        [] => {
            let known: Vec<&str> = gardens
                .iter()
                .filter(own)
                .flat_map(|garden| garden.jobs.iter().map(|job| job.name.as_str()))
                .collect();
            Err(match known.as_slice() {
                [] => format!("no job is called {job:?}: the garden's file has no [[job]]"),
                known => format!("no job is called {job:?}; the jobs are: {}", known.join(", ")),
            })
        }
        _ => Err(format!("several gardens have a job {job:?}; say which with --site")),
    }
}

fn list(settings: &Settings, listing: &Listing, json: bool, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let Listing { place, site, from, to, struck } = listing;
    let (place, site, struck) = (place.as_deref(), site.as_deref(), *struck);
    let (from, to) = span(&settings.gardens, site, from.as_deref(), to.as_deref())?;
    let (from, to) = (from.unwrap_or(Timestamp::MIN), to.unwrap_or(Timestamp::MAX));
    let mut rows = reader(settings)?.whole_log(from, to).context("reading the log")?;
    rows.retain(|row| {
        site.is_none_or(|site| row.entry.site.as_str() == site)
            && place.is_none_or(|place| row.entry.place.as_ref().is_some_and(|p| p.as_str() == place))
    });
    let all = rows.len();
    rows.retain(|row| struck || row.struck.is_none());
    let left_out = all - rows.len();
    if json {
        print_json(&rows.iter().map(as_json).collect::<Vec<_>>(), out)?;
    } else if rows.is_empty() {
        writeln!(out, "The log holds nothing of that.")?;
    } else {
        for row in &rows {
            writeln!(out, "{}", numbered(&settings.gardens, row))?;
        }
    }
    if left_out > 0 && !json {
        let entries = spoken::counted(left_out, "struck entry is", "struck entries are");
        writeln!(out, "{entries} left out; --struck shows them.")?;
    }
    Ok(Exit::Yes)
}

fn line(gardens: &[Garden], entry: &LogEntry) -> String {
    let garden = garden_of(gardens, &entry.site);
    let zone = zone_of(garden);
    let place = entry.place.as_ref().map_or_else(String::new, |id| format!("{}: ", place_name(garden, id)));
    let note = if entry.note.is_empty() { String::new() } else { format!(" ({})", safe(&entry.note)) };
    let line = format!("{}: {place}{}{note}", labels::full_moment(entry.at, &zone), entry.what.words());
    garden.map(Garden::local_text).unwrap_or_default().text(&line).into_owned()
}

/// An entry with its number, and that it was struck.
fn numbered(gardens: &[Garden], row: &LogRow) -> String {
    let line = format!("{}. {}", row.seq, line(gardens, &row.entry));
    match &row.struck {
        None => line,
        Some(Strike { corrected_by: Some(by), .. }) => format!("{line} [struck: put right by {by}]"),
        Some(Strike { why, .. }) => format!("{line} [struck: {}]", safe(why)),
    }
}

fn as_json(row: &LogRow) -> serde_json::Value {
    let entry = &row.entry;
    let numbers: serde_json::Map<String, serde_json::Value> =
        entry.what.numbers().into_iter().map(|(name, number)| (name.to_owned(), number.into())).collect();
    let named = |wanted: &str| entry.what.named().filter(|(name, _)| *name == wanted).map(|(_, value)| value);
    let struck = row.struck.as_ref().map(|strike| {
        serde_json::json!({
            "written_at": strike.written_at.to_string(), "why": strike.why, "corrected_by": strike.corrected_by,
        })
    });
    serde_json::json!({
        "number": row.seq, "at": entry.at.to_string(), "written_at": row.written_at.to_string(), "site": entry.site.as_str(),
        "place": entry.place.as_ref().map(Id::as_str), "kind": entry.what.name(), "values": numbers,
        "crop": named("crop"), "job": named("job"), "note": entry.note, "corrects": row.corrects, "struck": struck,
    })
}

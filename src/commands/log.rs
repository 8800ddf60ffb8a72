//! `trug log`: what people saw or did, written into the record.

use std::io::Write;

use anyhow::Context as _;
use clap::error::ErrorKind;
use clap::{Arg, ArgMatches, Args, Command, FromArgMatches, Subcommand, value_parser};
use jiff::Timestamp;

use super::exit::{Exit, WrongInput};
use super::shared::{at_or_now, garden_of, place_name, print_json, reader, safe, site_of, span, zone_of};
use crate::engine::recent;
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::log_entry::{self, About, EntryKind, KINDS, NumberField};
use crate::garden::plan::Garden;
use crate::model::Id;
use crate::settings::Settings;
use crate::store::{LogRow, write_log};
use crate::text::labels;

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
}

/// What is asked of the log. Its subcommands are made from the kinds of entries.
#[derive(Clone, Debug)]
pub enum LogRequest {
    Write { kind: &'static EntryKind, place: Option<String>, given: Given, common: Common },
    List(Listing),
}

/// The values of an entry as they were typed.
#[derive(Clone, Debug)]
pub struct Given {
    numbers: Vec<(&'static NumberField, f64)>,
    crop: Option<String>,
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
    match kind.how_to {
        Some(how_to) => command.after_help(how_to),
        None => command,
    }
}

impl Subcommand for LogRequest {
    fn augment_subcommands(command: Command) -> Command {
        let mut kinds: Vec<&EntryKind> = KINDS.iter().collect();
        kinds.sort_by_key(|kind| kind.help_rank);
        command
            .subcommands(kinds.into_iter().map(subcommand))
            .subcommand(Listing::augment_args(Command::new("list")).about("What is in the log"))
    }

    fn augment_subcommands_for_update(command: Command) -> Command {
        Self::augment_subcommands(command)
    }

    fn has_subcommand(name: &str) -> bool {
        name == "list" || log_entry::kind(name).is_some()
    }
}

impl FromArgMatches for LogRequest {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let missing =
            || clap::Error::raw(ErrorKind::MissingSubcommand, "what is to be written down is missing");
        let (name, own) = matches.subcommand().ok_or_else(missing)?;
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
        Ok(Self::Write {
            kind,
            place: own.get_one(place_argument(kind).0).cloned(),
            given: Given { numbers: kind.numbers.iter().filter_map(number).collect(), crop },
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
    if let Some(crop) = &given.crop {
        log_entry::check_crop(crop).map_err(|why| format!("--crop {crop:?} {why}"))?;
    }
    if kind.note_needed && common.note.trim().is_empty() {
        return Err("a note needs words: --note TEXT".to_owned());
    }
    log_entry::check_note(&common.note)?;
    let number =
        |name: &str| given.numbers.iter().find(|(field, _)| field.name == name).map(|(_, value)| *value);
    log_entry::event(kind, number, given.crop).ok_or_else(|| format!("a {} needs its number", kind.name))
}

/// Writes an entry down, or lists what is there.
///
/// # Errors
/// When the store cannot be read or written, or [`WrongInput`].
pub fn run(settings: &Settings, it: LogArgs, now: Timestamp, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let LogArgs { request, json } = it;
    let (kind, place, given, common) = match request {
        LogRequest::List(listing) => return list(settings, &listing, json, out),
        LogRequest::Write { kind, place, given, common } => (kind, place, given, common),
    };
    let written = checked(kind, given, &common).and_then(|what| {
        let (site, at) = site_and_time(&settings.gardens, kind, place.as_deref(), &common, now)?;
        let note = common.note.trim().to_owned();
        Ok(LogEntry { site, place: place.as_deref().map(Id::new), at, what, note })
    });
    let written = written.map_err(WrongInput::new)?;
    write_log(&settings.store.path, &written, now).context("writing the log")?;
    let row = LogRow { seq: 0, written_at: now, entry: written };
    if json {
        print_json(&as_json(&row), out)?;
    } else {
        writeln!(out, "Written down: {}", line(&settings.gardens, &row.entry))?;
        if let Some(meaning) = log_entry::meaning(&row.entry.what) {
            writeln!(out, "{meaning}")?;
        }
    }
    Ok(Exit::Yes)
}

/// Finds the garden and the time of an entry.
fn site_and_time(
    gardens: &[Garden],
    kind: &EntryKind,
    place: Option<&str>,
    common: &Common,
    now: Timestamp,
) -> Result<(Id, Timestamp), String> {
    let wanted = match kind.about {
        About::Bed | About::BedOrGarden => recent::PlaceWanted::Bed,
        About::Tank => recent::PlaceWanted::Tank,
        About::Sensor => recent::PlaceWanted::Sensor,
        About::Any => recent::PlaceWanted::Any,
    };
    let site = match place {
        Some(place) => recent::place(gardens, common.site.as_deref(), place, wanted)?,
        None => site_of(gardens, common.site.as_deref())?,
    };
    let at = at_or_now(gardens, &site, common.at.as_deref(), now)?;
    log_entry::check_time(at, now).map_err(|why| format!("--at {at} {why}"))?;
    Ok((site, at))
}

fn list(settings: &Settings, listing: &Listing, json: bool, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let Listing { place, site, from, to } = listing;
    let (place, site) = (place.as_deref(), site.as_deref());
    let (from, to) = span(&settings.gardens, site, from.as_deref(), to.as_deref())?;
    let mut rows = reader(settings)?.log(0).context("reading the log")?;
    rows.retain(|row| {
        site.is_none_or(|site| row.entry.site.as_str() == site)
            && place.is_none_or(|place| row.entry.place.as_ref().is_some_and(|p| p.as_str() == place))
            && from.is_none_or(|from| row.entry.at >= from)
            && to.is_none_or(|to| row.entry.at < to)
    });
    rows.sort_by_key(|row| row.entry.at);
    if json {
        print_json(&rows.iter().map(as_json).collect::<Vec<_>>(), out)?;
    } else if rows.is_empty() {
        writeln!(out, "The log holds nothing of that.")?;
    } else {
        for row in &rows {
            writeln!(out, "{}", line(&settings.gardens, &row.entry))?;
        }
    }
    Ok(Exit::Yes)
}

fn line(gardens: &[Garden], entry: &LogEntry) -> String {
    let garden = garden_of(gardens, &entry.site);
    let zone = zone_of(garden);
    let place = entry.place.as_ref().map_or_else(String::new, |id| format!("{}: ", place_name(garden, id)));
    let note = if entry.note.is_empty() { String::new() } else { format!(" ({})", safe(&entry.note)) };
    format!("{}: {place}{}{note}", labels::full_moment(entry.at, &zone), entry.what.words())
}

fn as_json(row: &LogRow) -> serde_json::Value {
    let entry = &row.entry;
    let numbers: serde_json::Map<String, serde_json::Value> =
        entry.what.numbers().into_iter().map(|(name, number)| (name.to_owned(), number.into())).collect();
    let crop = match &entry.what {
        LogEvent::Planted { crop } => crop.clone(),
        _ => None,
    };
    serde_json::json!({
        "at": entry.at.to_string(), "written_at": row.written_at.to_string(), "site": entry.site.as_str(),
        "place": entry.place.as_ref().map(Id::as_str), "kind": entry.what.name(), "values": numbers, "crop": crop,
        "note": entry.note,
    })
}

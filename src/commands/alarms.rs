//! `trug alarms`: the alarms that are open, or what happened in a span of time.

use std::io::Write;

use anyhow::Context as _;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::answer::Reply;
use super::exit::Exit;
use super::figures;
use super::local_out::LocalWriter;
use super::shared::{garden_of, place_name, print_json, safe, span, zone_of};
use crate::alarms::{AlarmKey, AlarmNote};
use crate::engine::{AlarmJson, recent, system_now};
use crate::garden::plan::{Garden, shared_zone};
use crate::garden::view::PendingAlarm;
use crate::model::Id;
use crate::store::{AlarmRow, Reader};
use crate::telling::{first_told, pending_words};
use crate::text::labels;

/// What the command line says.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct AlarmsArgs {
    /// One garden only
    #[arg(long, value_name = "ID")]
    pub site: Option<String>,
    /// From here: a date or a date and time on the garden's clock, or RFC 3339
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// To here
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// How the alarms do, beside the standard's targets; of the last thirty days without --from
    #[arg(long)]
    pub figures: bool,
    #[command(subcommand)]
    pub reply: Option<Reply>,
    #[arg(from_global)]
    pub json: bool,
}

/// Lists the alarms that are open; with a span of time, their history; or how they do.
///
/// # Errors
/// When the store cannot be read or `out` cannot be written, or
/// [`WrongInput`](super::exit::WrongInput).
pub fn run(
    reader: &Reader,
    gardens: &[Garden],
    it: &AlarmsArgs,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let site = it.site.as_deref();
    let out: &mut dyn Write = &mut LocalWriter::new(out, it.json, gardens, site);
    let (from, to) = span(gardens, site, it.from.as_deref(), it.to.as_deref())?;
    if it.figures {
        return figures::run(reader, gardens, site, (from, to), it.json, out);
    }
    let listed_present = from.is_none() && to.is_none();
    let mut pending = PendingList::default();
    let (changes, notes) = if listed_present {
        let mut alarms = reader.alarms_present().context("reading the alarms")?;
        alarms.retain(|alarm| site.is_none_or(|site| alarm.record.key.site.as_str() == site));
        pending = look_at_now(reader, gardens, site, &mut alarms)?;
        let first = alarms.iter().map(|alarm| alarm.record.since).min().unwrap_or(Timestamp::MAX);
        let mut notes = reader.notes(first, Timestamp::MAX, site).context("reading the notes")?;
        notes.retain(|note| alarms.iter().any(|alarm| note.is_of(&alarm.record)));
        (alarms, notes)
    } else {
        let (from, to) = (from.unwrap_or(Timestamp::MIN), to.unwrap_or(Timestamp::MAX));
        let changes = reader.alarm_changes(from, to, site).context("reading the history of alarms")?;
        (changes, reader.notes(from, to, site).context("reading the notes")?)
    };
    if it.json {
        json(gardens, &changes, &notes, &pending, out)?;
    } else if listed_present {
        present(reader, gardens, &changes, &notes, out)?;
        pending.write(gardens, out)?;
    } else {
        history(gardens, &changes, &notes, out)?;
    }
    Ok(Exit::Yes)
}

/// Gardens that are looked at for what is pending and for the words of now, so that the
/// command stays quick; of more of them one is named with `--site`.
const LOOKED_AT_MAX: usize = 20;

/// What holds and is no alarm yet, by garden.
#[derive(Default)]
struct PendingList {
    /// The garden's number, its latest time, and what is pending there.
    sites: Vec<(usize, Timestamp, Vec<PendingAlarm>)>,
    /// The gardens were too many to be looked at.
    not_looked: bool,
}

/// Looks at how the gardens stand by their last readings: gives alarms that still hold
/// the words of now (the stored ones are of their last step), and returns what is pending.
fn look_at_now(
    reader: &Reader,
    gardens: &[Garden],
    site: Option<&str>,
    alarms: &mut [AlarmRow],
) -> anyhow::Result<PendingList> {
    let wanted = |garden: &Garden| site.is_none_or(|site| garden.site.id.as_str() == site);
    let of: Vec<usize> = (0..gardens.len()).filter(|&number| wanted(&gardens[number])).collect();
    if of.len() > LOOKED_AT_MAX {
        return Ok(PendingList { sites: Vec::new(), not_looked: true });
    }
    let Some((_, last)) = reader.known_span().context("reading the latest time")? else {
        return Ok(PendingList::default());
    };
    let now = last.min(system_now());
    let mut sites = Vec::new();
    for number in of {
        let garden = &gardens[number];
        let core = recent::core_of(reader, gardens, &garden.site.id, now)?;
        let here = alarms.iter_mut().filter(|alarm| alarm.record.key.site == garden.site.id);
        for alarm in here.filter(|alarm| alarm.record.state.is_active()) {
            if let Some(standing) = core.snapshot(&alarm.record.key)
                && (standing.state, standing.since) == (alarm.record.state, alarm.record.since)
            {
                alarm.record.said = standing.said;
            }
        }
        let Some(view) = core.view(garden.site.id.as_str()) else { continue };
        let stands = |it: &PendingAlarm| alarms.iter().any(|alarm| alarm.record.key == it.key);
        let pending: Vec<_> = view.pending.into_iter().filter(|it| !stands(it)).collect();
        if !pending.is_empty() {
            sites.push((number, view.now, pending));
        }
    }
    Ok(PendingList { sites, not_looked: false })
}

impl PendingList {
    fn write(&self, gardens: &[Garden], out: &mut dyn Write) -> anyhow::Result<()> {
        if self.not_looked {
            writeln!(
                out,
                "\nWhat is not an alarm yet is listed for up to {LOOKED_AT_MAX} gardens: name one with --site."
            )?;
        }
        for (number, now, pending) in &self.sites {
            let garden = &gardens[*number];
            let as_of = labels::full_moment(*now, &garden.site.time_zone);
            let out: &mut dyn Write = &mut LocalWriter::of_garden(out, Some(garden));
            writeln!(out, "\nNot alarms yet at {}, by the readings until {as_of}:", garden.site.name)?;
            for it in pending {
                paragraph(&pending_words(garden, it, *now), out)?;
            }
        }
        Ok(())
    }

    /// As objects of the list: they have `pending_since` and `due`, and no `state`.
    fn json<'a>(&'a self, gardens: &'a [Garden]) -> impl Iterator<Item = ListedChange<'a>> {
        self.sites.iter().flat_map(move |(number, now, pending)| {
            let garden = &gardens[*number];
            pending.iter().map(move |it| {
                ListedChange::Pending(ListedPending {
                    kind: it.key.kind.name(),
                    site: it.key.site.as_str(),
                    place: it.key.place.as_str(),
                    priority: it.priority.name(),
                    pending_since: it.since.to_string(),
                    due: it.due.to_string(),
                    told_at: first_told(garden, &it.key, it.due.max(*now)).map(|at| at.to_string()),
                    text: pending_words(garden, it, *now),
                })
            })
        })
    }
}

fn present(
    reader: &Reader,
    gardens: &[Garden],
    alarms: &[AlarmRow],
    notes: &[AlarmNote],
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    if alarms.is_empty() {
        // No alarm says little where nothing was judged; the last time says how much.
        match reader.latest_at().context("reading the latest reading")? {
            Some(at) => {
                let zone = shared_zone(gardens, None).unwrap_or_default().unwrap_or(TimeZone::UTC);
                writeln!(
                    out,
                    "No alarm is open. The latest reading is of {}.",
                    labels::full_moment(at, &zone)
                )?;
            }
            None => writeln!(out, "No reading is stored yet, so nothing has been judged.")?,
        }
        return Ok(());
    }
    let mut site: Option<&Id> = None;
    for alarm in alarms {
        heading(&mut site, gardens, alarm, out)?;
        let record = &alarm.record;
        let garden = garden_of(gardens, &record.key.site);
        let out: &mut dyn Write = &mut LocalWriter::of_garden(out, garden);
        let place = place_name(garden, &record.key.place);
        writeln!(out, "\n{} at {place}", labels::kind(record.key.kind))?;
        paragraph(&record.said.text, out)?;
        paragraph(labels::state(record.state), out)?;
        let zone = zone_of(garden);
        paragraph(&format!("Since {}.", labels::full_moment(record.since, &zone)), out)?;
        told_and_source(alarm, out)?;
        for note in notes.iter().filter(|note| note.key == record.key) {
            let at = labels::full_moment(note.at, &zone);
            paragraph(&format!("Note of {at}, {}: {}", labels::how(&note.how), note.note), out)?;
        }
        let (kind, place) = (record.key.kind.name(), &record.key.place);
        paragraph(&format!("Name for commands: {kind}/{place}"), out)?;
    }
    Ok(())
}

/// What happened: a step, or a note that came without one.
enum HistoryItem<'a> {
    Step(&'a AlarmRow, Option<&'a AlarmNote>),
    Note(&'a AlarmNote),
}

/// Steps with the notes that came with them, and the other notes, in order of time.
fn in_order<'a>(changes: &'a [AlarmRow], notes: &'a [AlarmNote]) -> Vec<HistoryItem<'a>> {
    let with = |change: &AlarmRow, note: &AlarmNote| {
        change.how.is_some() && change.record.key == note.key && change.record.at == note.at
    };
    let mut all: Vec<HistoryItem<'_>> = changes
        .iter()
        .map(|change| HistoryItem::Step(change, notes.iter().find(|note| with(change, note))))
        .collect();
    let taken = |note: &AlarmNote| {
        all.iter().any(|it| matches!(it, HistoryItem::Step(_, Some(taken)) if std::ptr::eq(*taken, note)))
    };
    let alone: Vec<_> = notes.iter().filter(|note| !taken(note)).map(HistoryItem::Note).collect();
    all.extend(alone);
    // Of one moment the steps come first: the order is kept.
    all.sort_by_key(|it| match it {
        HistoryItem::Step(change, _) => change.record.at,
        HistoryItem::Note(note) => note.at,
    });
    all
}

fn history(
    gardens: &[Garden],
    changes: &[AlarmRow],
    notes: &[AlarmNote],
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    if changes.is_empty() && notes.is_empty() {
        writeln!(out, "No alarm changed in that time.")?;
    }
    for happened in in_order(changes, notes) {
        let (key, at) = match happened {
            HistoryItem::Step(change, _) => (&change.record.key, change.record.at),
            HistoryItem::Note(note) => (&note.key, note.at),
        };
        let garden = garden_of(gardens, &key.site);
        let out: &mut dyn Write = &mut LocalWriter::of_garden(out, garden);
        let zone = zone_of(garden);
        writeln!(
            out,
            "{}: {}, {}: {}",
            labels::full_moment(at, &zone),
            site_name(garden, &key.site),
            place_name(garden, &key.place),
            labels::kind(key.kind),
        )?;
        let (change, note) = match happened {
            HistoryItem::Step(change, note) => (change, note),
            HistoryItem::Note(note) => {
                let since = labels::full_moment(note.since, &zone);
                paragraph(
                    &format!("Note, {}, on what began {since}: {}", labels::how(&note.how), note.note),
                    out,
                )?;
                continue;
            }
        };
        let record = &change.record;
        let from = change.from.map_or("not known", |state| state.name());
        paragraph(&format!("From {from} to {}. {}", record.state.name(), labels::state(record.state)), out)?;
        if let Some(how) = &change.how {
            let until = record.shelf.map_or_else(String::new, |(until, _)| {
                format!(", until {}", labels::full_moment(until, &zone))
            });
            paragraph(&format!("Somebody answered {}{until}.", labels::how(how)), out)?;
        }
        if let Some(note) = note {
            paragraph(&format!("Note: {}", note.note), out)?;
        }
        paragraph(&record.said.text, out)?;
        told_and_source(change, out)?;
    }
    Ok(())
}

fn heading<'a>(
    site: &mut Option<&'a Id>,
    gardens: &[Garden],
    alarm: &'a AlarmRow,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let here = &alarm.record.key.site;
    if *site != Some(here) {
        if site.is_some() {
            writeln!(out)?;
        }
        writeln!(out, "{}", site_name(garden_of(gardens, here), here))?;
        *site = Some(here);
    }
    Ok(())
}

fn told_and_source(alarm: &AlarmRow, out: &mut dyn Write) -> anyhow::Result<()> {
    let told = if alarm.tell.is_empty() { "nobody".to_owned() } else { alarm.tell.join(", ") };
    paragraph(&format!("For: {told}. Rule: {}.", alarm.record.said.source), out)
}

/// An indented line; its text may come from a file.
fn paragraph(text: &str, out: &mut dyn Write) -> anyhow::Result<()> {
    Ok(writeln!(out, "  {}", safe(text))?)
}

fn site_name(garden: Option<&Garden>, site: &Id) -> String {
    garden.map_or_else(|| site.to_string(), |garden| garden.site.name.clone())
}

/// A note that came without a step, as JSON.
#[derive(serde::Serialize)]
struct ListedNote<'a> {
    kind: &'a str,
    site: &'a str,
    place: &'a str,
    since: String,
    at: String,
    how: &'a str,
    note: &'a str,
}

/// A condition that is no alarm yet, as JSON.
#[derive(serde::Serialize)]
struct ListedPending<'a> {
    kind: &'a str,
    site: &'a str,
    place: &'a str,
    priority: &'a str,
    pending_since: String,
    due: String,
    /// `null`: nobody is told of it.
    told_at: Option<String>,
    text: String,
}

/// An object of the list: neither a note alone nor what is pending has a `state`.
#[derive(serde::Serialize)]
#[serde(untagged)]
enum ListedChange<'a> {
    Alarm(Box<AlarmJson<'a>>),
    Note(ListedNote<'a>),
    Pending(ListedPending<'a>),
}

fn json(
    gardens: &[Garden],
    alarms: &[AlarmRow],
    notes: &[AlarmNote],
    pending: &PendingList,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let priority = |alarm: &AlarmRow| {
        let AlarmKey { site, kind, place } = &alarm.record.key;
        garden_of(gardens, site).map_or(kind.priority(), |garden| garden.priority_at(*kind, place))
    };
    let listed: Vec<_> = in_order(alarms, notes)
        .into_iter()
        .map(|happened| match happened {
            HistoryItem::Step(change, note) => {
                let note = note.map(|note| note.note.as_str());
                ListedChange::Alarm(Box::new(AlarmJson::of_row(change, priority(change), note)))
            }
            HistoryItem::Note(it) => ListedChange::Note(ListedNote {
                kind: it.key.kind.name(),
                site: it.key.site.as_str(),
                place: it.key.place.as_str(),
                since: it.since.to_string(),
                at: it.at.to_string(),
                how: &it.how,
                note: &it.note,
            }),
        })
        .chain(pending.json(gardens))
        .collect();
    print_json(&listed, out)
}

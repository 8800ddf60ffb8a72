//! `trug alarms`: the alarms that are open, or what happened in a span of time.

use std::io::Write;

use anyhow::Context as _;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::alarms::{AlarmKey, AlarmNote};
use crate::engine::Published;
use crate::garden::plan;
use crate::garden::plan::Garden;
use crate::garden::plan::place_called;
use crate::model::Id;
use crate::store::{AlarmRecord, Reader};
use crate::text::labels;
use crate::text::times;
use crate::text::times::End;

/// What to list.
#[derive(Clone, Debug, Default)]
pub struct Alarms {
    pub site: Option<String>,
    /// With either of these the history is listed, else the present.
    pub from: Option<String>,
    pub to: Option<String>,
    /// How the alarms do, in the place of a list.
    pub figures: bool,
    pub json: bool,
}

/// Exit code: it did it.
const DONE: u8 = 0;
/// Exit code: the request is wrong.
const WRONG_INPUT: u8 = 2;

/// Lists alarms. The exit code is 0, or 2 where the request is wrong.
///
/// # Errors
///
/// When the store cannot be read or `out` cannot be written (exit code 3).
pub fn run(reader: &Reader, gardens: &[Garden], it: &Alarms, out: &mut dyn Write) -> anyhow::Result<u8> {
    if it.figures {
        return super::figures::run(reader, gardens, it, out);
    }
    let zone = match plan::shared_zone(gardens, it.site.as_deref()) {
        Ok(zone) => zone,
        Err(why) => return wrong(&why, out),
    };
    let site = it.site.as_deref();
    if it.from.is_none() && it.to.is_none() {
        let mut alarms = reader.alarms_present().context("reading the alarms")?;
        alarms.retain(|alarm| site.is_none_or(|site| alarm.key.site.as_str() == site));
        let first = alarms.iter().map(|alarm| alarm.since).min().unwrap_or(Timestamp::MAX);
        let mut notes = reader.notes(first, Timestamp::MAX, site).context("reading the notes")?;
        notes.retain(|note| alarms.iter().any(|alarm| alarm.key == note.key && alarm.since == note.since));
        if it.json {
            return json(gardens, &alarms, &notes, out);
        }
        return present(reader, gardens, &alarms, &notes, out);
    }
    let moment = |text: &Option<String>, end, open| match text {
        Some(text) => times::moment(text, zone.as_ref(), end),
        None => Ok(open),
    };
    let (from, to) =
        match (moment(&it.from, End::From, Timestamp::MIN), moment(&it.to, End::To, Timestamp::MAX)) {
            (Ok(from), Ok(to)) => (from, to),
            (Err(why), _) | (_, Err(why)) => return wrong(&why, out),
        };
    let changes = reader.alarm_changes(from, to, site).context("reading the history of alarms")?;
    let notes = reader.notes(from, to, site).context("reading the notes")?;
    if it.json {
        return json(gardens, &changes, &notes, out);
    }
    history(gardens, &changes, &notes, out)
}

fn wrong(why: &str, out: &mut dyn Write) -> anyhow::Result<u8> {
    writeln!(out, "{why}")?;
    Ok(WRONG_INPUT)
}

fn present(
    reader: &Reader,
    gardens: &[Garden],
    alarms: &[AlarmRecord],
    notes: &[AlarmNote],
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    if alarms.is_empty() {
        // No alarm says little where nothing was judged; the last time says how much.
        match reader.latest_at().context("reading the latest reading")? {
            Some(at) => {
                let zone = plan::shared_zone(gardens, None).unwrap_or_default().unwrap_or(TimeZone::UTC);
                writeln!(
                    out,
                    "No alarm is open. The latest reading is of {}.",
                    labels::full_moment(at, &zone)
                )?;
            }
            None => writeln!(out, "No reading is stored yet, so nothing has been judged.")?,
        }
        return Ok(DONE);
    }
    let mut site: Option<&Id> = None;
    for alarm in alarms {
        heading(&mut site, gardens, alarm, out)?;
        writeln!(out, "\n{} at {}", labels::kind(alarm.key.kind), place(gardens, &alarm.key))?;
        paragraph(&alarm.text, out)?;
        paragraph(labels::state(alarm.state), out)?;
        let zone = zone_of(gardens, &alarm.key.site);
        paragraph(&format!("Since {}.", labels::full_moment(alarm.since, &zone)), out)?;
        told_and_source(alarm, out)?;
        for note in notes.iter().filter(|note| note.key == alarm.key) {
            let at = labels::full_moment(note.at, &zone);
            paragraph(&format!("Note of {at}, {}: {}", labels::how(&note.how), note.note), out)?;
        }
        let (kind, place) = (alarm.key.kind.name(), &alarm.key.place);
        paragraph(&format!("Name for commands: {kind}/{place}"), out)?;
    }
    Ok(DONE)
}

/// What happened: a step, or a note that came without one.
enum Happened<'a> {
    Step(&'a AlarmRecord, Option<&'a AlarmNote>),
    Note(&'a AlarmNote),
}

/// Steps with the notes that came with them, and the other notes, in order of time.
fn in_order<'a>(changes: &'a [AlarmRecord], notes: &'a [AlarmNote]) -> Vec<Happened<'a>> {
    let with = |change: &AlarmRecord, note: &AlarmNote| {
        change.how.is_some() && change.key == note.key && change.at == note.at
    };
    let mut all: Vec<Happened<'_>> = changes
        .iter()
        .map(|change| Happened::Step(change, notes.iter().find(|note| with(change, note))))
        .collect();
    let taken = |note: &AlarmNote| {
        all.iter().any(|it| matches!(it, Happened::Step(_, Some(taken)) if std::ptr::eq(*taken, note)))
    };
    let alone: Vec<_> = notes.iter().filter(|note| !taken(note)).map(Happened::Note).collect();
    all.extend(alone);
    // Of one moment the steps come first: the order is kept.
    all.sort_by_key(|it| match it {
        Happened::Step(change, _) => change.at,
        Happened::Note(note) => note.at,
    });
    all
}

fn history(
    gardens: &[Garden],
    changes: &[AlarmRecord],
    notes: &[AlarmNote],
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    if changes.is_empty() && notes.is_empty() {
        writeln!(out, "No alarm changed in that time.")?;
    }
    for happened in in_order(changes, notes) {
        let (key, at) = match happened {
            Happened::Step(change, _) => (&change.key, change.at),
            Happened::Note(note) => (&note.key, note.at),
        };
        let zone = zone_of(gardens, &key.site);
        writeln!(
            out,
            "{}: {}, {}: {}",
            labels::full_moment(at, &zone),
            site_name(gardens, &key.site),
            place(gardens, key),
            labels::kind(key.kind),
        )?;
        let (change, note) = match happened {
            Happened::Step(change, note) => (change, note),
            Happened::Note(note) => {
                let since = labels::full_moment(note.since, &zone);
                paragraph(
                    &format!("Note, {}, on what began {since}: {}", labels::how(&note.how), note.note),
                    out,
                )?;
                continue;
            }
        };
        let from = change.from.map_or("not known", |state| state.name());
        paragraph(&format!("From {from} to {}. {}", change.state.name(), labels::state(change.state)), out)?;
        if let Some(how) = &change.how {
            let until = change.shelf.map_or_else(String::new, |(until, _)| {
                format!(", until {}", labels::full_moment(until, &zone))
            });
            paragraph(&format!("Somebody answered {}{until}.", labels::how(how)), out)?;
        }
        if let Some(note) = note {
            paragraph(&format!("Note: {}", note.note), out)?;
        }
        paragraph(&change.text, out)?;
        told_and_source(change, out)?;
    }
    Ok(DONE)
}

fn heading<'a>(
    site: &mut Option<&'a Id>,
    gardens: &[Garden],
    alarm: &'a AlarmRecord,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    if *site != Some(&alarm.key.site) {
        if site.is_some() {
            writeln!(out)?;
        }
        writeln!(out, "{}", site_name(gardens, &alarm.key.site))?;
        *site = Some(&alarm.key.site);
    }
    Ok(())
}

fn told_and_source(alarm: &AlarmRecord, out: &mut dyn Write) -> anyhow::Result<()> {
    let told = if alarm.tell.is_empty() { "nobody".to_owned() } else { alarm.tell.join(", ") };
    paragraph(&format!("For: {told}. Rule: {}.", alarm.source), out)
}

/// An indented line. The text came from a file, so what could play with the
/// terminal is taken out.
fn paragraph(text: &str, out: &mut dyn Write) -> anyhow::Result<()> {
    let safe: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    Ok(writeln!(out, "  {safe}")?)
}

fn garden<'a>(gardens: &'a [Garden], site: &Id) -> Option<&'a Garden> {
    gardens.iter().find(|garden| garden.site.id == *site)
}

fn site_name(gardens: &[Garden], site: &Id) -> String {
    garden(gardens, site).map_or_else(|| site.to_string(), |garden| garden.site.name.clone())
}

/// The garden's clock; UTC, which its times then say, where the garden is no
/// longer configured.
fn zone_of(gardens: &[Garden], site: &Id) -> TimeZone {
    garden(gardens, site).map_or(TimeZone::UTC, |garden| garden.site.time_zone.clone())
}

/// The place as people say it.
fn place(gardens: &[Garden], key: &AlarmKey) -> String {
    garden(gardens, &key.site)
        .map_or_else(|| key.place.to_string(), |garden| place_called(garden, &key.place))
}

/// A note that came without a step, as JSON.
#[derive(serde::Serialize)]
struct Note<'a> {
    kind: &'a str,
    site: &'a str,
    place: &'a str,
    since: String,
    at: String,
    how: &'a str,
    note: &'a str,
}

/// An object of the list: a note alone has no `state`.
#[derive(serde::Serialize)]
#[serde(untagged)]
enum Listed<'a> {
    Alarm(Box<Published<'a>>),
    Note(Note<'a>),
}

fn json(
    gardens: &[Garden],
    alarms: &[AlarmRecord],
    notes: &[AlarmNote],
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    let priority = |alarm: &AlarmRecord| {
        let kind = alarm.key.kind;
        garden(gardens, &alarm.key.site).map_or(kind.priority(), |garden| garden.priority(kind))
    };
    let listed: Vec<_> = in_order(alarms, notes)
        .into_iter()
        .map(|happened| match happened {
            Happened::Step(change, note) => {
                let note = note.map(|note| note.note.as_str());
                Listed::Alarm(Box::new(Published::of_record(change, priority(change), note)))
            }
            Happened::Note(it) => Listed::Note(Note {
                kind: it.key.kind.name(),
                site: it.key.site.as_str(),
                place: it.key.place.as_str(),
                since: it.since.to_string(),
                at: it.at.to_string(),
                how: &it.how,
                note: &it.note,
            }),
        })
        .collect();
    writeln!(out, "{}", serde_json::to_string_pretty(&listed).context("writing JSON")?)?;
    Ok(DONE)
}

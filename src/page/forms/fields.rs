//! What was typed into the form of a log entry, checked field by field.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, TimeZone};

use super::{FormFields, units};
use crate::garden::log::LogEntry;
use crate::garden::log_entry::{self, About, EntryKind, NumberField};
use crate::garden::plan::Garden;
use crate::model::Id;
use crate::text::locale::Locale;

/// Bytes of a number that are read.
const NUMBER_MAX: usize = 40;

/// A fault of one field: the field's name in the form and what is wrong, as a sentence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct FieldFault {
    pub(super) field: String,
    pub(super) words: String,
}

/// An entry that is there, as its form would hold it.
pub(super) fn filled_in(entry: &LogEntry, zone: &TimeZone) -> Vec<(String, String)> {
    let mut fields = vec![
        ("place".to_owned(), entry.place.as_ref().map_or_else(String::new, ToString::to_string)),
        ("at".to_owned(), local(entry.at, zone)),
        ("offered".to_owned(), entry.at.to_string()),
        ("note".to_owned(), entry.note.clone()),
    ];
    fields
        .extend(entry.what.numbers().into_iter().map(|(name, number)| (name.to_owned(), number.to_string())));
    fields.extend(entry.what.named().map(|(name, value)| (name.to_owned(), value.to_owned())));
    fields
}

/// The whole garden, in the field for the place.
pub(super) const WHOLE: &str = "";

/// A local time as its field takes and returns it.
pub(in crate::page) fn local(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%dT%H:%M").to_string()
}

/// The entry that a form makes, or everything that is wrong with it, in the form's order.
pub(super) fn entry(
    kind: &EntryKind,
    form: &FormFields,
    garden: &Garden,
    now: Timestamp,
) -> Result<LogEntry, Vec<FieldFault>> {
    let mut faults = Vec::new();
    let mut fault = |field: &str, words: String| faults.push(FieldFault { field: field.to_owned(), words });
    let (place, named) = if kind.job {
        match garden.jobs.iter().find(|job| job.is_called(form.text("job"))) {
            Some(job) => (Some(job.place.clone()), Some(job.name.clone())),
            None => {
                fault("job", "Choose a job of the list.".to_owned());
                (None, None)
            }
        }
    } else {
        let place = place(kind.about, form.text("place"), garden).map_err(|why| fault("place", why)).ok();
        let crop = form.text("crop");
        (place, (kind.crop && !crop.is_empty()).then(|| crop.to_owned()))
    };

    let mut numbers: Vec<(&str, f64)> = Vec::new();
    let mut typed = 0;
    for number in kind.numbers {
        let text = form.text(number.name);
        typed += usize::from(!text.is_empty());
        match self::number(number, form, garden.site.locale) {
            Ok(value) => numbers.extend(value.map(|value| (number.name, value))),
            Err(why) => fault(number.name, why),
        }
    }
    if kind.one_needed.is_some() && typed == 0 {
        let first = kind.numbers.first().map_or("note", |number| number.name);
        fault(first, "Nothing was measured: fill in at least one of the values.".to_owned());
    }
    if let Err((field, why)) = log_entry::check_forms(|name| numbers.iter().any(|(it, _)| *it == name)) {
        fault(field, format!("Not both: {why}."));
    }
    if kind.one_only && typed > 1 {
        let first = kind.numbers.first().map_or("note", |number| number.name);
        fault(first, "Fill in one of the two: they say the same in two units.".to_owned());
    }
    if named.as_deref().is_some_and(|crop| kind.crop && log_entry::check_crop(crop).is_err()) {
        fault("crop", "That crop is not in the table: choose one of the list, or none.".to_owned());
    }
    let at = match moment(form, &garden.site.time_zone, now) {
        Ok(at) => log_entry::check_time(at, now)
            .map(|()| at)
            .map_err(|why| fault("at", format!("That time {why}.")))
            .ok(),
        Err(why) => {
            fault("at", why);
            None
        }
    };
    // A form's text has line ends of its own; the log keeps them as they are typed.
    let note = form.text("note").replace("\r\n", "\n");
    if let Err(why) = log_entry::check_note(&note) {
        fault("note", format!("That is {why}."));
    } else if note.chars().any(|c| c.is_control() && c != '\n' && c != '\t') {
        fault("note", "The note holds control characters: enter plain text.".to_owned());
    } else if kind.note_needed && note.is_empty() {
        let words = if kind.name == "note" {
            "A note needs words."
        } else {
            "Enter which they are, how many, and what was done."
        };
        fault("note", words.to_owned());
    }
    let number = |wanted: &str| numbers.iter().find(|(name, _)| *name == wanted).map(|(_, value)| *value);
    match (place, log_entry::event(kind, number, named), at) {
        (Some(place), Some(what), Some(at)) if faults.is_empty() => {
            Ok(LogEntry { site: garden.site.id.clone(), place, at, what, note })
        }
        _ => Err(faults),
    }
}

fn place(about: About, given: &str, garden: &Garden) -> Result<Option<Id>, String> {
    if given == WHOLE && about.fits_garden() {
        return Ok(None);
    }
    let word = match about {
        About::Bed | About::BedOrGarden => "a bed",
        About::Tank => "a tank",
        About::Sensor => "a sensor",
        About::Any | About::Job => "a place",
    };
    about
        .places(garden)
        .into_iter()
        .find(|(id, _)| id.as_str() == given)
        .map(|(id, _)| Some(id.clone()))
        .ok_or_else(|| format!("Choose {word} of the list."))
}

/// One number as people type it: with a point or a comma.
fn number(number: &NumberField, form: &FormFields, locale: Locale) -> Result<Option<f64>, String> {
    let (label, text) = (number.label, form.text(number.name));
    if text.is_empty() {
        return if number.needed { Err(format!("{label}: this number is needed.")) } else { Ok(None) };
    }
    let plain = text.len() <= NUMBER_MAX
        && text.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'.' | b',' | b'-' | b'+'));
    let value = plain.then(|| text.replace(',', ".").parse::<f64>().ok()).flatten();
    let Some(value) = value else {
        return Err(format!(
            "{label}: {:?} is not a number; {}.",
            crate::text::labels::shown(text, NUMBER_MAX),
            number.accepted()
        ));
    };
    let value = units::choice(number, locale).map_or(value, |unit| unit.to_log(number, form, value));
    let value = number.check(value).map_err(|accepted| format!("{label}: {accepted}."))?;
    if number.name == log_entry::MOLARITY.name {
        log_entry::check_molarity(value).map_err(|why| format!("{label}: {why}."))?;
    }
    Ok(Some(value))
}

/// The moment that the form names, on the garden's own clock. A time that the clock
/// skips or shows twice is told, never guessed.
fn moment(form: &FormFields, zone: &TimeZone, now: Timestamp) -> Result<Timestamp, String> {
    if form.text("when") == "now" {
        return Ok(now);
    }
    let text = form.text("at");
    // Left as it was offered: that very moment, also in an hour that comes twice.
    if let Ok(offered) = form.text("offered").parse::<Timestamp>()
        && text == local(offered, zone)
    {
        return Ok(offered);
    }
    let well_formed = text.len() <= 32 && text.contains(['T', ' ']);
    let Some(at) = well_formed.then(|| text.parse::<DateTime>().ok()).flatten() else {
        return Err("That is not a date and a time: enter it like 2026-04-17T15:30.".to_owned());
    };
    let ambiguous = zone.to_ambiguous_timestamp(at);
    let clock = at.strftime("%-I:%M %P");
    match ambiguous.offset() {
        AmbiguousOffset::Unambiguous { .. } => ambiguous.compatible(),
        AmbiguousOffset::Gap { .. } => {
            return Err(format!("There was no {clock} on that day: the clocks went forward over it."));
        }
        AmbiguousOffset::Fold { .. } => match form.text("turn") {
            "first" => ambiguous.earlier(),
            "second" => ambiguous.later(),
            _ => {
                return Err(format!(
                    "There were two times {clock} on that day, since the clocks went back: choose which."
                ));
            }
        },
    }
    .map_err(|_| "That time is beyond the calendar.".to_owned())
}

/// Whether the form's time comes twice, so that the form must ask which.
pub(super) fn comes_twice(form: &FormFields, zone: &TimeZone) -> bool {
    let at = form.text("at").parse::<DateTime>();
    at.is_ok_and(|at| matches!(zone.to_ambiguous_timestamp(at).offset(), AmbiguousOffset::Fold { .. }))
}

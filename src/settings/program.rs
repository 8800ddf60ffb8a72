//! `[[program]]`: what a watering timer does.

use super::document::Want;
use super::fault::nearest;
use super::hours::clock_time;
use super::sensor::Places;
use super::table::SettingsTable;
use super::text::{Names, own_name};
use super::value::SettingsItem;
use super::watering::method;
use crate::garden::plan::{Bed, Holiday, Program};
use crate::model::{LocalHours, WEEK, clock};
use crate::text::spoken;
use crate::watering::{ProgramDays, Timetable, WateringMethods, WateringRules};

const BEDS: &str = "a list of at least one bed of this file, [\"kitchen-bed\"], or \"all\"";
const DAYS: &str =
    "a list of at least one day of the week, [\"mon\", \"wed\", \"fri\"], or every_days = 2 with from";
const STARTS: &str = "a list of at least one time of the clock: [\"06:00\"]";
const DATE: &str = "a date: 2026-04-01";
/// Programs of one garden at most, and starts of one program.
const PROGRAMS_MAX: usize = 50;
const STARTS_MAX: usize = 24;
/// Longest run, minutes: half a day.
const MINUTES_MAX: u32 = 720;
/// Longest interval between two days.
const EVERY_DAYS_MAX: u32 = 60;

/// Reads all programs; `rules` are the site's.
pub(super) fn programs(
    tables: Vec<SettingsTable<'_>>,
    beds: &[Bed],
    places: &Places,
    rules: &WateringRules,
    holidays: &[Holiday],
) -> Vec<Program> {
    let mut names = Names::new("a name of its own for each program");
    let mut found: Vec<(Program, SettingsItem<'_>)> = Vec::new();
    let count = tables.len();
    for (at, table) in tables.into_iter().enumerate() {
        if at == PROGRAMS_MAX {
            table.fault("", format!("{count} programs"), format!("at most {PROGRAMS_MAX} in a garden"));
        }
        let name = own_name(&table, "name", "the program's name", &mut names);
        let watered = table.read("beds", Want::List, BEDS, |item| watered(item, places));
        let starts_item = table.need("starts", Want::List, STARTS);
        let timetable = timetable(&table, starts_item.as_ref(), holidays);
        let method = method(&table);
        table.finish();
        if let (Some(name), Some(beds), Some(timetable), Some(item)) = (name, watered, timetable, starts_item)
            && at < PROGRAMS_MAX
        {
            found.push((Program { name, beds, timetable, method }, item));
        }
    }
    for (at, (program, starts)) in found.iter().enumerate() {
        outside(program, starts, beds, places, rules);
        let earlier = found[..at].iter().map(|(other, _)| other);
        overlapping(program, earlier, starts);
    }
    found.into_iter().map(|(program, _)| program).collect()
}

/// The numbers of the beds that a program waters.
fn watered(item: &SettingsItem<'_>, places: &Places) -> Option<Vec<u16>> {
    let known = || places.beds.keys().map(String::as_str);
    let every = || {
        let mut all: Vec<u16> = places.beds.values().map(|bed| bed.at).collect();
        all.sort_unstable();
        if all.is_empty() { item.refused("at least one [[bed]] in this file") } else { Some(all) }
    };
    if item.value().as_str() == Some("all") {
        return every();
    }
    let parts = item.list_of(BEDS)?;
    if let [only] = parts.as_slice()
        && only.value().as_str() == Some("all")
        && !places.beds.contains_key("all")
    {
        return every();
    }
    let mut beds = item.list_all(BEDS, 1.., |part| {
        let id = part.text(BEDS)?;
        match places.beds.get(id) {
            Some(bed) => Some(bed.at),
            None => {
                part.faulty(part.given(), "the id of a bed of this file, or \"all\"", nearest(id, known()))
            }
        }
    })?;
    beds.sort_unstable();
    beds.dedup();
    Some(beds)
}

fn timetable(
    table: &SettingsTable<'_>,
    starts: Option<&SettingsItem<'_>>,
    holidays: &[Holiday],
) -> Option<Timetable> {
    let starts = starts.and_then(|item| {
        let mut starts = item.list_all(STARTS, 1..=STARTS_MAX, clock_time)?;
        starts.sort_unstable();
        starts.dedup();
        Some(starts)
    });
    let minutes = table.read("minutes", Want::Value, "how long each run takes, minutes", |item| {
        item.whole(1..=MINUTES_MAX, "minutes of one run")
    });
    let from = table.read_if("from", Want::Value, SettingsItem::date);
    let to = table.last_day(from);
    let days = days(table, from);
    let off = table.get("off_in_holidays", Want::Value);
    let off = match off.as_ref().map(|item| (item, item.boolean())) {
        Some((item, Some(true))) if holidays.is_empty() => {
            item.refused("true where this file has a [[holiday]] with from and to; else leave it out")
        }
        Some((_, Some(true))) => Some(holidays.iter().map(|holiday| (holiday.from, holiday.to)).collect()),
        Some((_, off)) => off.map(|_| Vec::new()),
        None => Some(Vec::new()),
    };
    Some(Timetable {
        days: days?,
        starts: starts?,
        minutes: u16::try_from(minutes?).ok()?,
        from: from?,
        to: to?,
        off: off?,
    })
}

/// The days of the week, or every so many days from a first one; `from` is `None` after
/// a fault.
#[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
fn days(table: &SettingsTable<'_>, from: Option<Option<jiff::civil::Date>>) -> Option<ProgramDays> {
    let week = table.get("days", Want::List);
    let every = table.get("every_days", Want::Value);
    match (week, every) {
        (Some(_), Some(every)) => every.faulty(
            format!("{} beside days", every.given()),
            "either days or every_days, not both",
            None,
        ),
        (Some(week), None) => week.marked(DAYS, WEEK).map(ProgramDays::Week),
        (None, Some(every)) => {
            let days = every.whole(1..=EVERY_DAYS_MAX, "days")?;
            match from? {
                Some(from) => Some(ProgramDays::Every { days: u16::try_from(days).ok()?, from }),
                None if days == 1 => Some(ProgramDays::Week([true; 7])),
                None => {
                    table.missing(
                        "from",
                        format!("a day on which it runs, from which every_days counts: {DATE}"),
                    );
                    None
                }
            }
        }
        (None, None) => table.lacks("days", DAYS),
    }
}

/// Notes each bed that the program waters outside its allowed hours. Where neither the
/// program nor the bed says how it waters, any way of its own that is allowed will do.
fn outside(program: &Program, item: &SettingsItem<'_>, beds: &[Bed], places: &Places, rules: &WateringRules) {
    let table = &program.timetable;
    let watered =
        |bed: &&Bed| places.beds.get(bed.id.as_str()).is_some_and(|place| program.beds.contains(&place.at));
    for bed in beds.iter().filter(watered) {
        let methods = program.method.or(bed.method);
        let methods = methods.map_or(WateringMethods::INSTALLED, WateringMethods::one);
        let hours = bed.watering_rules.as_deref().unwrap_or(rules).any(methods);
        let mut first_day = None;
        let starts = table.starts.iter().filter(|start| {
            let (minutes, day) = table.minutes_within(**start, hours);
            first_day = first_day.or(day);
            minutes < table.minutes
        });
        let wrong: Vec<String> = starts.map(|start| clock(*start)).collect();
        if wrong.is_empty() {
            continue;
        }
        let (wrong, minutes) = (wrong.join(", "), table.minutes);
        let (on, how) = match (hours.same_every_day(), first_day) {
            (None, Some(day)) => (format!(" on {day}"), format!(" for {}", spoken::methods(methods))),
            _ => (String::new(), String::new()),
        };
        let of_day = first_day.map_or_else(String::new, |day| intervals(&hours.on(day)));
        // The timer does that, whatever is allowed: it is told, and watched.
        item.borne_fault(
            format!(
                "{wrong} for {minutes} minutes, which waters {}{on} outside its allowed hours{how}",
                bed.id
            ),
            format!("starts and minutes within the allowed hours of {}{on}{how}: {of_day}", bed.id),
        );
    }
}

/// "00:00-09:00, 18:00-24:00", or "none".
fn intervals(hours: &LocalHours) -> String {
    let each = hours.written();
    if each.is_empty() { "none".to_owned() } else { each.join(", ") }
}

/// Notes a moment at which the program waters a bed twice: with one of its own starts or
/// beside another program.
fn overlapping<'a>(
    program: &'a Program,
    earlier: impl Iterator<Item = &'a Program>,
    item: &SettingsItem<'_>,
) {
    for other in earlier.chain([program]) {
        let shared = program.beds.iter().any(|bed| other.beds.contains(bed));
        let overlap = if shared { program.timetable.overlap(&other.timetable) } else { None };
        let Some((_, start, others)) = overlap else { continue };
        let whose = if std::ptr::eq(program, other) {
            "its own run".to_owned()
        } else {
            format!("the run of \"{}\"", other.name)
        };
        item.fault(
            format!("a run at {} that overlaps {whose} at {} in the same bed", clock(start), clock(others)),
            "runs one after the other: the timer waters a bed once at a time",
            None,
        );
    }
}

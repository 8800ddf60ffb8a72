//! `[[job]]`: what comes round, and `[handover]`: what whoever looks after the garden in the
//! holidays reads.

use super::document::Want;
use super::fault::{any_of, nearest};
use super::table::SettingsTable;
use super::text::{Names, id, named};
use super::value::SettingsItem;
use crate::garden::jobs::job::{Job, JobDays};
use crate::garden::log_entry::{About, EntryKind, KINDS, kind};
use crate::garden::plan::{Handover, Tell};
use crate::model::{Id, WEEK};

const PLACE: &str = "the id of a bed, tank or sensor of this file";
const DAYS: &str = "every_days = 7, or days = [\"mon\", \"fri\"], or dates = [2026-07-03]";
const WEEK_DAYS: &str = "a list of at least one day of the week: [\"mon\", \"fri\"]";
const DATES: &str = "a list of at least one date: [2026-07-03, 2026-09-25]";
const MONTHS: &str = "a list of at least one month: [\"oct\", \"nov\"]";
const WHO: &str = "a name, or a list of those who take turns: \"teacher\", [\"class 4\", \"class 5\"]";
const DONE_BY: &str = "a list of at least one kind of entry of the log: [\"water-test\"]";
const LINES: &str = "a list of at least one line of text";
const LINE: &str = "a line of 1 to 300 characters";

const YEAR: [&str; 12] = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"];

/// Jobs of one garden at most, dates of one job, those who take turns, and lines of a
/// section.
const JOBS_MAX: usize = 200;
const DATES_MAX: usize = 100;
const TURNS_MAX: usize = 30;
const LINES_MAX: usize = 40;
/// Longest time between two times: two years.
const EVERY_DAYS_MAX: u32 = 731;
/// Longest patience, days.
const LATE_MAX: u32 = 365;
const LINE_MAX: usize = 300;

/// Ids of the places that a job can be at, also of those at fault.
pub(super) struct JobPlaces {
    pub(super) beds: Vec<String>,
    pub(super) tanks: Vec<String>,
    pub(super) sensors: Vec<String>,
}

impl JobPlaces {
    fn all(&self) -> impl Iterator<Item = &str> + Clone {
        self.beds.iter().chain(&self.tanks).chain(&self.sensors).map(String::as_str)
    }

    /// Whether an entry of this kind can be about a place.
    fn fits(&self, kind: &EntryKind, place: Option<&Id>) -> bool {
        let Some(place) = place else { return false };
        let is_one_of = |ids: &[String]| ids.iter().any(|id| id == place.as_str());
        let about = match kind.about {
            About::Bed => is_one_of(&self.beds),
            About::Tank => is_one_of(&self.tanks),
            About::Sensor => is_one_of(&self.sensors),
            About::BedOrGarden => is_one_of(&self.beds),
            About::Any => is_one_of(&self.beds) || is_one_of(&self.tanks),
            About::Job => false,
        };
        about && !kind.note_needed
    }
}

/// Reads all jobs of a garden, and lets the groups know which are theirs.
pub(super) fn jobs(tables: Vec<SettingsTable<'_>>, places: &JobPlaces, tell: &mut [Tell]) -> Vec<Job> {
    let mut jobs = Vec::new();
    let mut names = Names::new("a name of its own for each job");
    let mut ids = Names::new("an id of its own for each job: say id = \"...\"");
    let count = tables.len();
    for (at, table) in tables.into_iter().enumerate() {
        if at == JOBS_MAX {
            table.fault("", format!("{count} jobs"), format!("at most {JOBS_MAX} in a garden"));
        }
        if let Some(job) = job(table, places, tell, &mut names, &mut ids)
            && at < JOBS_MAX
        {
            for group in tell.iter_mut().filter(|group| job.tell && job.who.contains(&group.who)) {
                group.jobs.push(job.id.clone());
            }
            jobs.push(job);
        }
    }
    jobs
}

fn job(
    table: SettingsTable<'_>,
    places: &JobPlaces,
    groups: &[Tell],
    names: &mut Names,
    ids: &mut Names,
) -> Option<Job> {
    let before = table.faults();
    let name_item = table.need("name", Want::Text, "the job's name");
    let name = name_item.as_ref().and_then(|item| {
        let name = named(item)?;
        names.claim(item, &name.to_lowercase()).then_some(name)
    });
    let id_item = table.get("id", Want::Text);
    let id = match (&id_item, &name, &name_item) {
        (Some(item), ..) => id(item).filter(|id| ids.claim(item, id.as_str())),
        (None, Some(name), Some(item)) => {
            let id = id_of(name);
            if Id::is_valid(&id) {
                ids.claim(item, &id).then(|| Id::new(&id))
            } else {
                table.lacks("id", "an id, since the name has no letters for one: \"feed\"")
            }
        }
        _ => None,
    };
    let place_item = table.get("place", Want::Text);
    let place = match &place_item {
        Some(item) => place(item, places).map(Some),
        None => Some(None),
    };
    let who_item = table.get("who", Want::List);
    let who = match &who_item {
        Some(item) => who(item),
        None => Some(Vec::new()),
    };
    let from = table.read_if("from", Want::Value, SettingsItem::date);
    let to = table.last_day(from);
    let days = days(&table);
    let months = table.read_or("months", Want::List, [true; 12], |item| item.marked(MONTHS, YEAR));
    let done_by = match table.get("done_by", Want::List) {
        Some(item) => match &place {
            Some(place) => item.list_all(DONE_BY, 1.., |part| entry(part, place.as_ref(), places)),
            None => None,
        },
        None => Some(
            name.as_ref()
                .and_then(|name| usual_entry(name, place.as_ref()?.as_ref(), places))
                .into_iter()
                .collect(),
        ),
    };
    let how = table.read_if("how", Want::Text, line);
    let tell_item = table.get("tell", Want::Value);
    let tell = tell_item.as_ref().map_or(Some(false), SettingsItem::boolean);
    let late_after_days = table.whole_or("late_after_days", 0..=LATE_MAX, 0, "days");
    if let (Some(true), Some(who), Some(item)) = (tell, &who, &tell_item) {
        tellable(who, who_item.as_ref().unwrap_or(item), groups);
    }
    if let (Some(who), Some(None)) = (&who, &from)
        && who.len() > 1
    {
        table.missing("from", "a day of the first one's week, from which the turns count: 2026-04-13");
    }
    table.finish_whole(before)?;
    Some(Job {
        id: id?,
        name: name?,
        place: place?,
        who: who?,
        days: days?,
        from: from?,
        to: to?,
        months: months?,
        done_by: done_by?,
        how: how?,
        tell: tell?,
        late_after_days: u16::try_from(late_after_days?).ok()?,
    })
}

/// The id of a job by its name: "job-water-test".
fn id_of(name: &str) -> String {
    let letters: String =
        name.to_lowercase().chars().map(|c| if c.is_ascii_alphanumeric() { c } else { ' ' }).collect();
    let words: Vec<&str> = letters.split_whitespace().collect();
    if words.is_empty() {
        return String::new();
    }
    let mut id = format!("job-{}", words.join("-"));
    id.truncate(60);
    id.trim_end_matches('-').to_owned()
}

fn place(item: &SettingsItem<'_>, places: &JobPlaces) -> Option<Id> {
    let text = item.text(PLACE)?;
    match places.all().find(|id| *id == text) {
        Some(id) => Some(Id::new(id)),
        None => {
            let near = nearest(text, places.all());
            item.faulty(item.given(), format!("{PLACE}; without it, the whole garden"), near)
        }
    }
}

fn who(item: &SettingsItem<'_>) -> Option<Vec<String>> {
    if item.value().as_str().is_some() {
        return Some(vec![named(item)?]);
    }
    item.list_all(WHO, 1..=TURNS_MAX, named)
}

/// Whoever is to be told must be groups that can be.
fn tellable(who: &[String], item: &SettingsItem<'_>, tell: &[Tell]) {
    let groups = || tell.iter().map(|group| group.who.as_str());
    let accepted = if tell.is_empty() {
        "the name of a group of this file ([[tell]]), since tell = true".to_owned()
    } else {
        format!("a group of this file, since tell = true: {}", any_of(groups()))
    };
    if who.is_empty() {
        item.fault("tell = true without who", accepted, None);
        return;
    }
    for name in who.iter().filter(|name| !groups().any(|group| group == **name)) {
        item.fault(format!("{name:?}"), &accepted, nearest(name, groups()));
    }
}

fn days(table: &SettingsTable<'_>) -> Option<JobDays> {
    let every = table.get("every_days", Want::Value);
    let week = table.get("days", Want::List);
    let dates = table.get("dates", Want::List);
    let one_of = |item: &SettingsItem<'_>, others: &str| {
        item.faulty(format!("{} beside {others}", item.given()), format!("one of {DAYS}"), None)
    };
    match (every, week, dates) {
        (Some(every), None, None) => {
            Some(JobDays::Every(u16::try_from(every.whole(1..=EVERY_DAYS_MAX, "days")?).ok()?))
        }
        (None, Some(week), None) => week.marked(WEEK_DAYS, WEEK).map(JobDays::Week),
        (None, None, Some(dates)) => {
            let mut dates = dates.list_all(DATES, 1..=DATES_MAX, SettingsItem::date)?;
            dates.sort_unstable();
            dates.dedup();
            Some(JobDays::Dates(dates))
        }
        (None, None, None) => table.lacks("every_days", DAYS),
        (Some(every), ..) => one_of(&every, "days or dates"),
        (None, Some(week), Some(_)) => one_of(&week, "dates"),
    }
}

fn entry(item: &SettingsItem<'_>, place: Option<&Id>, places: &JobPlaces) -> Option<&'static str> {
    let possible = || KINDS.iter().filter(|it| places.fits(it, place)).map(|it| it.name).collect::<Vec<_>>();
    let text = item.text(DONE_BY)?;
    match kind(text) {
        Some(kind) if places.fits(kind, place) => Some(kind.name),
        Some(kind) if place.is_none() => {
            let of = match kind.about {
                About::Bed | About::BedOrGarden => "a bed",
                About::Tank => "a tank",
                About::Sensor => "a sensor",
                About::Any | About::Job => "no place of its own",
            };
            item.faulty(
                format!("{}, which is of {of}", item.given()),
                "a job with a place: place = \"...\"",
                None,
            )
        }
        _ => {
            let known = possible();
            item.faulty(
                item.given(),
                format!("kinds of entries of its place: {}", any_of(known.iter().copied())),
                nearest(text, known.iter().copied()),
            )
        }
    }
}

/// The entry that bears the job's own name: "Water test" is done by a `water-test`.
fn usual_entry(name: &str, place: Option<&Id>, places: &JobPlaces) -> Option<&'static str> {
    let name = id_of(name);
    let name = name.strip_prefix("job-")?;
    kind(name).filter(|kind| places.fits(kind, place)).map(|kind| kind.name)
}

fn line(item: &SettingsItem<'_>) -> Option<String> {
    let fits = |text: &str| {
        let text = text.trim();
        !text.is_empty() && text.chars().count() <= LINE_MAX && !text.chars().any(char::is_control)
    };
    Some(item.text_that(LINE, fits)?.trim().to_owned())
}

/// What the garden's file says for the holidays.
pub(super) fn handover(table: Option<SettingsTable<'_>>) -> Handover {
    let Some(table) = table else { return Handover::default() };
    let lines = |key| {
        let read = |item: &SettingsItem<'_>| item.list_all(LINES, 1..=LINES_MAX, line);
        table.get(key, Want::List).and_then(|item| read(&item)).unwrap_or_default()
    };
    let handover = Handover { call: lines("call"), do_not: lines("do_not"), notes: lines("notes") };
    table.finish();
    handover
}

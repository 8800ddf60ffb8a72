//! `[[tell]]`: a group of people, what concerns them and how they are told.

use std::collections::HashMap;

use super::channels::ChannelNames;
use super::document::Want;
use super::fault::{any_of, nearest};
use super::hours::{clock_time, hours_over_midnight};
use super::table::SettingsTable;
use super::text::{Names, email, named, own_name};
use super::value::SettingsItem;
use crate::alarms::Kind;
use crate::garden::plan::{Address, Channel, Next, Repeats, Tell};
use crate::model::{Id, LocalHours};

const KINDS: &str = "a list of at least one alarm kind: [\"dry-bed\"]";
const PLACES: &str =
    "a list of at least one id of a bed, tank, sensor or gateway, the site's id, or trug for trug itself";
const WHAT: &str = "alarms = [\"dry-bed\"] or places = [\"kitchen-bed\"], or both";
const EMAILS: &str = "a list of e-mail addresses";
const INSTEAD: &str = "{ email = [\"office@school.example\"] }";
const NEXT: &str = "{ who = \"office\", after_min = 30 }";
const UNANSWERED: &str = "{ again_min = 60, most_min = 1440 }";
const GROUP: &str = "the name of another group of this file";
const FREE: &str = "hours that leave a part of the day free";

/// Longest wait for an answer, minutes: 7 days.
const AFTER_MAX_MIN: u32 = 7 * 24 * 60;

/// Time until a group is told again of what nobody has answered, minutes: not so soon that
/// nobody can have come, and within a day.
const AGAIN_LEAST_MIN: u32 = 5;
const AGAIN_MOST_MIN: u32 = 24 * 60;
/// The longest distance between two tellings, minutes: 7 days.
const REPEAT_MOST_MIN: u32 = 7 * 24 * 60;

/// A group's `next`, to be looked up when all groups are known.
struct PassedOn<'t> {
    from: String,
    to: String,
    item: SettingsItem<'t>,
}

/// Reads all groups; `places` are the ids that alarms of this garden stand at.
pub(super) fn tells(tables: Vec<SettingsTable<'_>>, places: &[String], ways: &ChannelNames) -> Vec<Tell> {
    let mut names = Names::new("a name of its own for each group");
    let mut tells = Vec::new();
    // Groups at fault are known all the same, so that one fault does not make others.
    let (mut groups, mut passed_on) = (Vec::new(), Vec::new());
    for table in tables {
        let who = own_name(&table, "who", "the name of a group of people", &mut names);
        let before = table.faults();
        let alarms = list(&table, "alarms", KINDS, kind);
        let at = list(&table, "places", PLACES, |item| place(item, places));
        if alarms.is_none() && at.is_none() && table.faults() == before {
            table.missing("alarms", WHAT);
        }
        let by = addresses(&table, ways);
        let instead = match table.section_like("instead", INSTEAD) {
            Some(table) => instead(table, ways),
            None => Vec::new(),
        };
        let quiet = table.get("quiet", Want::List).and_then(|item| quiet(&item));
        let summary = table.get("summary", Want::Text).and_then(|item| summary(&item, quiet.as_ref()));
        let next = table.section_like("next", NEXT).and_then(|table| next(table));
        let unanswered = match table.section_like("unanswered", UNANSWERED) {
            Some(table) => unanswered(table),
            None => Some(Repeats::default()),
        };
        if let (Some(who), Some((next, item))) = (&who, &next) {
            passed_on.push(PassedOn { from: who.clone(), to: next.who.clone(), item: item.clone() });
        }
        if let Some(who) = &who {
            groups.push((who.clone(), !by.is_empty()));
        }
        let whole = table.faults() == before;
        table.finish();
        if let (Some(who), true, Some(unanswered)) = (who, whole, unanswered) {
            tells.push(Tell {
                who,
                jobs: Vec::new(),
                alarms: alarms.unwrap_or_default(),
                places: at.unwrap_or_default(),
                by,
                instead,
                quiet,
                summary,
                next: next.map(|(next, _)| next),
                unanswered,
            });
        }
    }
    chains(&passed_on, &groups);
    tells
}

/// A list of at least one, sorted, each once; `None` where there is none or a
/// fault was noted.
fn list<T: Ord>(
    table: &SettingsTable<'_>,
    key: &'static str,
    accepted: &str,
    one: impl Fn(&SettingsItem<'_>) -> Option<T>,
) -> Option<Vec<T>> {
    let mut read = table.get(key, Want::List)?.list_all(accepted, 1.., one)?;
    read.sort_unstable();
    read.dedup();
    Some(read)
}

fn kind(item: &SettingsItem<'_>) -> Option<Kind> {
    item.name(Kind::from_name, Kind::ALL.map(Kind::name))
}

fn place(item: &SettingsItem<'_>, known: &[String]) -> Option<Id> {
    let text = item.text(PLACES)?;
    if !known.iter().any(|id| id == text) {
        let near = nearest(text, known.iter().map(String::as_str));
        let accepted = "the id of a bed, tank, sensor or gateway of this file, the site's, or trug";
        return item.faulty(item.given(), accepted, near);
    }
    Some(Id::new(text))
}

/// Where a group is told. An address that comes twice counts once.
fn addresses(table: &SettingsTable<'_>, ways: &ChannelNames) -> Vec<Address> {
    let mut all = Vec::new();
    if let Some(parts) = table.get("email", Want::List).and_then(|item| item.list_of(EMAILS)) {
        all.extend(parts.iter().filter_map(email).map(|to| Address { channel: Channel::Email, to }));
    }
    all.extend(ways.read(table).unwrap_or_default());
    let mut each_once: Vec<Address> = Vec::with_capacity(all.len());
    for address in all {
        if !each_once.contains(&address) {
            each_once.push(address);
        }
    }
    each_once
}

fn instead(table: SettingsTable<'_>, ways: &ChannelNames) -> Vec<Address> {
    let before = table.faults();
    let found = addresses(&table, ways);
    if found.is_empty() && table.faults() == before {
        table.missing("email", "at least one address: email, webhook or file");
    }
    table.finish();
    found
}

fn quiet(item: &SettingsItem<'_>) -> Option<LocalHours> {
    let hours = hours_over_midnight(item)?;
    if (0..1440).all(|minute| hours.contains(minute)) {
        return item.refused(FREE);
    }
    Some(hours)
}

/// The time of the summary, which must not be in the quiet hours: nobody could
/// say which of the two is meant.
fn summary(item: &SettingsItem<'_>, quiet: Option<&LocalHours>) -> Option<u16> {
    let minute = clock_time(item)?;
    if quiet.is_some_and(|quiet| quiet.contains(minute)) {
        let given = format!("{}, which is in the quiet hours", item.given());
        return item.faulty(given, "a time outside the group's quiet hours", None);
    }
    Some(minute)
}

fn next(table: SettingsTable<'_>) -> Option<(Next, SettingsItem<'_>)> {
    let item = table.need("who", Want::Text, GROUP);
    let who = item.as_ref().and_then(named);
    let after_min = table.read("after_min", Want::Value, "minutes without an answer", |item| {
        item.whole(1..=AFTER_MAX_MIN, "minutes")
    });
    table.finish();
    Some((Next { who: who?, after_s: after_min? * 60 }, item?))
}

/// When the group is told again; `None` where a fault was noted.
fn unanswered(table: SettingsTable<'_>) -> Option<Repeats> {
    let usual = Repeats::default();
    let first = table.whole_or(
        "again_min",
        AGAIN_LEAST_MIN..=AGAIN_MOST_MIN,
        usual.first_s / 60,
        "minutes until the first time",
    );
    let most = table.whole_or(
        "most_min",
        AGAIN_LEAST_MIN..=REPEAT_MOST_MIN,
        first.unwrap_or(0).max(usual.most_s / 60),
        "minutes at the longest",
    );
    if let (Some(first), Some(most)) = (first, most)
        && most < first
    {
        let given = format!("{most} with again_min = {first}");
        table.fault("most_min", given, "not less than again_min: the distance grows");
        table.finish();
        return None;
    }
    table.finish();
    Some(Repeats { first_s: first? * 60, most_s: most? * 60 })
}

/// Notes every `next` that names no group, or one that nobody can reach, and
/// every chain that comes back to where it began: such a chain would never end.
fn chains(passed_on: &[PassedOn<'_>], groups: &[(String, bool)]) {
    let next: HashMap<&str, &str> = passed_on.iter().map(|p| (p.from.as_str(), p.to.as_str())).collect();
    for PassedOn { from, to, item } in passed_on {
        match groups.iter().find(|(who, _)| who == to) {
            None => {
                let others = groups.iter().map(|(who, _)| who.as_str()).filter(|who| who != from);
                let names: Vec<&str> = others.collect();
                let accepted =
                    if names.is_empty() { GROUP.to_owned() } else { any_of(names.iter().copied()) };
                item.fault(item.given(), accepted, nearest(to, names));
            }
            Some((_, false)) if to != from => {
                let given = format!("{}, which has no address", item.given());
                item.fault(given, "a group with email, webhook or file", None);
            }
            Some(_) => {}
        }
        let mut chain = vec![from.as_str(), to.as_str()];
        while let Some(&further) = chain.last().and_then(|last| next.get(last))
            && chain.last() != Some(&from.as_str())
            && chain.len() <= groups.len()
        {
            chain.push(further);
        }
        if chain.last() == Some(&from.as_str()) {
            let given = format!("{}, which comes back to its beginning: {}", item.given(), chain.join(", "));
            item.fault(given, "groups one after the other, the last without next", None);
        }
    }
}

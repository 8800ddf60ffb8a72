//! `trug tell --rehearse KIND PLACE`: a message as it would come in earnest, marked as a
//! rehearsal, to all whom the alarm concerns, with a link that takes their answer.

use std::io::Write;
use std::sync::Arc;

use anyhow::Context as _;
use jiff::Timestamp;
use serde_json::json;

use super::{TestResult, result_json, result_line, send_all};
use crate::alarms::{AlarmKey, Kind, State};
use crate::answering::Links;
use crate::commands::exit::{Exit, WrongInput};
use crate::commands::shared::{answer_links, print_json, safe};
use crate::deliver::channel::AnswerLinks;
use crate::deliver::channels::Channels;
use crate::deliver::links::RehearsalLinks;
use crate::garden::plan::{Address, Garden, Tell as Group, place_called};
use crate::garden::possible_alarms;
use crate::model::Id;
use crate::settings::Settings;
use crate::telling::{Item, Message, Purpose, told_at};
use crate::text::{labels, spoken, subjects};

/// Sends the rehearsal: yes where every address of every group took it, no where one did
/// not or no group is told of the alarm.
///
/// # Errors
/// When HTTP cannot be set up or `out` cannot be written, or [`WrongInput`].
pub(super) async fn run(
    settings: &Settings,
    gardens: &[&Garden],
    (kind, place): (&str, &str),
    as_json: bool,
    now: fn() -> Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let (garden, alarm) = wanted(gardens, kind, place).map_err(WrongInput::new)?;
    let links = answer_links(settings);
    let answerable = links.is_some();
    let page = settings.answers.links.as_ref().map(|links| links.page_url.to_string());
    let maker = |links: Links| Arc::new(RehearsalLinks(links)) as Arc<dyn AnswerLinks>;
    let channels = Arc::new(Channels::new(&settings.channels, links.map(maker), page, now)?);
    // Links and the store keep milliseconds.
    let at = Timestamp::from_millisecond(now().as_millisecond()).context("the clock is out of range")?;
    let concerned = |group: &&Group| garden.concerns(group, alarm.kind, &alarm.place);
    let mut told = Vec::new();
    for group in garden.tell.iter().filter(concerned) {
        let messages = group
            .by
            .iter()
            .enumerate()
            .map(|(number, address)| (message(garden, group, &alarm, at, (address, number)), false));
        told.push((group, send_all(&channels, messages)));
    }
    let mut results: Vec<(&Group, Vec<TestResult>)> = Vec::new();
    for (group, tries) in told {
        let mut done = Vec::new();
        for one in tries {
            done.push(one.await.context("sending a rehearsal")?);
        }
        results.push((group, done));
    }
    let all_taken = results.iter().flat_map(|(_, done)| done).all(|it| it.result.is_ok());
    let somebody = results.iter().any(|(_, done)| !done.is_empty());
    if as_json {
        let groups: Vec<_> = results
            .iter()
            .map(|(group, done)| {
                json!({
                    "who": group.who,
                    "in_earnest_at": told_at(garden, group, &alarm, at).to_string(),
                    "next": group.next.as_ref().map(|next| json!({ "who": next.who, "after_s": next.after_s })),
                    "addresses": done.iter().map(result_json).collect::<Vec<_>>(),
                })
            })
            .collect();
        let answer = json!({
            "site": garden.site.id.as_str(),
            "kind": alarm.kind.name(),
            "place": alarm.place.as_str(),
            "at": at.to_string(),
            "answer_links": answerable,
            "groups": groups,
        });
        print_json(&answer, out)?;
    } else {
        for line in lines(settings, garden, &alarm, (&results, answerable), at) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(Exit::yes_if(all_taken && somebody))
}

/// What is said of a rehearsal, line by line.
fn lines(
    settings: &Settings,
    garden: &Garden,
    alarm: &AlarmKey,
    (results, answerable): (&[(&Group, Vec<TestResult>)], bool),
    at: Timestamp,
) -> Vec<String> {
    let mut lines = vec![format!("Rehearsal: {}", headline(garden, alarm))];
    for (group, done) in results {
        lines.push(format!("\n{}", group.who));
        lines.extend(done.iter().map(|it| format!("  {}", result_line(settings, it))));
        if done.is_empty() {
            lines.push("  By no way: nobody is told".to_owned());
            continue;
        }
        let told = told_at(garden, group, alarm, at);
        if told > at {
            let when = spoken::moment_seen_from(told, at, &garden.site.time_zone);
            lines.push(format!("  In earnest it would wait until {when}"));
        }
        if let Some(next) = &group.next {
            let after = spoken::duration(i64::from(next.after_s));
            lines.push(format!(
                "  If nobody answers within {after} in earnest, the group {} is told",
                next.who
            ));
        }
    }
    lines.push(String::new());
    lines.push(if results.iter().all(|(_, done)| done.is_empty()) {
        format!(
            "Nobody is told of {}/{}: add the kind and the place to a [[tell]] with an address.",
            alarm.kind.name(),
            alarm.place
        )
    } else if answerable {
        "Its link takes an answer while trug run is up. trug alarms --from today's date lists each answer."
            .to_owned()
    } else {
        "It has no link to answer by: [answers] in trug.toml has no page_url. Answers come on the page alone."
            .to_owned()
    });
    lines
}

/// The alarm that is meant, and the garden that can have it.
fn wanted<'g>(gardens: &[&'g Garden], kind: &str, place: &str) -> Result<(&'g Garden, AlarmKey), String> {
    let Some(kind) = Kind::from_name(kind) else {
        let known: Vec<&str> = Kind::ALL.map(Kind::name).to_vec();
        return Err(format!("{:?} is no kind of alarm; the kinds are: {}", safe(kind), known.join(", ")));
    };
    let places = |garden: &Garden| -> Vec<Id> {
        let all = possible_alarms(garden).into_iter();
        all.filter(|(other, _)| *other == kind).map(|(_, place)| place).collect()
    };
    let found: Vec<&Garden> =
        gardens.iter().copied().filter(|it| places(it).iter().any(|id| id.as_str() == place)).collect();
    match found.as_slice() {
        [garden] => Ok((*garden, AlarmKey { site: garden.site.id.clone(), kind, place: Id::new(place) })),
        [] => {
            let known: Vec<String> =
                gardens.iter().flat_map(|garden| places(garden)).map(|id| id.to_string()).collect();
            let known =
                if known.is_empty() { "no place here can have it".to_owned() } else { known.join(", ") };
            Err(format!("{:?} has no alarm {}; its places are: {known}", safe(place), kind.name()))
        }
        several => {
            let sites: Vec<_> = several.iter().map(|garden| garden.site.id.as_str()).collect();
            Err(format!("{} have {}/{place}: say which with --site", sites.join(" and "), kind.name()))
        }
    }
}

fn headline(garden: &Garden, alarm: &AlarmKey) -> String {
    subjects::headline(alarm.kind, &subjects::plain(&place_called(garden, &alarm.place)))
}

fn message(
    garden: &Garden,
    group: &Group,
    alarm: &AlarmKey,
    at: Timestamp,
    (address, number): (&Address, usize),
) -> Message {
    let site = &garden.site;
    let headline = headline(garden, alarm);
    let priority = garden.priority_at(alarm.kind, &alarm.place);
    let today = site.time_zone.to_datetime(at).date();
    Message {
        key: format!(
            "{}/rehearsal/{}/{}/{number}",
            site.id,
            at.as_millisecond(),
            address.channel.name()
        ),
        site: site.id.clone(),
        garden: subjects::plain(&site.name),
        who: group.who.clone(),
        address: address.clone(),
        made_at: at,
        priority,
        purpose: Purpose::Rehearsal,
        subject: subjects::cut(&format!("Rehearsal: {headline}"), subjects::SUBJECT_MAX),
        opening: "This is a rehearsal: nothing is wrong, and there is nothing to do in the garden. Answer as you would \
                  in earnest, so that all can see that your answer comes."
            .to_owned(),
        items: vec![Item {
            key: alarm.clone(),
            place_name: subjects::plain(&place_called(garden, &alarm.place)),
            state: State::Unacknowledged,
            priority,
            by: labels::by_when(priority, at, at, &site.time_zone),
            since: at,
            since_local: spoken::moment(at, &site.time_zone),
            text: format!(
                "Rehearsal. In earnest this would say: {headline}, by how much, what to do, and by when ({}).",
                spoken::by(priority, today, today)
            ),
            source: "a rehearsal by trug tell --rehearse".to_owned(),
        }],
    }
}

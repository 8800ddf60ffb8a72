//! `trug tell`: who is told what, how and when, and what nobody is told of; with `--test`,
//! whether a message reaches a group.

mod rehearse;

use std::collections::BTreeMap;
use std::io::Write;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use jiff::Timestamp;
use serde_json::json;
use tokio::task::JoinHandle;

use super::exit::{Exit, WrongInput};
use super::local_out::LocalWriter;
use super::shared::{print_json, safe};
use crate::alarms::Priority;
use crate::deliver::channel::{Failure, MessageChannel as _};
use crate::deliver::channels::Channels;
use crate::garden::plan::place_called;
use crate::garden::plan::{Address, Channel, Garden, Tell as Group};
use crate::garden::{UntoldKind, unreached_groups, untold_kinds};
use crate::model::{LocalHours, clock};
use crate::settings::Settings;
use crate::telling::{Message, Purpose};
use crate::text::labels;
use crate::text::spoken::{self, counted, list as list_words};

/// An address that has not answered by then will not.
const LONGEST: Duration = Duration::from_secs(120);

/// What the command line says.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct TellArgs {
    /// Send a test message by every address of this group, and say what happened
    #[arg(long, value_name = "GROUP", conflicts_with = "rehearse")]
    test: Option<String>,
    /// Send a rehearsal of this alarm to all whom it concerns, marked as one, with a link that
    /// takes their answer
    #[arg(long, num_args = 2, value_names = ["KIND", "PLACE"])]
    rehearse: Vec<String>,
    /// One garden only
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    #[arg(from_global)]
    json: bool,
}

/// Lists groups, or tries one: no where an address did not take the message.
///
/// # Errors
/// When HTTP cannot be set up or `out` cannot be written, or [`WrongInput`].
pub async fn run(
    settings: &Settings,
    it: &TellArgs,
    now: fn() -> Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let out: &mut dyn Write = &mut LocalWriter::new(out, it.json, &settings.gardens, it.site.as_deref());
    let wanted = |garden: &&Garden| it.site.as_deref().is_none_or(|site| site == garden.site.id.as_str());
    let gardens: Vec<&Garden> = settings.gardens.iter().filter(wanted).collect();
    if gardens.is_empty() {
        let sites: Vec<_> = settings.gardens.iter().map(|garden| garden.site.id.as_str()).collect();
        let given = it.site.as_deref().unwrap_or_default();
        let why = format!("there is no garden {}; there is {}", safe(given), sites.join(", "));
        return Err(WrongInput::new(why).into());
    }
    if let [kind, place] = it.rehearse.as_slice() {
        return rehearse::run(settings, &gardens, (kind, place), it.json, now, out).await;
    }
    let Some(who) = &it.test else {
        if it.json {
            list_json(settings, &gardens, out)?;
        } else {
            list(settings, &gardens, out)?;
        }
        return Ok(Exit::Yes);
    };
    let groups: Vec<(&Garden, &Group)> = gardens
        .iter()
        .flat_map(|&garden| garden.tell.iter().map(move |group| (garden, group)))
        .filter(|(_, group)| group.who == *who)
        .collect();
    match groups.as_slice() {
        [] => Err(WrongInput::new(no_such_group(who, &gardens)).into()),
        [(garden, group)] => test(settings, garden, group, it.json, now, out).await,
        several => {
            let sites: Vec<_> = several.iter().map(|(garden, _)| garden.site.id.as_str()).collect();
            let why = format!("{} have a group {who}: say which with --site", sites.join(" and "));
            Err(WrongInput::new(why).into())
        }
    }
}

fn no_such_group(who: &str, gardens: &[&Garden]) -> String {
    let mut known: Vec<&str> = gardens.iter().flat_map(|g| &g.tell).map(|group| group.who.as_str()).collect();
    known.sort_unstable();
    known.dedup();
    match known.as_slice() {
        [] => format!("there is no group {}: no garden's file has a [[tell]]", safe(who)),
        known => format!("there is no group {}; there is {}", safe(who), known.join(", ")),
    }
}

/// The result of a test or rehearsal at one address.
struct TestResult {
    address: Address,
    instead: bool,
    took: Duration,
    result: Result<(), Failure>,
}

/// Sends messages, each with whether its address is used only when others fail. All go at
/// once: a server that does not answer keeps nobody waiting twice.
fn send_all(
    channels: &Arc<Channels>,
    messages: impl Iterator<Item = (Message, bool)>,
) -> Vec<JoinHandle<TestResult>> {
    messages
        .map(|(message, instead)| {
            let channels = Arc::clone(channels);
            tokio::spawn(async move {
                let from = Instant::now();
                let result = match tokio::time::timeout(LONGEST, channels.send(&message)).await {
                    Ok(result) => result,
                    Err(_) => Err(Failure::Later(format!("no answer within {} s", LONGEST.as_secs()))),
                };
                TestResult { address: message.address, instead, took: from.elapsed(), result }
            })
        })
        .collect()
}

async fn test(
    settings: &Settings,
    garden: &Garden,
    group: &Group,
    as_json: bool,
    now: fn() -> Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    // A test has nothing to answer.
    let channels = Arc::new(Channels::new(&settings.channels, None, None, now)?);
    let by = group.by.iter().map(|address| (address, false));
    let addresses = by.chain(group.instead.iter().map(|address| (address, true)));
    let at = now();
    let messages = addresses
        .enumerate()
        .map(|(number, (address, instead))| (test_message(garden, group, address, at, number), instead));
    let tries = send_all(&channels, messages);
    let mut results = Vec::new();
    for one in tries {
        let done = one.await.context("sending a test message")?;
        if !as_json {
            writeln!(out, "{}", result_line(settings, &done))?;
            out.flush()?;
        }
        results.push(done);
    }
    let taken = results.iter().filter(|it| it.result.is_ok()).count();
    if as_json {
        let told = json!({
            "site": garden.site.id.as_str(),
            "who": group.who,
            "taken": taken,
            "not_taken": results.len() - taken,
            "addresses": results.iter().map(result_json).collect::<Vec<_>>(),
        });
        print_json(&told, out)?;
    } else {
        writeln!(out, "\n{}", summary(group, &results, taken))?;
    }
    Ok(Exit::yes_if(taken == results.len() && taken > 0))
}

fn summary(group: &Group, results: &[TestResult], taken: usize) -> String {
    let who = &group.who;
    if results.is_empty() {
        return format!(
            "{who} has no address: nobody is told. Give it email, webhook or file in its [[tell]]."
        );
    }
    if taken < results.len() {
        return format!("{} of {} addresses took the test message for {who}.", taken, results.len());
    }
    let mailed = results.iter().any(|it| it.address.channel == Channel::Email);
    let look = if mailed {
        " A mail server that took it may still lose it: look whether it has arrived, and not among the unwanted."
    } else {
        ""
    };
    format!("The test message for {who} was taken everywhere.{look}")
}

fn test_message(garden: &Garden, group: &Group, address: &Address, at: Timestamp, number: usize) -> Message {
    let site = &garden.site;
    Message {
        key: format!("{}/test/{}/{}/{number}", site.id, at.as_millisecond(), address.channel.name()),
        site: site.id.clone(),
        garden: site.name.clone(),
        who: group.who.clone(),
        address: address.clone(),
        made_at: at,
        priority: Priority::Low,
        purpose: Purpose::Test,
        subject: format!("{}: a test message for {}", site.name, group.who),
        opening: format!(
            "Somebody is trying whether messages from the garden reach {} here. Nothing is wrong, and there \
             is nothing to do.",
            group.who
        ),
        items: Vec::new(),
    }
}

fn result_line(settings: &Settings, it: &TestResult) -> String {
    let to = settings.channels.shown(&it.address);
    let instead = if it.instead { " (used when the others fail)" } else { "" };
    match (&it.result, it.address.channel) {
        (Ok(()), Channel::MessageFile) => format!("{to}{instead}: written"),
        (Ok(()), _) => format!("{to}{instead}: the server took it in {:.1} s", it.took.as_secs_f64()),
        (Err(failure), _) => format!("{to}{instead}: not taken: {}", safe(&failure.to_string())),
    }
}

fn result_json(it: &TestResult) -> serde_json::Value {
    let said = it.result.as_ref().err().map(ToString::to_string);
    let again = it.result.as_ref().err().map(|failure| !matches!(failure, Failure::Never(_)));
    json!({
        "channel": it.address.channel.name(),
        "to": it.address.to,
        "instead": it.instead,
        "taken": it.result.is_ok(),
        "seconds": (it.took.as_secs_f64() * 1000.0).round() / 1000.0,
        "reason": said,
        "may_work_later": again,
    })
}

fn list(settings: &Settings, gardens: &[&Garden], out: &mut dyn Write) -> anyhow::Result<()> {
    let untold = untold_of(settings, gardens);
    for (number, garden) in gardens.iter().enumerate() {
        if number > 0 {
            writeln!(out)?;
        }
        let out: &mut dyn Write = &mut LocalWriter::of_garden(out, Some(garden));
        writeln!(out, "{} ({})", garden.site.name, garden.site.id)?;
        if garden.tell.is_empty() {
            writeln!(out, "\nNobody is told: the garden's file has no [[tell]].")?;
        }
        let unreached = unreached_groups(garden);
        for group in &garden.tell {
            writeln!(out, "\n{}", group.who)?;
            for line in group_lines(settings, garden, group) {
                writeln!(out, "  {line}")?;
            }
            if unreached.iter().any(|it| it.who == group.who) {
                writeln!(out, "  No alarm reaches this group: the kinds cannot come at these places")?;
            }
        }
        // Of a garden without groups the line above says all.
        let untold = untold.get(number).filter(|it| !it.is_empty() && !garden.tell.is_empty());
        if let Some(kinds) = untold {
            writeln!(out, "\nNobody is told of")?;
            for kind in kinds {
                writeln!(out, "  {} ({})", labels::kind(kind.kind), untold_words(garden, kind))?;
            }
        }
    }
    let telling = settings.telling;
    writeln!(
        out,
        "\nA message that nobody takes is tried for {}, one of high priority for {}; then it goes another way.",
        spoken::duration(seconds(telling.give_up)),
        spoken::duration(seconds(telling.give_up_high))
    )?;
    Ok(())
}

fn group_lines(settings: &Settings, garden: &Garden, group: &Group) -> Vec<String> {
    let mut lines = Vec::new();
    let kinds: Vec<_> = group.alarms.iter().map(|kind| in_a_sentence(labels::kind(*kind))).collect();
    lines.push(match kinds.as_slice() {
        [] => "Told of every alarm".to_owned(),
        kinds => format!("Told of {}", kinds.join(", ")),
    });
    if !group.places.is_empty() {
        let names: Vec<_> = group.places.iter().map(|id| place_called(garden, id)).collect();
        lines.push(format!("At {} only", names.join(", ")));
    }
    let addresses =
        |list: &[Address]| list.iter().map(|it| settings.channels.shown(it)).collect::<Vec<_>>().join("; ");
    lines.push(match group.by.as_slice() {
        [] => "By no way: nobody is told".to_owned(),
        by => format!("By {}", addresses(by)),
    });
    if !group.instead.is_empty() {
        lines.push(format!("If none of these takes it, by {}", addresses(&group.instead)));
    }
    if let Some(quiet) = &group.quiet {
        lines.push(format!("Quiet {}: only what is of high priority is told then", spoken::day_hours(quiet)));
    }
    if let Some(minute) = group.summary {
        lines.push(format!(
            "What is not of high priority comes in one message a day at {}",
            spoken::clock(minute)
        ));
    }
    if let Some(next) = &group.next {
        let after = spoken::duration(i64::from(next.after_s));
        lines.push(format!("If nobody answers within {after}, the group {} is told", next.who));
    }
    lines
}

/// A heading inside a sentence: its first letter small.
fn in_a_sentence(heading: &str) -> String {
    let mut letters = heading.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}

/// Whole seconds of a length of time that a file gives.
fn seconds(length: Duration) -> i64 {
    i64::try_from(length.as_secs()).unwrap_or(i64::MAX)
}

/// What nobody is told of in each of these gardens, looked at beside all others.
fn untold_of(settings: &Settings, gardens: &[&Garden]) -> Vec<Vec<UntoldKind>> {
    let all = untold_kinds(&settings.gardens);
    let of = |wanted: &Garden| settings.gardens.iter().position(|it| it.site.id == wanted.site.id);
    gardens.iter().map(|garden| of(garden).map_or_else(Vec::new, |number| all[number].clone())).collect()
}

/// "device-clock at pea-15cm (Pea bed) and 3 other places".
pub(super) fn untold_words(garden: &Garden, it: &UntoldKind) -> String {
    let named = it.kind.name();
    if it.everywhere {
        return named.to_owned();
    }
    let mut places: Vec<String> = it.places.iter().take(3).map(|id| place_called(garden, id)).collect();
    if it.places.len() > places.len() {
        places.push(counted(it.places.len() - places.len(), "other place", "other places"));
    }
    format!("{named} at {}", list_words(&places))
}

fn list_json(settings: &Settings, gardens: &[&Garden], out: &mut dyn Write) -> anyhow::Result<()> {
    let addresses = |list: &[Address]| {
        let mut by: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
        for it in list {
            by.entry(it.channel.name()).or_default().push(&it.to);
        }
        json!(by)
    };
    let group = |group: &Group, reached: bool| {
        json!({
            "who": group.who,
            "reached": reached,
            "alarms": group.alarms.iter().map(|kind| kind.name()).collect::<Vec<_>>(),
            "places": group.places.iter().map(|id| id.as_str()).collect::<Vec<_>>(),
            "by": addresses(&group.by),
            "instead": addresses(&group.instead),
            "quiet": group.quiet.as_ref().map(LocalHours::written),
            "summary": group.summary.map(clock),
            "next": group.next.as_ref().map(|next| json!({ "who": next.who, "after_s": next.after_s })),
        })
    };
    let untold = |it: &UntoldKind| {
        let places: Vec<_> = it.places.iter().map(|id| id.as_str()).collect();
        json!({ "kind": it.kind.name(), "places": places })
    };
    let sites: Vec<_> = gardens
        .iter()
        .zip(untold_of(settings, gardens))
        .map(|(garden, kinds)| {
            let unreached = unreached_groups(garden);
            let reached = |it: &Group| !unreached.iter().any(|other| other.who == it.who);
            json!({
                "site": garden.site.id.as_str(),
                "groups": garden.tell.iter().map(|it| group(it, reached(it))).collect::<Vec<_>>(),
                "nobody_told_of": kinds.iter().map(untold).collect::<Vec<_>>(),
            })
        })
        .collect();
    print_json(&sites, out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_those_of_every_text() {
        let said = |minutes: u64| spoken::duration(seconds(Duration::from_secs(minutes * 60)));
        assert_eq!(
            [1, 60, 77, 1440, 4320].map(said),
            ["1 minute", "1 hour", "1 h 17 min", "24 hours", "3 days"]
        );
    }
}

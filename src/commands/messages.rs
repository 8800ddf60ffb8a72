//! `trug messages`: what was told to whom, when, by which way, and how it ended.

use std::io::Write;

use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::exit::Exit;
use super::local_out::LocalWriter;
use super::shared::{garden_of, place_name, print_json, safe, span, zone_of};
use crate::garden::plan::{Channel, Garden};
use crate::store::{MessageRecord, MessageState, Reader};
use crate::telling::{Purpose, WaitFor, Waiting};
use crate::text::labels;
use crate::text::spoken::counted;

/// What the command line says.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct Messages {
    /// One garden only
    #[arg(long, value_name = "ID")]
    pub site: Option<String>,
    /// From here: a date or a date and time on the garden's clock, or RFC 3339; without it,
    /// the last seven days
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// To here
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Only what waits to be told: of which alarm, to whom, when
    #[arg(long, conflicts_with_all = ["from", "to"])]
    pub waiting: bool,
    #[arg(from_global)]
    pub json: bool,
}

/// How far back is listed where nobody says.
const BACK: SignedDuration = SignedDuration::from_hours(7 * 24);

/// Lists messages to people, in the order in which they were made.
///
/// # Errors
/// When the store cannot be read or `out` cannot be written, or
/// [`WrongInput`](super::exit::WrongInput).
pub fn run(
    reader: &Reader,
    gardens: &[Garden],
    it: &Messages,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let out: &mut dyn Write = &mut LocalWriter::new(out, it.json, gardens, it.site.as_deref());
    let mut waiting = reader.waiting().context("reading what waits to be told")?;
    waiting.retain(|row| {
        row.wait != WaitFor::Over && it.site.as_deref().is_none_or(|site| row.alarm.site.as_str() == site)
    });
    waiting.sort_by_key(|row| row.due);
    if it.waiting {
        if it.json {
            print_json(&waiting.iter().map(WaitingJson::of).collect::<Vec<_>>(), out)?;
        } else if waiting.is_empty() {
            writeln!(out, "Nothing waits to be told.")?;
        } else {
            show_waiting(gardens, &waiting, out)?;
        }
        return Ok(Exit::Yes);
    }
    let (from, to) = span(gardens, it.site.as_deref(), it.from.as_deref(), it.to.as_deref())?;
    let from = from.unwrap_or_else(|| to.unwrap_or(now).checked_sub(BACK).unwrap_or(Timestamp::MIN));
    let to = to.unwrap_or(Timestamp::MAX);
    let messages = reader.messages(from, to, it.site.as_deref()).context("reading the messages")?;
    if it.json {
        print_json(&messages.iter().map(ListedMessage::of).collect::<Vec<_>>(), out)?;
        return Ok(Exit::Yes);
    }
    if messages.is_empty() {
        let when =
            if it.from.is_none() && it.to.is_none() { "in the last seven days" } else { "in that time" };
        writeln!(out, "Nobody was told anything {when}.")?;
        if it.from.is_none() && it.to.is_none() {
            show_waiting(gardens, &waiting, out)?;
        }
        return Ok(Exit::Yes);
    }
    for message in &messages {
        show(gardens, message, out)?;
    }
    let of = |state| messages.iter().filter(|it| it.state == state).count();
    writeln!(
        out,
        "\n{}: {} sent, {} waiting, {} given up.",
        counted(messages.len(), "message", "messages"),
        of(MessageState::Sent),
        of(MessageState::Waiting),
        of(MessageState::GivenUp),
    )?;
    if it.to.is_none() {
        show_waiting(gardens, &waiting, out)?;
    }
    Ok(Exit::Yes)
}

/// What waits for its time: nothing where nothing does.
fn show_waiting(gardens: &[Garden], waiting: &[Waiting], out: &mut dyn Write) -> anyhow::Result<()> {
    if !waiting.is_empty() {
        writeln!(out, "\nWaits to be told, if it still stands then:")?;
    }
    for Waiting { who, alarm, due, wait, .. } in waiting {
        let garden = garden_of(gardens, &alarm.site);
        let out: &mut dyn Write = &mut LocalWriter::of_garden(out, garden);
        let when = labels::full_moment(*due, &zone_of(garden));
        let name = garden.map_or(alarm.site.as_str(), |garden| garden.site.name.as_str());
        let what = match wait {
            WaitFor::Tell => format!("{who}, {when}"),
            WaitFor::TellNotAnswered { by } => format!("{who}, {when}, since {by} did not answer"),
            WaitFor::TellNotDelivered { to } => format!("{who}, {when}, since {to} could not be told"),
            WaitFor::Answer => format!("whoever is next, {when}, unless {who} answers"),
            WaitFor::Again => format!("{who} again, {when}, unless somebody answers"),
            WaitFor::Over => continue,
        };
        let place = place_name(garden, &alarm.place);
        line(2, &format!("{name}: {} at {place}: {what}", labels::kind(alarm.kind)), out)?;
    }
    Ok(())
}

/// What waits, as JSON.
#[derive(Serialize)]
struct WaitingJson<'a> {
    site: &'a str,
    kind: &'a str,
    place: &'a str,
    r#for: &'a str,
    wait: String,
    due: String,
    since: String,
}

impl<'a> WaitingJson<'a> {
    fn of(it: &'a Waiting) -> Self {
        Self {
            site: it.alarm.site.as_str(),
            kind: it.alarm.kind.name(),
            place: it.alarm.place.as_str(),
            r#for: &it.who,
            wait: it.wait.name().into_owned(),
            due: it.due.to_string(),
            since: it.since.to_string(),
        }
    }
}

fn show(gardens: &[Garden], it: &MessageRecord, out: &mut dyn Write) -> anyhow::Result<()> {
    let message = &it.message;
    let garden = garden_of(gardens, &message.site);
    let out: &mut dyn Write = &mut LocalWriter::of_garden(out, garden);
    let zone = zone_of(garden);
    let moment = |at| labels::full_moment(at, &zone);
    line(
        0,
        &format!(
            "{}: {}, for {}, {}",
            moment(message.made_at),
            message.garden,
            message.who,
            way(message.address.channel, &message.address.to),
        ),
        out,
    )?;
    line(2, &message.subject, out)?;
    let why = match &message.purpose {
        Purpose::News | Purpose::Over => None,
        Purpose::Again => Some("Told again, since nobody had answered.".to_owned()),
        Purpose::Worse => Some("Told because it grew worse.".to_owned()),
        Purpose::Summary => Some("A summary of what had come together.".to_owned()),
        Purpose::NotAnswered { by } => Some(format!("Told because {by} had not answered.")),
        Purpose::NotDelivered { to } => Some(format!("Told because {to} could not be told.")),
        Purpose::Rehearsal => Some("A rehearsal: nothing was wrong.".to_owned()),
        Purpose::Test => Some("Only to try whether messages arrive.".to_owned()),
    };
    if let Some(why) = why {
        line(2, &why, out)?;
    }
    let tries = match it.tries {
        0 => "not tried yet".to_owned(),
        1 => "tried once".to_owned(),
        tries => format!("tried {tries} times"),
    };
    let said = if it.reason.is_empty() { String::new() } else { format!(" Last answer: {}", it.reason) };
    let ended = match (it.state, it.done) {
        (MessageState::Sent, Some(at)) if it.tries > 1 => format!("Sent {}, {tries}.", moment(at)),
        (MessageState::Sent, Some(at)) => format!("Sent {}.", moment(at)),
        (MessageState::Sent, None) => "Sent.".to_owned(),
        (MessageState::GivenUp, Some(at)) => format!("Given up {}, {tries}.{said}", moment(at)),
        (MessageState::GivenUp, None) => format!("Given up, {tries}.{said}"),
        (MessageState::Waiting, _) => {
            format!("Waits to be sent, {tries}; the next try is {}.{said}", moment(it.next))
        }
    };
    line(2, &ended, out)
}

/// A line; its text may come from files and other computers.
fn line(indent: usize, text: &str, out: &mut dyn Write) -> anyhow::Result<()> {
    Ok(writeln!(out, "{:indent$}{}", "", safe(text))?)
}

fn way(channel: Channel, to: &str) -> String {
    format!("{} {to}", channel.by())
}

/// A message as JSON.
#[derive(Serialize)]
struct ListedMessage<'a> {
    key: &'a str,
    site: &'a str,
    made_at: String,
    r#for: &'a str,
    channel: &'a str,
    to: &'a str,
    purpose: &'a str,
    /// The group that the purpose names.
    #[serde(skip_serializing_if = "Option::is_none")]
    about: Option<&'a str>,
    priority: &'a str,
    subject: &'a str,
    alarms: Vec<ListedAlarm<'a>>,
    state: &'a str,
    tries: u32,
    /// While it waits: when it is tried next.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
    /// When it was sent or given up.
    #[serde(skip_serializing_if = "Option::is_none")]
    done_at: Option<String>,
    #[serde(skip_serializing_if = "str::is_empty")]
    reason: &'a str,
}

#[derive(Serialize)]
struct ListedAlarm<'a> {
    kind: &'a str,
    place: &'a str,
    state: &'a str,
    since: String,
    text: &'a str,
}

impl<'a> ListedMessage<'a> {
    fn of(it: &'a MessageRecord) -> Self {
        let message = &it.message;
        Self {
            key: &message.key,
            site: message.site.as_str(),
            made_at: message.made_at.to_string(),
            r#for: &message.who,
            channel: message.address.channel.name(),
            to: &message.address.to,
            purpose: message.purpose.name(),
            about: message.purpose.about(),
            priority: message.priority.name(),
            subject: &message.subject,
            alarms: message
                .items
                .iter()
                .map(|item| ListedAlarm {
                    kind: item.key.kind.name(),
                    place: item.key.place.as_str(),
                    state: item.state.name(),
                    since: item.since.to_string(),
                    text: &item.text,
                })
                .collect(),
            state: it.state.name(),
            tries: it.tries,
            next: (it.state == MessageState::Waiting).then(|| it.next.to_string()),
            done_at: it.done.map(|at| at.to_string()),
            reason: &it.reason,
        }
    }
}

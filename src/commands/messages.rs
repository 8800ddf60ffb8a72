//! `trug messages`: what was told to whom, when, by which way, and how it ended.

use std::io::Write;

use anyhow::Context as _;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use crate::garden::plan;
use crate::garden::plan::{Channel, Garden};
use crate::model::Id;
use crate::store::{MessageRecord, MessageState, Reader};
use crate::telling::Purpose;
use crate::text::labels;
use crate::text::times;
use crate::text::times::End;

/// What to list.
#[derive(Clone, Debug, Default)]
pub struct Messages {
    pub site: Option<String>,
    /// `None`: the last seven days.
    pub from: Option<String>,
    pub to: Option<String>,
    pub json: bool,
}

/// Exit codes: it did it; the request is wrong.
const DONE: u8 = 0;
const WRONG_INPUT: u8 = 2;

/// How far back is listed where nobody says.
const BACK: SignedDuration = SignedDuration::from_hours(7 * 24);

/// Lists messages to people, in the order in which they were made. The exit code is
/// 0, or 2 where the request is wrong.
///
/// # Errors
///
/// When the store cannot be read or `out` cannot be written (exit code 3).
pub fn run(
    reader: &Reader,
    gardens: &[Garden],
    it: &Messages,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    let (from, to) = match span(gardens, it, now) {
        Ok(span) => span,
        Err(why) => {
            writeln!(out, "{why}")?;
            return Ok(WRONG_INPUT);
        }
    };
    let messages = reader.messages(from, to, it.site.as_deref()).context("reading the messages")?;
    if it.json {
        let listed: Vec<_> = messages.iter().map(Listed::of).collect();
        writeln!(out, "{}", serde_json::to_string_pretty(&listed).context("writing JSON")?)?;
        return Ok(DONE);
    }
    if messages.is_empty() {
        let when =
            if it.from.is_none() && it.to.is_none() { "in the last seven days" } else { "in that time" };
        writeln!(out, "Nobody was told anything {when}.")?;
        return Ok(DONE);
    }
    for message in &messages {
        show(gardens, message, out)?;
    }
    let of = |state| messages.iter().filter(|it| it.state == state).count();
    writeln!(
        out,
        "\n{} messages: {} sent, {} waiting, {} given up.",
        messages.len(),
        of(MessageState::Sent),
        of(MessageState::Waiting),
        of(MessageState::GivenUp),
    )?;
    Ok(DONE)
}

/// The span of time that is asked for.
fn span(gardens: &[Garden], it: &Messages, now: Timestamp) -> Result<(Timestamp, Timestamp), String> {
    let zone = plan::shared_zone(gardens, it.site.as_deref())?;
    let moment = |text: &Option<String>, end| {
        text.as_deref().map(|text| times::moment(text, zone.as_ref(), end)).transpose()
    };
    let to = moment(&it.to, End::To)?;
    let from = match moment(&it.from, End::From)? {
        Some(from) => from,
        None => to.unwrap_or(now).checked_sub(BACK).unwrap_or(Timestamp::MIN),
    };
    Ok((from, to.unwrap_or(Timestamp::MAX)))
}

fn show(gardens: &[Garden], it: &MessageRecord, out: &mut dyn Write) -> anyhow::Result<()> {
    let message = &it.message;
    let zone = zone_of(gardens, &message.site);
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
        Purpose::Summary => Some("A summary of what had come together.".to_owned()),
        Purpose::NotAnswered { by } => Some(format!("Told because {by} had not answered.")),
        Purpose::NotDelivered { to } => Some(format!("Told because {to} could not be told.")),
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
    let said = if it.reason.is_empty() { String::new() } else { format!(" Last heard: {}", it.reason) };
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

/// A line. Its text came from files and other computers, so what could play with the
/// terminal is taken out.
fn line(indent: usize, text: &str, out: &mut dyn Write) -> anyhow::Result<()> {
    let safe: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    Ok(writeln!(out, "{:indent$}{safe}", "")?)
}

fn way(channel: Channel, to: &str) -> String {
    match channel {
        Channel::Email => format!("by e-mail to {to}"),
        Channel::Webhook => format!("by the webhook {to}"),
        Channel::ToldFile => format!("by the file {to}"),
    }
}

/// The garden's clock; UTC, which its times then say, where the garden is no
/// longer configured.
fn zone_of(gardens: &[Garden], site: &Id) -> TimeZone {
    let garden = gardens.iter().find(|garden| garden.site.id == *site);
    garden.map_or(TimeZone::UTC, |garden| garden.site.time_zone.clone())
}

/// A message as JSON.
#[derive(Serialize)]
struct Listed<'a> {
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

impl<'a> Listed<'a> {
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

//! What a message says, the same for plain text and HTML.

use crate::alarms::{Priority, State};
use crate::deliver::channel::AnswerLinks;
use crate::telling::{Item, Message, Purpose};
use crate::text::labels;

/// What the link to an answer says.
pub(super) const TAKEN_ON: &str = "I have taken this on";
/// What stands beside it.
pub(super) const ONE_BUTTON: &str = "Opens a page with one button. Nothing changes until you press it.";

/// A message in words, all of them fit to be shown: no control characters, nothing
/// that turns the direction of the text.
pub(super) struct MailContent {
    pub(super) garden: String,
    pub(super) subject: String,
    /// Why it comes, in a few words.
    pub(super) heading: String,
    pub(super) opening: Vec<String>,
    pub(super) entries: Vec<MailEntry>,
    /// Who gets this and why.
    pub(super) footer: Vec<String>,
    pub(super) page: Option<String>,
}

/// One alarm in words.
pub(super) struct MailEntry {
    pub(super) title: String,
    pub(super) priority: Priority,
    /// How soon to act; `None` where it is over or the heading says it.
    pub(super) urgency: Option<String>,
    pub(super) text: Vec<String>,
    /// Since when, and how it stands if that is not plain.
    pub(super) since: String,
    /// Where somebody can say that they have taken it on.
    pub(super) link: Option<String>,
}

impl MailContent {
    pub(super) fn of(message: &Message, links: Option<&dyn AnswerLinks>, page: Option<&str>) -> Self {
        let link = |item: &Item| match links {
            Some(links) if item.state.waits() => {
                links.link(item, &message.who, message.made_at).filter(|link| is_web_address(link))
            }
            _ => None,
        };
        let mut entries: Vec<MailEntry> =
            message.items.iter().map(|item| MailEntry::of(item, link(item))).collect();
        // The heading has said it.
        if let (Purpose::News, [only]) = (&message.purpose, entries.as_mut_slice()) {
            only.urgency = None;
        }
        let answerable = entries.iter().any(|entry| entry.link.is_some());
        Self {
            garden: line(&message.garden),
            subject: line(&message.subject),
            heading: heading(message),
            opening: paragraphs(&message.opening),
            footer: footer(message, answerable),
            entries,
            page: page.filter(|page| is_web_address(page)).map(str::to_owned),
        }
    }
}

impl MailEntry {
    fn of(item: &Item, link: Option<String>) -> Self {
        let began = if item.state.is_active() { "Since" } else { "Began" };
        let mut since = format!("{began} {}.", line(&item.since_local).trim_end_matches('.'));
        if item.state != State::Unacknowledged {
            since = format!("{since} {}", labels::state(item.state));
        }
        Self {
            title: format!("{}: {}", labels::kind(item.key.kind), line(&item.place_name)),
            priority: item.priority,
            urgency: (item.state != State::Normal).then(|| by_when(item)),
            text: paragraphs(&item.text),
            since,
            link,
        }
    }
}

/// By when an item is to be dealt with.
fn by_when(item: &Item) -> String {
    if item.by.is_empty() { labels::priority(item.priority).to_owned() } else { line(&item.by) }
}

fn heading(message: &Message) -> String {
    let fixed = match &message.purpose {
        Purpose::News => {
            let first = message.items.iter().find(|item| item.priority == message.priority);
            return first.map_or_else(|| labels::priority(message.priority).to_owned(), by_when);
        }
        Purpose::Summary => "Today's list",
        Purpose::NotAnswered { .. } => "Nobody has answered yet",
        Purpose::NotDelivered { .. } => "A message did not arrive",
        Purpose::Again => "Nobody has answered yet",
        Purpose::Worse => "It is getting worse",
        Purpose::Over => "It is over",
        Purpose::Test => "A test",
        Purpose::Rehearsal => "A rehearsal: nothing is wrong",
    };
    fixed.to_owned()
}

fn footer(message: &Message, answerable: bool) -> Vec<String> {
    let (who, garden) = (line(&message.who), line(&message.garden));
    let group = format!("this address is in the group \"{who}\" of {garden}.");
    let why = match &message.purpose {
        Purpose::News | Purpose::Summary | Purpose::Again | Purpose::Worse | Purpose::Over => {
            format!("You get this because {group}")
        }
        Purpose::NotAnswered { by } => {
            format!(
                "You get this because the group \"{}\" was told and has not answered, and {group}",
                line(by)
            )
        }
        Purpose::NotDelivered { to } => {
            format!(
                "You get this because a message to the group \"{}\" did not arrive, and {group}",
                line(to)
            )
        }
        Purpose::Rehearsal => format!("You get this because somebody rehearses an alarm, and {group}"),
        Purpose::Test => {
            format!("You get this because somebody is testing whether messages arrive, and {group}")
        }
    };
    let mut footer = vec![why];
    if answerable {
        footer.push("A reply to this e-mail is no answer to an alarm: use its link.".to_owned());
    }
    footer.push(
        "Which group is told of what is written in the garden's file; whoever keeps it can change it."
            .to_owned(),
    );
    footer
}

/// Whether this may stand as a link: `http` or `https`, nothing but what RFC 3986
/// lets stand in one.
fn is_web_address(text: &str) -> bool {
    let web = ["http://", "https://"].iter().any(|scheme| text.starts_with(scheme));
    web && text.bytes().all(|b| b.is_ascii_graphic() && !b"\"<>\\^`{|}".contains(&b))
}

/// Text from outside on one line.
pub(super) fn line(text: &str) -> String {
    labels::shown(text.trim(), usize::MAX)
}

/// Text from outside by its lines; the empty ones are left out.
fn paragraphs(text: &str) -> Vec<String> {
    text.lines().map(line).filter(|line| !line.is_empty()).collect()
}

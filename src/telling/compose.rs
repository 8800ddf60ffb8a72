//! Messages from what is to be said: subject, items, bounds and keys.

use jiff::Timestamp;
use ring::digest::{SHA256, digest};

use super::message::{Item, Message, Purpose};
use crate::alarms::{AlarmKey, AlarmRecord, Priority, State};
use crate::garden::plan::place_called;
use crate::garden::plan::{Address, Garden};
use crate::text::spoken::{duration, moment};
use crate::text::{labels, subjects};

/// Items of one message at most; the others are counted.
const ITEMS_MAX: usize = 20;
/// Bytes of one alarm's text and of its source at most: with them, and with names of
/// 100 characters, a message stays below 64 KiB.
const TEXT_MAX: usize = 1800;
const SOURCE_MAX: usize = 300;
/// Before the words of an alarm that grew worse.
const WORSE: &str = "Getting worse: ";
/// Characters of a list in an opening at most.
const LIST_MAX: usize = 600;

/// One alarm to say.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct DraftEntry {
    pub(super) alarm: AlarmKey,
    /// The garden's own.
    pub(super) priority: Priority,
    pub(super) state: State,
    /// The occurrence, whole milliseconds.
    pub(super) since: Timestamp,
    /// What brings it about, whole milliseconds: the step or the row's time. With
    /// the occurrence it tells this message from every other.
    pub(super) cause: Timestamp,
    pub(super) text: String,
    pub(super) source: String,
    /// Whether the group was told of it before.
    pub(super) again: bool,
    /// When it was, where that is to be said.
    pub(super) told: Option<Timestamp>,
}

impl DraftEntry {
    /// An alarm in its own words; both times in whole milliseconds.
    pub(super) fn of(standing: &AlarmRecord, priority: Priority, since: Timestamp, cause: Timestamp) -> Self {
        Self {
            alarm: standing.key.clone(),
            priority,
            state: standing.state,
            since,
            cause,
            text: standing.said.text.clone(),
            source: standing.said.source.to_string(),
            again: false,
            told: None,
        }
    }

    /// Whether it is over, and told only since somebody ought to act on it.
    fn was(&self) -> bool {
        self.priority < Priority::High && self.state == State::ReturnedUnacknowledged
    }
}

/// One message before it is addressed.
#[derive(Clone, Debug)]
pub(super) struct MessageDraft<'a> {
    pub(super) garden: &'a Garden,
    pub(super) who: &'a str,
    pub(super) purpose: Purpose,
    /// Seconds within which the group that has not answered should have.
    pub(super) after_s: Option<u32>,
    /// Told before and still waiting for an answer, in a few words; a summary says so.
    pub(super) standing: Vec<String>,
}

impl MessageDraft<'_> {
    /// The message to each of `addresses`.
    pub(super) fn write(
        &self,
        mut entries: Vec<DraftEntry>,
        addresses: &[Address],
        now: Timestamp,
        into: &mut Vec<Message>,
    ) {
        if entries.is_empty() || addresses.is_empty() {
            return;
        }
        entries.sort_by(|a, b| {
            (b.priority, a.alarm.kind, a.since, &a.alarm.place).cmp(&(
                a.priority,
                b.alarm.kind,
                b.since,
                &b.alarm.place,
            ))
        });
        let key = self.key(&entries);
        let names: Vec<String> = entries
            .iter()
            .map(|entry| subjects::plain(&place_called(self.garden, &entry.alarm.place)))
            .collect();
        // The alarms' own words are the garden's already.
        let local = self.garden.local_text();
        let mut subject = self.subject(&entries, &names);
        let mut opening = self.opening(&entries, &names);
        local.turn_text(&mut subject);
        local.turn_text(&mut opening);
        let items: Vec<Item> = entries
            .iter()
            .zip(&names)
            .take(ITEMS_MAX)
            .map(|(entry, place_name)| self.item(entry, place_name, now))
            .collect();
        for address in addresses {
            into.push(Message {
                key: addressed(&key, address),
                site: self.garden.site.id.clone(),
                garden: subjects::plain(&self.garden.site.name),
                who: self.who.to_owned(),
                address: address.clone(),
                made_at: now,
                priority: entries.iter().map(|entry| entry.priority).max().unwrap_or(Priority::Low),
                purpose: self.purpose.clone(),
                subject: subject.clone(),
                opening: opening.clone(),
                items: items.clone(),
            });
        }
    }

    fn item(&self, entry: &DraftEntry, place_name: &str, now: Timestamp) -> Item {
        let zone = &self.garden.site.time_zone;
        let text = subjects::cut_bytes(&subjects::plain(&entry.text), TEXT_MAX);
        let local = self.garden.local_text();
        Item {
            key: entry.alarm.clone(),
            place_name: place_name.to_owned(),
            state: entry.state,
            priority: entry.priority,
            by: local.text(&labels::by_when(entry.priority, entry.since, now, zone)).into_owned(),
            since: entry.since,
            since_local: local.text(&moment(entry.since, zone)).into_owned(),
            text,
            source: subjects::cut_bytes(&subjects::plain(&entry.source), SOURCE_MAX),
        }
    }

    fn subject(&self, entries: &[DraftEntry], names: &[String]) -> String {
        let before = match &self.purpose {
            Purpose::NotAnswered { by } => {
                format!("{} has not answered: ", subjects::cut(&subjects::plain(by), 40))
            }
            Purpose::NotDelivered { to } => {
                format!("Not delivered to {}: ", subjects::cut(&subjects::plain(to), 40))
            }
            Purpose::Over => "Over: ".to_owned(),
            Purpose::Again => "Not answered yet: ".to_owned(),
            // One alarm's own words say it.
            Purpose::Worse if entries.len() > 1 => WORSE.to_owned(),
            Purpose::Worse => String::new(),
            Purpose::News | Purpose::Summary if entries.iter().all(|entry| entry.again) => {
                "Reminder: ".to_owned()
            }
            Purpose::Rehearsal => "Rehearsal: ".to_owned(),
            Purpose::News | Purpose::Summary | Purpose::Test => String::new(),
        };
        let room = subjects::SUBJECT_MAX.saturating_sub(before.chars().count());
        let alarms = || entries.iter().zip(names).map(|(entry, name)| (entry.alarm.kind, name.as_str()));
        let what = match entries {
            // Told again, it says once what it is.
            [only] if before.is_empty() => subjects::sentences(&only.text, room),
            [only] => subjects::sentences(only.text.strip_prefix(WORSE).unwrap_or(&only.text), room),
            _ if self.purpose == Purpose::Over => subjects::over(alarms(), room),
            _ => {
                let of = |over: bool| {
                    let these = entries.iter().zip(names).filter(move |(entry, _)| entry.was() == over);
                    these.map(|(entry, name)| (entry.alarm.kind, name.as_str()))
                };
                const OVER: &str = "over by now: ";
                match (of(false).next(), of(true).next()) {
                    (_, None) => subjects::together(alarms(), room),
                    (None, Some(_)) => {
                        let what = subjects::over(of(true), room.saturating_sub(OVER.len()));
                        format!("Over by now: {what}")
                    }
                    (Some(_), Some(_)) => {
                        let stands = subjects::together(of(false), room);
                        let rest = room.saturating_sub(stands.chars().count() + 2 + OVER.len());
                        // Without room for a name the opening says it alone.
                        if rest < 30 {
                            stands
                        } else {
                            format!("{stands}; {OVER}{}", subjects::over(of(true), rest))
                        }
                    }
                }
            }
        };
        format!("{before}{what}")
    }

    fn opening(&self, entries: &[DraftEntry], names: &[String]) -> String {
        let mut lines: Vec<String> = Vec::new();
        match &self.purpose {
            Purpose::NotAnswered { by } => {
                let within =
                    self.after_s.map_or_else(String::new, |s| format!(" within {}", duration(i64::from(s))));
                lines.push(format!("{} was told and has not answered{within}.", subjects::plain(by)));
            }
            Purpose::NotDelivered { to } if to == self.who => {
                lines.push("This could not be delivered to your usual address.".to_owned());
            }
            Purpose::NotDelivered { to } => {
                lines.push(format!("This was for {} and could not be delivered there.", subjects::plain(to)));
            }
            Purpose::News | Purpose::Summary => {
                let again: Vec<&str> = entries
                    .iter()
                    .zip(names)
                    .filter(|(entry, _)| entry.again)
                    .map(|(_, name)| name.as_str())
                    .collect();
                if again.len() == entries.len() {
                    lines.push("You were told of this before, and it has not gone away.".to_owned());
                } else if !again.is_empty() {
                    lines.push(format!("Told before and not gone away: {}.", listed(&again)));
                }
            }
            Purpose::Again => {
                let told = entries.iter().filter_map(|entry| entry.told).min();
                lines.push(match told {
                    Some(at) => format!(
                        "You were told of this at {}, nobody has answered, and it has not gone away. You are told \
                         again until somebody answers.",
                        moment(at, &self.garden.site.time_zone)
                    ),
                    None => "This has come back as before, and this time it stays.".to_owned(),
                });
            }
            Purpose::Worse => {
                lines.push(
                    "It has grown worse since it was told. Look at it now, also if you did before."
                        .to_owned(),
                );
            }
            Purpose::Over | Purpose::Test | Purpose::Rehearsal => {}
        }
        let over: Vec<&str> = entries
            .iter()
            .zip(names)
            .filter(|(entry, _)| entry.was())
            .map(|(_, name)| name.as_str())
            .collect();
        if !over.is_empty() && self.purpose != Purpose::Over {
            lines
                .push(format!("Over by now, but somebody ought to find out what it was: {}.", listed(&over)));
        }
        if entries.len() > ITEMS_MAX {
            let more = entries.len() - ITEMS_MAX;
            lines.push(format!("The {ITEMS_MAX} most urgent are below, and {more} more are not."));
        }
        if !self.standing.is_empty() {
            let standing: Vec<&str> = self.standing.iter().map(String::as_str).collect();
            lines.push(format!("Told before and not answered yet: {}.", listed(&standing)));
        }
        lines.join(" ")
    }

    /// The key of what could not be delivered under the key `shared`: the same for
    /// each address that failed, and the same if its own delivery fails.
    pub(super) fn key_of_undelivered(&self, shared: &str) -> String {
        let said = format!("{}\n{}\n{shared}", self.who, self.purpose.name());
        format!("{}/{}/{}", self.garden.site.id, self.purpose.name(), hash(&said, 16))
    }

    /// What tells this message from every other, whatever the moment at which it is
    /// made: a restart before the commit makes it again with the same key.
    fn key(&self, entries: &[DraftEntry]) -> String {
        let mut said =
            format!("{}\n{}\n{}", self.who, self.purpose.name(), self.purpose.about().unwrap_or(""));
        for entry in entries {
            said.push_str(&format!(
                "\n{}/{}/{}/{}",
                entry.alarm.kind.name(),
                entry.alarm.place,
                entry.since.as_millisecond(),
                entry.cause.as_millisecond()
            ));
        }
        format!("{}/{}/{}", self.garden.site.id, self.purpose.name(), hash(&said, 16))
    }
}

/// The key of a message to one address.
pub(super) fn addressed(key: &str, address: &Address) -> String {
    format!("{key}/{}", hash(&format!("{}\n{}", address.channel.name(), address.to), 8))
}

/// The key that messages to several addresses share.
pub(super) fn unaddressed(key: &str) -> &str {
    key.rsplit_once('/').map_or(key, |(shared, _)| shared)
}

/// Names for a sentence, as many as have room.
fn listed(names: &[&str]) -> String {
    let mut taken = 0;
    let mut length = 0;
    for name in names {
        length += name.chars().count() + 2;
        if length > LIST_MAX {
            break;
        }
        taken += 1;
    }
    let mut parts: Vec<String> = names.iter().take(taken).map(|name| (*name).to_owned()).collect();
    if taken < names.len() {
        parts.push(format!("{} more", names.len() - taken));
    }
    crate::text::spoken::list(&parts)
}

/// The first `bytes` bytes of SHA-256 (FIPS 180-4) as hexadecimal digits.
pub(super) fn hash(text: &str, bytes: usize) -> String {
    digest(&SHA256, text.as_bytes()).as_ref().iter().take(bytes).map(|byte| format!("{byte:02x}")).collect()
}

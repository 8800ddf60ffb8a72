//! Scenarios played through the daemon, and a table of what people were told of them.
//!
//! The daemon's whole time is that of the readings (`--clock simulated`); they are sent
//! half an hour at a time, and each half hour's messages are out before the next begins.

use std::fmt;
use std::time::Duration;

use garden_simulator::{TrueEvent, Truth};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use trug::store::{MessageState, Reader};
use trug::telling::Message;

use super::daemon::Daemon;
use super::garden::SHIPPED;
use super::listener::Listener;
use super::mosquitto::Mosquitto;
use super::sender::{Post, send};
use super::simulator::Played;
use super::wait_until;

const STEP: SignedDuration = SignedDuration::from_mins(30);
const LIMIT: Duration = Duration::from_secs(60);
/// Characters of a subject that the table shows.
const WORDS: usize = 100;

/// The ways by which the groups of [`garden_with_ways`] are told: files, so that nobody
/// else is needed.
pub(crate) const WAYS: [&str; 4] = ["grounds", "teacher", "teacher-home", "office"];

/// The shipped garden, its groups told by the ways of [`WAYS`].
pub(crate) fn garden_with_ways() -> String {
    let mut text = SHIPPED.to_owned();
    for (from, to) in [
        (r#"email = ["grounds@school.example"]"#, r#"file = ["grounds"]"#),
        (
            r#"email = ["teacher@school.example"]"#,
            "file = [\"teacher\"]\ninstead = { file = [\"teacher-home\"] }",
        ),
        (r#"email = ["office@school.example"]"#, r#"file = ["office"]"#),
    ] {
        assert!(text.contains(from), "the shipped garden has {from}");
        text = text.replace(from, to);
    }
    text
}

/// A daemon for this garden with the ways of [`WAYS`], not started.
pub(crate) fn daemon_with_ways(broker: u16, garden: &str) -> Daemon {
    let daemon = Daemon::new(broker, &[("saltbush-gully", garden)]);
    let file = daemon.folder().join("trug.toml");
    let mut text = std::fs::read_to_string(&file).expect("the configuration can be read");
    for name in WAYS {
        let path = daemon.folder().join(format!("{name}.jsonl"));
        text += &format!("\n[[told_file]]\nname = \"{name}\"\npath = \"{}\"\n", path.display());
    }
    std::fs::write(file, text).expect("the configuration can be written");
    daemon
}

/// A scenario that was played to its end.
pub(crate) struct PlayedThrough {
    pub(crate) truth: Truth,
    /// Every message that was brought, oldest first.
    pub(crate) messages: Vec<Message>,
    pub(crate) reader: Reader,
    pub(crate) daemon: Daemon,
    pub(crate) broker: Mosquitto,
}

/// Plays a scenario of the simulator through a daemon of its own; nobody answers. After
/// each `restart_every` half hours the daemon is killed and started again (0: never).
pub(crate) fn play_through(scenario: &str, garden: &str, restart_every: usize) -> PlayedThrough {
    let broker = Mosquitto::start();
    let mut daemon = daemon_with_ways(broker.port(), garden);
    daemon.arguments = vec!["--clock", "simulated"];
    daemon.start();
    await_online(&broker);
    let played = Played::new(scenario, garden);
    let reader = daemon.reader();
    let (mut sent, mut steps) = (0, 0);
    while sent < played.sent.len() {
        let until = played.sent[sent].send_at + STEP;
        let count = played.sent[sent..].iter().take_while(|it| it.send_at < until).count();
        send(
            broker.port(),
            played.sent[sent..sent + count].iter().map(|it| Post::new(&it.topic, &it.payload)).collect(),
        );
        sent += count;
        steps += 1;
        settle(&mut daemon, &reader, sent);
        if restart_every > 0 && steps % restart_every == 0 {
            daemon.kill();
            daemon.start();
        }
    }
    let messages = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages can be read");
    for it in &messages {
        assert_eq!(it.state, MessageState::Sent, "{:?}: {}", it.message, it.reason);
    }
    let messages = messages.into_iter().map(|it| it.message).collect();
    PlayedThrough { truth: played.truth, messages, reader, daemon, broker }
}

/// Waits until the session has subscribed: what is sent before reaches nobody.
pub(crate) fn await_online(broker: &Mosquitto) {
    Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
}

/// Waits until so many readings are stored and no message waits.
fn settle(daemon: &mut Daemon, reader: &Reader, sent: usize) {
    wait_until(&format!("{sent} readings in the store and no message that waits"), LIMIT, || {
        daemon.assert_alive();
        let stored = reader.count().expect("the store can be read");
        let all = usize::try_from(stored).is_ok_and(|stored| stored == sent);
        let waiting = || {
            let messages = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("messages");
            messages.iter().any(|it| it.state == MessageState::Waiting)
        };
        (all && !waiting()).then_some(())
    });
}

/// One line of the table.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct ToldRow {
    pub(crate) scenario: String,
    /// What was true: kind and place.
    pub(crate) truth: String,
    pub(crate) since: Timestamp,
    /// Who was told, by which way and when; `None`: nobody.
    pub(crate) told: Option<ToldCell>,
}

/// Who was told, by which way, when and in which words.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct ToldCell {
    pub(crate) who: String,
    pub(crate) way: String,
    pub(crate) at: Timestamp,
    pub(crate) priority: &'static str,
    pub(crate) words: String,
}

impl ToldRow {
    /// How long after the truth it was told.
    pub(crate) fn after(&self) -> Option<SignedDuration> {
        self.told.as_ref().map(|told| told.at.duration_since(self.since))
    }
}

/// What was told of the true events of one kind and place: a row for each message about
/// it to a group, and one for each event that has to be told and of which nobody was.
pub(crate) fn rows_of(
    scenario: &str,
    events: &[TrueEvent],
    messages: &[Message],
    (kind, place): (&str, &str),
) -> Vec<ToldRow> {
    let truth = format!("{kind} {place}");
    let events: Vec<&TrueEvent> = events.iter().filter(|it| it.kind == kind && it.place == place).collect();
    let mut rows: Vec<ToldRow> = Vec::new();
    for message in messages {
        let about = |it: &trug::telling::Item| it.key.kind.name() == kind && it.key.place.as_str() == place;
        let Some(item) = message.items.iter().find(|item| about(item)) else { continue };
        // What the alarm is about began at about its own beginning; of a message without
        // an event the alarm's word is all that there is.
        let way = format!("{}:{}", message.address.channel.name(), message.address.to);
        let same = |row: &&mut ToldRow| {
            row.told.as_ref().is_some_and(|told: &ToldCell| {
                (&told.who, told.at, &told.words) == (&message.who, message.made_at, &message.subject)
            })
        };
        if let Some(told) = rows.iter_mut().find(same).and_then(|row| row.told.as_mut()) {
            told.way = format!("{}+{}", told.way, message.address.to);
            continue;
        }
        let began = events.iter().rev().find(|it| it.from <= message.made_at).map(|it| it.from);
        rows.push(ToldRow {
            scenario: scenario.to_owned(),
            truth: truth.clone(),
            since: began.unwrap_or(item.since),
            told: Some(ToldCell {
                who: message.who.clone(),
                way,
                at: message.made_at,
                priority: message.priority.name(),
                words: message.subject.clone(),
            }),
        });
    }
    for event in events.iter().filter(|it| it.must) {
        if !rows.iter().any(|row| row.since == event.from) {
            rows.push(ToldRow {
                scenario: scenario.to_owned(),
                truth: truth.clone(),
                since: event.from,
                told: None,
            });
        }
    }
    rows.sort_by_key(|row| (row.told.as_ref().map_or(row.since, |told| told.at), row.since));
    rows
}

/// The table as it is printed.
pub(crate) struct ToldTable<'a> {
    pub(crate) rows: &'a [ToldRow],
    pub(crate) zone: &'a TimeZone,
}

impl fmt::Display for ToldTable<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let local = |at: Timestamp| self.zone.to_datetime(at).strftime("%a %d %b %H:%M").to_string();
        writeln!(
            f,
            "{:<16} {:<34} {:<17} {:<8} {:<25} {:<17} {:>7} {:<6} first words",
            "scenario", "true", "since", "told", "by", "at", "after", "tag"
        )?;
        for row in self.rows {
            write!(f, "{:<16} {:<34} {:<17} ", row.scenario, row.truth, local(row.since))?;
            match (&row.told, row.after()) {
                (Some(told), Some(after)) => {
                    let after = format!("{}:{:02}", after.as_hours(), after.as_mins() % 60);
                    let words: String = told.words.chars().take(WORDS).collect();
                    writeln!(
                        f,
                        "{:<8} {:<25} {:<17} {:>7} {:<6} {words}",
                        told.who,
                        told.way,
                        local(told.at),
                        after,
                        told.priority
                    )?;
                }
                _ => writeln!(f, "nobody")?,
            }
        }
        Ok(())
    }
}

//! `trug alarms ack`, `shelve`, `note` and their like: a person's answer to an alarm.

use std::io::Write;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use clap::builder::{PossibleValuesParser, TypedValueParser};
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::exit::{Exit, WrongInput};
use super::local_out::LocalWriter;
use super::shared::{garden_of, place_name, reader, zone_of};
use crate::alarms::{AlarmKey, AlarmNote, Answer, Finding};
use crate::alarms::{Input, Kind, State};
use crate::answering::{shelf_accepted, shelf_end};
use crate::engine::system_now;
use crate::garden::plan::Garden;
use crate::model::Id;
use crate::settings::Settings;
use crate::store::{AlarmRow, Reader, leave_answer};
use crate::text::labels;

/// How long to wait for the daemon to take the answer.
const PATIENCE: Duration = Duration::from_secs(6);

/// Said wherever a note is kept.
const NO_NAMES: &str = "Notes are kept and shown with the alarm: write no names of children.";

/// The alarm that is answered, and what is said with it.
#[derive(Clone, Debug, clap::Args)]
pub struct ReplyTo {
    /// The alarm, such as dry-bed/kitchen-bed
    #[arg(value_name = "KIND/PLACE")]
    alarm: String,
    /// A line to keep with the answer, at most 500 characters; no names of children
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
}

/// What a person answers.
#[derive(Clone, Debug, clap::Subcommand)]
pub enum Reply {
    /// Mark an alarm as seen: somebody has taken it on
    Ack {
        #[command(flatten)]
        to: ReplyTo,
        /// What was found where water ran that should not: timer, hose or no-idea
        #[arg(long, value_name = "WHAT", value_parser = found_parser())]
        found: Option<Finding>,
    },
    /// Say that all is well, of an alarm that stays after its end because harm may be done
    Reset(ReplyTo),
    /// Put an alarm aside for a while; nobody is told of it
    Shelve {
        #[command(flatten)]
        to: ReplyTo,
        /// How long: 90m, 2h, 3d; at most 2h for what is about fish
        #[arg(long, value_name = "TIME")]
        r#for: String,
        /// Only until its condition is over, if that comes first
        #[arg(long)]
        once: bool,
    },
    /// Take an alarm up again that was put aside
    Unshelve(ReplyTo),
    /// Switch an alarm off until it is put back
    Off(ReplyTo),
    /// Put an alarm back that was switched off
    On(ReplyTo),
    /// Write a line beside an open alarm: what was found or done; no names of children
    Note {
        /// The alarm, such as dry-bed/kitchen-bed
        #[arg(value_name = "KIND/PLACE")]
        alarm: String,
        /// At most 500 characters; it is kept and shown with the alarm
        #[arg(value_name = "TEXT")]
        text: String,
    },
}

fn found_parser() -> impl TypedValueParser<Value = Finding> {
    PossibleValuesParser::new(Finding::ALL.map(Finding::name))
        .map(|name| Finding::from_name(&name).expect("one of the possible values"))
}

impl Reply {
    /// The alarm that is meant, and the note.
    fn to(&self) -> (&str, Option<&str>) {
        match self {
            Self::Ack { to, .. } | Self::Reset(to) | Self::Unshelve(to) | Self::Off(to) | Self::On(to) => {
                (&to.alarm, to.note.as_deref())
            }
            Self::Shelve { to, .. } => (&to.alarm, to.note.as_deref()),
            Self::Note { alarm, text } => (alarm, Some(text)),
        }
    }

    /// Whether an alarm in this state can be answered so.
    fn fits(&self, state: State) -> bool {
        match self {
            Self::Ack { .. } => state.waits(),
            Self::Reset(_) => state == State::LatchedAcknowledged,
            Self::Shelve { .. } | Self::Off(_) => !state.is_hidden(),
            Self::Unshelve(_) => state == State::Shelved,
            Self::On(_) => state == State::OutOfService,
            Self::Note { .. } => state != State::Normal,
        }
    }

    /// Completes "... is not".
    fn wanted(&self) -> &'static str {
        match self {
            Self::Ack { .. } => "waiting for an answer",
            Self::Reset(_) => {
                "waiting to be declared over: only one that stays after its end, and was seen, can be reset"
            }
            Self::Shelve { .. } | Self::Off(_) => {
                "in sight: it is put aside, kept quiet or switched off already"
            }
            Self::Unshelve(_) => "put aside",
            Self::On(_) => "switched off",
            Self::Note { .. } => "open",
        }
    }

    /// Completes "dry-bed of Kitchen bed ...".
    fn done(&self) -> &'static str {
        match self {
            Self::Ack { .. } => "is marked as seen",
            Self::Reset(_) => "is over",
            Self::Shelve { .. } => "is put aside",
            Self::Unshelve(_) => "is back from being put aside",
            Self::Off(_) => "is switched off: nobody is told of it until it is put back",
            Self::On(_) => "is back in service",
            Self::Note { .. } => "has your note",
        }
    }

    /// The occurrence that is meant, where the answer is for no other one: it may
    /// wait for hours before a daemon takes it.
    fn since(&self, present: Option<&AlarmRow>) -> Option<Timestamp> {
        match self {
            Self::Ack { .. } | Self::Reset(_) | Self::Note { .. } => {
                present.filter(|alarm| !alarm.record.state.is_hidden()).map(|alarm| alarm.record.since)
            }
            Self::Shelve { .. } | Self::Unshelve(_) | Self::Off(_) | Self::On(_) => None,
        }
    }

    /// The core's input; `None` for a note.
    fn input(&self, kind: Kind, now: Timestamp, zone: &TimeZone) -> Result<Option<Input>, String> {
        Ok(Some(match self {
            Self::Ack { .. } => Input::Acknowledge,
            Self::Reset(_) => Input::Reset,
            Self::Shelve { r#for, once, .. } => {
                Input::Shelve { until: until(kind, r#for, now, zone)?, one_shot: *once }
            }
            Self::Unshelve(_) => Input::Unshelve,
            Self::Off(_) => Input::TakeOut,
            Self::On(_) => Input::PutBack,
            Self::Note { .. } => return Ok(None),
        }))
    }
}

/// The end of a length of time that begins now; days are days of the garden's clock.
fn until(kind: Kind, length: &str, now: Timestamp, zone: &TimeZone) -> Result<Timestamp, String> {
    shelf_end(kind, length, now, zone).ok_or_else(|| format!("--for {length:?}: {}", shelf_accepted(kind)))
}

/// Leaves the answer and waits until the daemon has taken it: yes where it was taken or
/// is kept for the daemon, no where the alarm is not one that can be answered so.
///
/// # Errors
/// When the store cannot be read or written, or [`WrongInput`].
pub fn run(
    settings: &Settings,
    site: Option<&str>,
    reply: &Reply,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let out: &mut dyn Write = &mut LocalWriter::new(out, json, &settings.gardens, site);
    let (alarm, note) = reply.to();
    let (note, found) = match reply {
        Reply::Ack { found: Some(found), .. } => (Some(found.note(note)), true),
        _ => (note.map(str::to_owned), false),
    };
    let note = note.as_deref();
    let (kind, place) = alarm_named(alarm, found).map_err(WrongInput::new)?;
    note.map_or(Ok(()), AlarmNote::check).map_err(WrongInput::new)?;
    let reader = reader(settings)?;
    let open = reader.alarms_present().context("reading the alarms")?;
    let key = key(&settings.gardens, &open, site, kind, place).map_err(WrongInput::new)?;
    let garden = garden_of(&settings.gardens, &key.site);
    let zone = zone_of(garden);
    let present = open.iter().find(|a| a.record.key == key);
    let before = present.map_or(State::Normal, |a| a.record.state);
    if !reply.fits(before) {
        writeln!(out, "{alarm} is not {}; `trug alarms` lists those that are open", reply.wanted())?;
        return Ok(Exit::No);
    }
    let now = system_now();
    let input = reply.input(kind, now, &zone).map_err(WrongInput::new)?;
    let left = Answer {
        key: key.clone(),
        at: now,
        input,
        how: "command".to_owned(),
        since: reply.since(present),
        note: note.map(str::to_owned),
    };
    let notes = kept_notes(&reader, &left)?;
    let Some(seq) = leave_answer(&settings.store.path, &left).context("leaving the answer")? else {
        return Err(WrongInput::new("that says nothing").into());
    };
    let taken = wait_until_taken(&reader, seq)?;
    let did = match taken {
        Taken::No => false,
        // A note is the one answer that leaves the alarm as it was.
        Taken::Yes if input.is_none() => kept_notes(&reader, &left)? > notes,
        Taken::Yes => {
            let after = reader.alarms_present().context("reading the alarms")?;
            after.iter().find(|a| a.record.key == key).map_or(State::Normal, |a| a.record.state) != before
        }
    };
    let until = match input {
        Some(Input::Shelve { until, .. }) => Some(until),
        _ => None,
    };
    let exit = Exit::yes_if(did || taken == Taken::No);
    if json {
        let told = serde_json::json!({
            "alarm": alarm, "site": key.site.as_str(), "taken": did,
            "waits": taken == Taken::No, "until": until.map(|until| until.to_string()), "note": note,
        });
        writeln!(out, "{told}")?;
        return Ok(exit);
    }
    let name = format!("{} of {}", key.kind.name(), place_name(garden, &key.place));
    let said = match taken {
        Taken::Yes if did => {
            let until =
                until.map_or_else(String::new, |at| format!(" until {}", labels::full_moment(at, &zone)));
            format!("{name} {}{until}.", reply.done())
        }
        Taken::Yes => format!(
            "{name} had changed meanwhile, and your answer changed nothing; `trug alarms` says how it stands."
        ),
        Taken::No => format!(
            "The answer to {name} is kept. No running daemon has taken it yet; `trug run` takes it when it starts."
        ),
    };
    writeln!(out, "{said}")?;
    if note.is_some() && exit == Exit::Yes {
        writeln!(out, "{NO_NAMES}")?;
    }
    Ok(exit)
}

/// The alarm's kind and place in KIND/PLACE. `found`: what was found is to be told of it.
fn alarm_named(alarm: &str, found: bool) -> Result<(Kind, &str), String> {
    let named = alarm.split_once('/').and_then(|(kind, place)| Some((Kind::from_name(kind)?, place)));
    let (kind, place) = named
        .ok_or_else(|| format!("{alarm:?} names no alarm; write KIND/PLACE, such as dry-bed/kitchen-bed"))?;
    if found && !kind.asks_found() {
        return Err(format!("--found goes with watering-hours and water-left-on, not with {}", kind.name()));
    }
    Ok((kind, place))
}

/// Whether the daemon has taken an answer.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Taken {
    Yes,
    No,
}

fn wait_until_taken(reader: &Reader, seq: i64) -> anyhow::Result<Taken> {
    let deadline = Instant::now() + PATIENCE;
    loop {
        if !reader.answer_waits(seq).context("reading the answers")? {
            return Ok(Taken::Yes);
        }
        if Instant::now() >= deadline {
            return Ok(Taken::No);
        }
        std::thread::sleep(Duration::from_millis(200));
    }
}

/// How often the words of an answer are kept with its alarm.
fn kept_notes(reader: &Reader, left: &Answer) -> anyhow::Result<usize> {
    let Some(text) = &left.note else { return Ok(0) };
    let notes = reader
        .notes(Timestamp::MIN, Timestamp::MAX, Some(left.key.site.as_str()))
        .context("reading the notes")?;
    Ok(notes.iter().filter(|it| it.key == left.key && it.note == *text).count())
}

/// The alarm that is meant: at a place of a garden's plan, or one that is open.
fn key(
    gardens: &[Garden],
    open: &[AlarmRow],
    site: Option<&str>,
    kind: Kind,
    place: &str,
) -> Result<AlarmKey, String> {
    let planned = gardens.iter().filter(|garden| has(garden, place)).map(|garden| &garden.site.id);
    let open = open
        .iter()
        .filter(|a| a.record.key.kind == kind && a.record.key.place.as_str() == place)
        .map(|a| &a.record.key.site);
    let mut sites: Vec<&Id> =
        planned.chain(open).filter(|id| site.is_none_or(|site| id.as_str() == site)).collect();
    sites.sort();
    sites.dedup();
    match sites.as_slice() {
        [only] => Ok(AlarmKey { site: (*only).clone(), kind, place: Id::new(place) }),
        [] => Err(format!("no bed, tank or sensor is called {place:?}")),
        several => {
            let sites: Vec<&str> = several.iter().map(|id| id.as_str()).collect();
            Err(format!("several gardens have {place}: {}; say which with --site", sites.join(", ")))
        }
    }
}

fn has(garden: &Garden, place: &str) -> bool {
    garden.beds.iter().any(|b| b.id.as_str() == place)
        || garden.tanks.iter().any(|t| t.id.as_str() == place)
        || garden.sensors.iter().any(|s| s.id.as_str() == place)
        || garden.gateways.iter().any(|g| g.id.as_str() == place)
        // What belongs to no gateway falls silent as the site.
        || garden.site.id.as_str() == place
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_of_time_ends_on_the_gardens_clock() {
        let zone = TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database");
        let now: Timestamp = "2026-04-04T05:30:00Z".parse().expect("a time");
        let end = |length: &str| until(Kind::DryBed, length, now, &zone).map(|at| at.to_string());
        assert_eq!(end("2h").as_deref(), Ok("2026-04-04T07:30:00Z"));
        assert_eq!(end("90m").as_deref(), Ok("2026-04-04T07:00:00Z"));
        // The clock goes back on the night of 5 April: the day has 25 hours.
        assert_eq!(end("1d").as_deref(), Ok("2026-04-05T06:30:00Z"));
        for length in ["", "soon", "-2h", "0h", "61d", "3 fortnights"] {
            let why = end(length).expect_err(length);
            assert!(why.contains("accepted is a time such as 90m, 2h or 3d, up to 60d"), "{why}");
        }
    }
}

//! `trug alarms ack`, `shelve`, `note` and their like: a person's answer to an alarm.

use std::io::Write;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::alarms::{AlarmKey, AlarmNote};
use crate::alarms::{Input, Kind, State};
use crate::answering::{SHELF_MAX_DAYS, shelf_end};
use crate::engine::system_now;
use crate::garden::plan::Garden;
use crate::garden::plan::place_called;
use crate::model::Id;
use crate::settings::Settings;
use crate::store::{AlarmRecord, Reader, leave_answer};
use crate::text::labels;

/// Exit codes: done; the alarm is not one that can be answered so; the request is wrong.
const DONE: u8 = 0;
const NOTHING_TO_ANSWER: u8 = 1;
const WRONG_INPUT: u8 = 2;

/// How long to wait for the daemon to take the answer.
const PATIENCE: Duration = Duration::from_secs(6);

/// Said wherever a note is kept.
const NO_NAMES: &str = "Notes are kept and shown with the alarm: write no names of children.";

/// What a person answers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Seen; somebody has taken it on.
    Acknowledge,
    /// Somebody has looked, and all is well.
    Reset,
    /// Put aside for a time, or until its condition is over if that comes first.
    Shelve {
        length: String,
        once: bool,
    },
    Unshelve,
    /// Out of service, until it is put back.
    TakeOut,
    PutBack,
    /// A note and nothing else.
    Note,
}

impl Answer {
    /// Whether an alarm in this state can be answered so.
    fn fits(&self, state: State) -> bool {
        match self {
            Self::Acknowledge => state.waits(),
            Self::Reset => state == State::LatchedAcknowledged,
            Self::Shelve { .. } | Self::TakeOut => !state.is_hidden(),
            Self::Unshelve => state == State::Shelved,
            Self::PutBack => state == State::OutOfService,
            Self::Note => state != State::Normal,
        }
    }

    /// Completes "... is not".
    fn wanted(&self) -> &'static str {
        match self {
            Self::Acknowledge => "waiting for an answer",
            Self::Reset => {
                "waiting to be declared over: only one that stays after its end, and was seen, can be reset"
            }
            Self::Shelve { .. } | Self::TakeOut => {
                "in sight: it is put aside, kept quiet or switched off already"
            }
            Self::Unshelve => "put aside",
            Self::PutBack => "switched off",
            Self::Note => "open",
        }
    }

    /// Completes "dry-bed of Kitchen bed ...".
    fn done(&self) -> &'static str {
        match self {
            Self::Acknowledge => "is marked as seen",
            Self::Reset => "is over",
            Self::Shelve { .. } => "is put aside",
            Self::Unshelve => "is back from being put aside",
            Self::TakeOut => "is switched off: nobody is told of it until it is put back",
            Self::PutBack => "is back in service",
            Self::Note => "has your note",
        }
    }

    /// The occurrence that is meant, where the answer is for no other one: it may
    /// wait for hours before a daemon takes it.
    fn since(&self, present: Option<&AlarmRecord>) -> Option<Timestamp> {
        match self {
            Self::Acknowledge | Self::Reset | Self::Note => {
                present.filter(|alarm| !alarm.state.is_hidden()).map(|alarm| alarm.since)
            }
            Self::Shelve { .. } | Self::Unshelve | Self::TakeOut | Self::PutBack => None,
        }
    }

    /// The core's input; `None` for a note.
    fn input(&self, now: Timestamp, zone: &TimeZone) -> Result<Option<Input>, String> {
        Ok(Some(match self {
            Self::Acknowledge => Input::Acknowledge,
            Self::Reset => Input::Reset,
            Self::Shelve { length, once } => {
                Input::Shelve { until: until(length, now, zone)?, one_shot: *once }
            }
            Self::Unshelve => Input::Unshelve,
            Self::TakeOut => Input::TakeOut,
            Self::PutBack => Input::PutBack,
            Self::Note => return Ok(None),
        }))
    }
}

/// The end of a length of time that begins now; days are days of the garden's clock.
fn until(length: &str, now: Timestamp, zone: &TimeZone) -> Result<Timestamp, String> {
    shelf_end(length, now, zone).ok_or_else(|| {
        format!("--for {length:?}: accepted is a time such as 90m, 2h or 3d, up to {SHELF_MAX_DAYS}d")
    })
}

/// Leaves the answer and waits until the daemon has taken it. The exit code is 0
/// where it was taken or is kept for the daemon, 1 where the alarm is not one that
/// can be answered so, 2 where the request is wrong.
///
/// # Errors
/// When the store cannot be read or written (exit code 3).
pub fn run(
    settings: &Settings,
    site: Option<&str>,
    alarm: &str,
    answer: &Answer,
    note: Option<&str>,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    let wrong = |why: String, out: &mut dyn Write| -> anyhow::Result<u8> {
        writeln!(out, "{why}")?;
        Ok(WRONG_INPUT)
    };
    let Some((kind, place)) =
        alarm.split_once('/').and_then(|(kind, place)| Some((Kind::from_name(kind)?, place)))
    else {
        return wrong(
            format!("{alarm:?} names no alarm; write KIND/PLACE, such as dry-bed/kitchen-bed"),
            out,
        );
    };
    if let Some(Err(why)) = note.map(AlarmNote::check) {
        return wrong(why, out);
    }
    let reader = Reader::open(&settings.store.path).context("opening the store")?;
    let open = reader.alarms_present().context("reading the alarms")?;
    let key = match key(&settings.gardens, &open, site, kind, place) {
        Ok(key) => key,
        Err(why) => return wrong(why, out),
    };
    let garden = settings.gardens.iter().find(|garden| garden.site.id == key.site);
    let zone = garden.map_or(TimeZone::UTC, |garden| garden.site.time_zone.clone());
    let present = open.iter().find(|a| a.key == key);
    let before = present.map_or(State::Normal, |a| a.state);
    if !answer.fits(before) {
        writeln!(out, "{alarm} is not {}; `trug alarms` lists those that are open", answer.wanted())?;
        return Ok(NOTHING_TO_ANSWER);
    }
    let now = system_now();
    let input = match answer.input(now, &zone) {
        Ok(input) => input,
        Err(why) => return wrong(why, out),
    };
    let left = crate::alarms::Answer {
        key: key.clone(),
        at: now,
        input,
        how: "command".to_owned(),
        since: answer.since(present),
        note: note.map(str::to_owned),
    };
    let notes = kept_notes(&reader, &left)?;
    let Some(seq) = leave_answer(&settings.store.path, &left).context("leaving the answer")? else {
        return wrong("that says nothing".to_owned(), out);
    };
    let taken = wait_until_taken(&reader, seq)?;
    let did = match taken {
        Taken::No => false,
        // A note is the one answer that leaves the alarm as it was.
        Taken::Yes if input.is_none() => kept_notes(&reader, &left)? > notes,
        Taken::Yes => {
            let after = reader.alarms_present().context("reading the alarms")?;
            after.iter().find(|a| a.key == key).map_or(State::Normal, |a| a.state) != before
        }
    };
    let until = match input {
        Some(Input::Shelve { until, .. }) => Some(until),
        _ => None,
    };
    let code = if did || taken == Taken::No { DONE } else { NOTHING_TO_ANSWER };
    if json {
        writeln!(
            out,
            "{}",
            serde_json::json!({
                "alarm": alarm, "site": key.site.as_str(), "taken": did,
                "waits": taken == Taken::No, "until": until.map(|until| until.to_string()), "note": note,
            })
        )?;
        return Ok(code);
    }
    let name = name(garden, &key);
    match taken {
        Taken::Yes if did => {
            let until =
                until.map_or_else(String::new, |at| format!(" until {}", labels::full_moment(at, &zone)));
            writeln!(out, "{name} {}{until}.", answer.done())?;
        }
        Taken::Yes => writeln!(
            out,
            "{name} had changed meanwhile, and your answer changed nothing; `trug alarms` says how it stands."
        )?,
        Taken::No => writeln!(
            out,
            "The answer to {name} is kept. No running daemon has taken it yet; `trug run` takes it when it starts."
        )?,
    }
    if note.is_some() && code == DONE {
        writeln!(out, "{NO_NAMES}")?;
    }
    Ok(code)
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
fn kept_notes(reader: &Reader, left: &crate::alarms::Answer) -> anyhow::Result<usize> {
    let Some(text) = &left.note else { return Ok(0) };
    let notes = reader
        .notes(Timestamp::MIN, Timestamp::MAX, Some(left.key.site.as_str()))
        .context("reading the notes")?;
    Ok(notes.iter().filter(|it| it.key == left.key && it.note == *text).count())
}

/// The alarm that is meant: at a place of a garden's plan, or one that is open.
fn key(
    gardens: &[Garden],
    open: &[AlarmRecord],
    site: Option<&str>,
    kind: Kind,
    place: &str,
) -> Result<AlarmKey, String> {
    let planned = gardens.iter().filter(|garden| has(garden, place)).map(|garden| &garden.site.id);
    let open =
        open.iter().filter(|a| a.key.kind == kind && a.key.place.as_str() == place).map(|a| &a.key.site);
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

fn name(garden: Option<&Garden>, key: &AlarmKey) -> String {
    let place = garden.map_or_else(|| key.place.to_string(), |garden| place_called(garden, &key.place));
    format!("{} of {place}", key.kind.name())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_of_time_ends_on_the_gardens_clock() {
        let zone = TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database");
        let now: Timestamp = "2026-04-04T05:30:00Z".parse().expect("a time");
        let end = |length: &str| until(length, now, &zone).map(|at| at.to_string());
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

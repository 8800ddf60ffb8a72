//! `trug alarms ack`, `shelve` and their like: a person's answer to an alarm.

use std::io::Write;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

use super::daemon::system_now;
use crate::alarms::{Input, Kind, State};
use crate::garden::plan::{Garden, Id};
use crate::garden::record::AlarmKey;
use crate::page::words;
use crate::settings::Settings;
use crate::store::{Reader, leave_answer};

/// Exit codes: done; the alarm is not one that can be answered so; the request is wrong.
const DONE: u8 = 0;
const NOTHING_TO_ANSWER: u8 = 1;
const WRONG_INPUT: u8 = 2;

/// How long to wait for the daemon to take the answer.
const PATIENCE: Duration = Duration::from_secs(6);

/// Longest time for which an alarm may be put aside, days.
const SHELF_MAX_DAYS: i32 = 60;

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
        }
    }

    /// The core's input.
    fn input(&self, now: Timestamp, zone: &TimeZone) -> Result<Input, String> {
        Ok(match self {
            Self::Acknowledge => Input::Acknowledge,
            Self::Reset => Input::Reset,
            Self::Shelve { length, once } => {
                Input::Shelve { until: until(length, now, zone)?, one_shot: *once }
            }
            Self::Unshelve => Input::Unshelve,
            Self::TakeOut => Input::TakeOut,
            Self::PutBack => Input::PutBack,
        })
    }
}

/// The end of a length of time that begins now; days are days of the garden's clock.
fn until(length: &str, now: Timestamp, zone: &TimeZone) -> Result<Timestamp, String> {
    let accepted =
        format!("--for {length:?}: accepted is a time such as 90m, 2h or 3d, up to {SHELF_MAX_DAYS}d");
    let span: Span = length.parse().map_err(|_| accepted.clone())?;
    let start = now.to_zoned_datetime(zone.clone());
    let end = start.checked_add(span).map_err(|_| accepted.clone())?.timestamp();
    let last = start.checked_add(Span::new().days(SHELF_MAX_DAYS)).map_err(|_| accepted.clone())?;
    if end <= now || end > last.timestamp() { Err(accepted) } else { Ok(end) }
}

/// Leaves the answer and waits until the daemon has taken it.
///
/// # Errors
/// When the store cannot be read or written (exit code 3).
pub fn run(
    settings: &Settings,
    site: Option<&str>,
    alarm: &str,
    answer: &Answer,
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
    let with_place: Vec<&Garden> = settings
        .gardens
        .iter()
        .filter(|g| site.is_none_or(|id| g.site.id.as_str() == id) && has(g, place))
        .collect();
    let garden = match with_place.as_slice() {
        [only] => *only,
        [] => return wrong(format!("no bed, tank, sensor or gateway is called {place:?}"), out),
        several => {
            let sites: Vec<&str> = several.iter().map(|g| g.site.id.as_str()).collect();
            return wrong(
                format!("several gardens have {place}: {}; say which with --site", sites.join(", ")),
                out,
            );
        }
    };
    let key = AlarmKey { site: garden.site.id.clone(), kind, place: Id::new(place) };
    let reader = Reader::open(&settings.store.path).context("opening the store")?;
    let state = |reader: &Reader| -> anyhow::Result<State> {
        let present = reader.alarms_present().context("reading the alarms")?;
        Ok(present.iter().find(|a| a.key == key).map_or(State::Normal, |a| a.state))
    };
    let before = state(&reader)?;
    if !answer.fits(before) {
        writeln!(out, "{alarm} is not {}; `trug alarms` lists those that are open", answer.wanted())?;
        return Ok(NOTHING_TO_ANSWER);
    }
    let now = system_now();
    let input = match answer.input(now, &garden.site.time_zone) {
        Ok(input) => input,
        Err(why) => return wrong(why, out),
    };
    leave_answer(&settings.store.path, &key, input, "command", now).context("leaving the answer")?;
    let deadline = Instant::now() + PATIENCE;
    let mut taken = false;
    while !taken && Instant::now() < deadline {
        std::thread::sleep(Duration::from_millis(200));
        taken = state(&reader)? != before;
    }
    let until = match input {
        Input::Shelve { until, .. } => Some(until),
        _ => None,
    };
    if json {
        writeln!(
            out,
            "{}",
            serde_json::json!({
                "alarm": alarm, "site": key.site.as_str(), "taken": taken,
                "until": until.map(|until| until.to_string()),
            })
        )?;
        return Ok(DONE);
    }
    let name = name(garden, &key);
    if taken {
        let until = until.map_or_else(String::new, |at| {
            format!(" until {}", words::full_moment(at, &garden.site.time_zone))
        });
        writeln!(out, "{name} {}{until}.", answer.done())?;
    } else {
        writeln!(
            out,
            "The answer to {name} is kept. No running daemon has taken it yet; `trug run` takes it when it starts."
        )?;
    }
    Ok(DONE)
}

fn has(garden: &Garden, place: &str) -> bool {
    garden.beds.iter().any(|b| b.id.as_str() == place)
        || garden.tanks.iter().any(|t| t.id.as_str() == place)
        || garden.sensors.iter().any(|s| s.id.as_str() == place)
        || garden.gateways.iter().any(|g| g.id.as_str() == place)
        // What belongs to no gateway falls silent as the site.
        || garden.site.id.as_str() == place
}

fn name(garden: &Garden, key: &AlarmKey) -> String {
    let bed = garden.beds.iter().find(|b| b.id == key.place).map(|b| b.name.clone());
    let tank = || garden.tanks.iter().find(|t| t.id == key.place).map(|t| t.name.clone());
    let gateway = || garden.gateways.iter().find(|g| g.id == key.place).map(|g| g.name.clone());
    let place = bed.or_else(tank).or_else(gateway);
    format!("{} of {}", key.kind.name(), place.unwrap_or_else(|| key.place.to_string()))
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

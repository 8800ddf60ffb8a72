//! `trug alarms ack KIND/PLACE`: somebody has taken the alarm on.

use std::io::Write;
use std::time::{Duration, Instant};

use anyhow::Context as _;

use super::daemon::system_now;
use crate::alarms::{Kind, State};
use crate::garden::plan::Garden;
use crate::garden::record::AlarmKey;
use crate::settings::Settings;
use crate::store::{Reader, leave_answer};

/// Exit codes: done; there is no such alarm to answer; the request is wrong.
const DONE: u8 = 0;
const NOTHING_OPEN: u8 = 1;
const WRONG_INPUT: u8 = 2;

/// How long to wait for the daemon to take the answer.
const PATIENCE: Duration = Duration::from_secs(6);

/// Leaves the answer and waits until the daemon has taken it.
///
/// # Errors
/// When the store cannot be read or written (exit code 3).
pub fn run(
    settings: &Settings,
    site: Option<&str>,
    alarm: &str,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    let Some((kind, place)) =
        alarm.split_once('/').and_then(|(kind, place)| Some((Kind::from_name(kind)?, place)))
    else {
        writeln!(out, "{alarm:?} names no alarm; write KIND/PLACE, such as dry-bed/kitchen-bed")?;
        return Ok(WRONG_INPUT);
    };
    let open = |reader: &Reader| -> anyhow::Result<Vec<(AlarmKey, State)>> {
        let present = reader.alarms_present().context("reading the alarms")?;
        Ok(present
            .into_iter()
            .filter(|a| a.key.kind == kind && a.key.place.as_str() == place)
            .filter(|a| site.is_none_or(|id| a.key.site.as_str() == id))
            .map(|a| (a.key, a.state))
            .collect())
    };
    let reader = Reader::open(&settings.store.path).context("opening the store")?;
    let waiting = |state: State| matches!(state, State::Unacknowledged | State::ReturnedUnacknowledged);
    let found: Vec<AlarmKey> =
        open(&reader)?.into_iter().filter(|(_, s)| waiting(*s)).map(|(key, _)| key).collect();
    let key = match found.as_slice() {
        [key] => key.clone(),
        [] => {
            writeln!(out, "{alarm} is not waiting for an answer; `trug alarms` lists those that are")?;
            return Ok(NOTHING_OPEN);
        }
        several => {
            let sites: Vec<String> = several.iter().map(|k| k.site.to_string()).collect();
            writeln!(out, "several gardens have {alarm}: {}; say which with --site", sites.join(", "))?;
            return Ok(WRONG_INPUT);
        }
    };
    leave_answer(&settings.store.path, &key, system_now()).context("leaving the answer")?;
    let deadline = Instant::now() + PATIENCE;
    let mut taken = false;
    while !taken && Instant::now() < deadline {
        std::thread::sleep(Duration::from_millis(200));
        taken = !open(&reader)?.iter().any(|(k, state)| *k == key && waiting(*state));
    }
    if json {
        writeln!(
            out,
            "{}",
            serde_json::json!({ "alarm": alarm, "site": key.site.as_str(), "taken": taken })
        )?;
    } else if taken {
        writeln!(out, "{} is marked as seen.", name(&settings.gardens, &key))?;
    } else {
        writeln!(
            out,
            "The answer to {} is kept. No running daemon has taken it yet; `trug run` takes it when it starts.",
            name(&settings.gardens, &key)
        )?;
    }
    Ok(DONE)
}

fn name(gardens: &[Garden], key: &AlarmKey) -> String {
    let place = gardens.iter().filter(|g| g.site.id == key.site).find_map(|g| {
        let bed = g.beds.iter().find(|b| b.id == key.place).map(|b| b.name.clone());
        bed.or_else(|| g.tanks.iter().find(|t| t.id == key.place).map(|t| t.name.clone()))
    });
    format!("{} of {}", key.kind.name(), place.unwrap_or_else(|| key.place.to_string()))
}

//! `trug watch`: readings as they come from the broker, raw and calibrated, one line each, for who
//! stands in the garden with a telephone.
//!
//! They go the daemon's own way, through decoder, calibration and quality tests, in this process
//! alone: nothing is stored and nobody is told. Tests that need earlier readings (a spike, a flat
//! line) know those that came since the command began.

use std::collections::BTreeSet;
use std::io::Write;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use jiff::Timestamp;
use serde_json::json;
use tokio::sync::mpsc;

use super::exit::{Exit, WrongInput};
use super::local_out::LocalWriter;
use super::shared::safe;
use crate::engine::{RawMessage, Router};
use crate::garden::Clock;
use crate::garden::plan::{Garden, Sensor};
use crate::garden::record::{Batch, Reading, Reject, Unplaced};
use crate::intake::{Overheard, OverheardMessage, listen_in};
use crate::model::TimeFrom;
use crate::quality::{Flag, Test};
use crate::settings::Settings;
use crate::text::labels;
use crate::text::spoken::{counted, duration};

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct WatchArgs {
    /// Sensors, beds, tanks or sites by id; without any, everything that comes, also what has no
    /// sensor yet
    #[arg(value_name = "SENSOR|PLACE")]
    names: Vec<String>,
    /// How long to watch, such as 90s, 5m or 1h; without it, until Ctrl-C
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    r#for: Option<Duration>,
}

/// Messages that wait to be shown; more wait at the broker's side of the line.
const WAITING: usize = 1000;
/// A reading is said to be old from here on, seconds.
const OLD_S: i64 = 5;
/// A payload is cut for a telephone's width, characters.
const PAYLOAD_SHOWN: usize = 40;

/// A length of time by one number and one letter.
fn length(text: &str) -> Result<Duration, String> {
    let accepted = || "a whole number with s, m or h behind it: 90s, 5m, 1h".to_owned();
    let (number, unit) = text.split_at_checked(text.len().saturating_sub(1)).ok_or_else(accepted)?;
    let seconds = match unit {
        "s" => 1,
        "m" => 60,
        "h" => 3600,
        _ => return Err(accepted()),
    };
    let number: u32 = number.parse().map_err(|_| accepted())?;
    if number == 0 { Err(accepted()) } else { Ok(Duration::from_secs(u64::from(number) * seconds)) }
}

/// Shows what comes until the time is over: yes where a reading came.
///
/// # Errors
/// When the broker cannot be listened to, `out` cannot be written, or [`WrongInput`].
pub async fn run(
    settings: &Settings,
    it: &WatchArgs,
    now: fn() -> Timestamp,
    as_json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let out: &mut dyn Write = &mut LocalWriter::new(out, as_json, &settings.gardens, None);
    let chosen = chosen(&settings.gardens, &it.names)?;
    let filters = match &chosen {
        None => settings.broker.topics.clone(),
        Some(sensors) => sensors.iter().map(|(_, sensor)| sensor.topic.clone()).collect(),
    };
    let mut watch = WatchedReadings::new(&settings.gardens, chosen.is_none(), as_json);
    let (hear, mut heard) = mpsc::channel(WAITING);
    let listening = listen_in(&settings.broker, &filters, "watch", now, hear);
    let over = async {
        match it.r#for {
            Some(length) => tokio::time::sleep(length).await,
            None => std::future::pending().await,
        }
    };
    let (mut listening, mut over) = (std::pin::pin!(listening), std::pin::pin!(over));
    loop {
        let next = tokio::select! {
            biased;
            Some(next) = heard.recv() => next,
            ended = &mut listening => {
                let broker = &settings.broker;
                ended.with_context(|| format!("listening to the broker {}:{}", broker.host, broker.port))?;
                break;
            }
            () = &mut over => break,
            _ = tokio::signal::ctrl_c() => break,
        };
        match next {
            Overheard::Connected => {}
            Overheard::Subscribed { refused } if !refused.is_empty() => anyhow::bail!(
                "the broker does not let this user listen to {}; look at its access list",
                safe(&refused.join(", "))
            ),
            Overheard::Subscribed { .. } => watch.begin(settings, filters.len(), out)?,
            Overheard::Message(message) => watch.show(&message, out)?,
        }
    }
    Ok(Exit::yes_if(watch.readings > 0))
}

type ChosenSensor<'g> = (&'g Garden, &'g Sensor);

/// The sensors of these names; `None`: all.
fn chosen<'g>(gardens: &'g [Garden], names: &[String]) -> Result<Option<Vec<ChosenSensor<'g>>>, WrongInput> {
    if names.is_empty() {
        return Ok(None);
    }
    let all = || gardens.iter().flat_map(|garden| garden.sensors.iter().map(move |sensor| (garden, sensor)));
    let is = |(garden, sensor): &ChosenSensor<'_>, name: &str| {
        sensor.id.as_str() == name
            || garden.site.id.as_str() == name
            || garden.place_id(sensor.place).is_some_and(|id| id.as_str() == name)
    };
    for name in names {
        if !all().any(|it| is(&it, name)) {
            let known: BTreeSet<&str> = all().map(|(_, sensor)| sensor.id.as_str()).collect();
            let known: Vec<&str> = known.into_iter().take(20).collect();
            return Err(WrongInput::new(format!(
                "no sensor, bed, tank or site with sensors has the id \"{}\"; sensors are {}",
                safe(name),
                known.join(", ")
            )));
        }
    }
    Ok(Some(all().filter(|it| names.iter().any(|name| is(it, name))).collect()))
}

/// What was shown, and what the tests know.
struct WatchedReadings<'g> {
    gardens: &'g [Garden],
    router: Router,
    batch: Batch,
    /// Whether what has no sensor is shown.
    unplaced: bool,
    as_json: bool,
    begun: bool,
    readings: u64,
}

impl<'g> WatchedReadings<'g> {
    fn new(gardens: &'g [Garden], unplaced: bool, as_json: bool) -> Self {
        let shared: Vec<Arc<Garden>> = gardens.iter().cloned().map(Arc::new).collect();
        let router = Router::new(&shared, Clock::Arrival);
        Self { gardens, router, batch: Batch::default(), unplaced, as_json, begun: false, readings: 0 }
    }

    /// Says once that it listens: before the first reading there may be a quarter of an hour.
    fn begin(&mut self, settings: &Settings, filters: usize, out: &mut dyn Write) -> anyhow::Result<()> {
        if !std::mem::replace(&mut self.begun, true) && !self.as_json {
            let of =
                if self.unplaced { "all topics".to_owned() } else { counted(filters, "sensor", "sensors") };
            writeln!(out, "listening to {of} at {}; Ctrl-C ends", settings.broker.host)?;
            out.flush()?;
        }
        Ok(())
    }

    fn show(&mut self, message: &OverheardMessage, out: &mut dyn Write) -> anyhow::Result<()> {
        let OverheardMessage { topic, payload, retained, arrival } = message;
        let raw = RawMessage { topic, payload, retained: *retained, arrival: *arrival };
        self.router.open(raw, &mut self.batch);
        let batch = std::mem::take(&mut self.batch);
        for reading in &batch.readings {
            self.readings += 1;
            let line = self.reading(reading, *arrival);
            writeln!(out, "{line}")?;
        }
        for reject in &batch.rejects {
            let line = self.refused(reject);
            writeln!(out, "{line}")?;
        }
        for unplaced in batch.unplaced.iter().filter(|_| self.unplaced) {
            let line = self.not_placed(unplaced);
            writeln!(out, "{line}")?;
        }
        self.batch = batch;
        self.batch.clear();
        // Somebody watches.
        out.flush()?;
        Ok(())
    }

    /// The plan of a sensor by its number through all gardens.
    fn sensor(&self, number: u32) -> Option<ChosenSensor<'g>> {
        let mut all =
            self.gardens.iter().flat_map(|garden| garden.sensors.iter().map(move |sensor| (garden, sensor)));
        all.nth(number as usize)
    }

    fn reading(&self, reading: &Reading, arrival: Timestamp) -> String {
        let Some((garden, sensor)) = self.sensor(reading.sensor.0) else { return String::new() };
        let age_s = match reading.time_from {
            TimeFrom::Device => Some(arrival.as_second() - reading.at.as_second()),
            TimeFrom::Arrival => None,
        };
        if self.as_json {
            let failed: Vec<&str> = doubts(reading).map(test_name).collect();
            return json!({
                "arrived": arrival.to_string(), "at": reading.at.to_string(), "age_s": age_s,
                "site": garden.site.id.as_str(), "sensor": sensor.id.as_str(), "quantity": sensor.measures.name(),
                "raw": reading.raw, "value": reading.value, "unit": sensor.measures.unit(),
                "flag": reading.flag.name(), "tests": failed, "late": reading.late,
            })
            .to_string();
        }
        let clock = garden.site.time_zone.to_datetime(arrival).strftime("%H:%M:%S").to_string();
        let value = match reading.value {
            Some(value) => labels::value(sensor.measures, value),
            None => "no value: calibration gives none here".to_owned(),
        };
        let mut line = format!("{clock} {} {value}, raw {}", sensor.id, reading.raw);
        match (reading.flag, reading.value) {
            (Flag::Pass, _) => line.push_str(", good"),
            (_, None) => {}
            (flag, _) => {
                let why: Vec<&str> = doubts(reading).map(test_words).collect();
                line.push_str(&format!(", {}", labels::flag(flag).to_lowercase()));
                if !why.is_empty() {
                    line.push_str(&format!(" ({})", why.join(", ")));
                }
            }
        }
        match age_s {
            Some(age_s) if age_s > OLD_S => line.push_str(&format!(", {} old", duration(age_s))),
            Some(age_s) if age_s < -OLD_S => {
                line.push_str(&format!(", its clock is {} ahead", duration(-age_s)))
            }
            _ => {}
        }
        line
    }

    fn refused(&self, reject: &Reject) -> String {
        if self.as_json {
            return json!({
                "arrived": reject.at.to_string(), "topic": reject.topic, "refused": reject.reason,
                "payload": String::from_utf8_lossy(&reject.payload),
            })
            .to_string();
        }
        let clock = self.clock(reject.at);
        format!(
            "{clock} {} cannot be read: {}; it is {}",
            safe(&reject.topic),
            safe(&reject.reason),
            shown(&reject.payload)
        )
    }

    fn not_placed(&self, unplaced: &Unplaced) -> String {
        if self.as_json {
            return json!({
                "arrived": unplaced.at.to_string(), "topic": unplaced.topic, "not_placed": true,
                "payload": String::from_utf8_lossy(&unplaced.payload),
            })
            .to_string();
        }
        format!(
            "{} not placed: {} {}",
            self.clock(unplaced.at),
            safe(&unplaced.topic),
            shown(&unplaced.payload)
        )
    }

    fn clock(&self, at: Timestamp) -> String {
        let zone = super::shared::zone_of(self.gardens.first());
        zone.to_datetime(at).strftime("%H:%M:%S").to_string()
    }
}

/// The tests that do not pass.
fn doubts(reading: &Reading) -> impl Iterator<Item = Test> {
    let tests = reading.tests;
    Test::ALL.into_iter().filter(move |test| matches!(tests.get(*test), Flag::Suspect | Flag::Fail))
}

fn test_name(test: Test) -> &'static str {
    match test {
        Test::GrossRange => "gross_range",
        Test::Spike => "spike",
        Test::RateOfChange => "rate_of_change",
        Test::FlatLine => "flat_line",
        Test::Gap => "gap",
    }
}

fn test_words(test: Test) -> &'static str {
    match test {
        Test::GrossRange => "outside its range",
        Test::Spike => "a spike",
        Test::RateOfChange => "a fast change",
        Test::FlatLine => "always the same",
        Test::Gap => "after a gap",
    }
}

fn shown(payload: &[u8]) -> String {
    format!("\"{}\"", labels::shown(&String::from_utf8_lossy(payload), PAYLOAD_SHOWN))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_a_number_and_a_letter() {
        assert_eq!(length("90s"), Ok(Duration::from_secs(90)));
        assert_eq!(length("5m"), Ok(Duration::from_secs(300)));
        assert_eq!(length("1h"), Ok(Duration::from_secs(3600)));
        for wrong in ["", "5", "0m", "-1m", "1.5h", "5 m", "m", "5µ", "99999999999s"] {
            assert!(length(wrong).is_err(), "{wrong}");
        }
    }
}

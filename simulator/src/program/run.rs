//! Playing a scenario: to a broker or into files.

use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;
use clap::Args;
use garden_simulator::{Emission, FIELD_SCENARIOS, SCENARIOS, Scenario, School, Simulation, Truth};
use jiff::Timestamp;

use super::broker::Broker;
use super::publish::{Publisher, Timed};
use super::{Refused, read, runtime, stop};

#[derive(Args)]
pub(crate) struct Run {
    #[command(flatten)]
    what: What,
    /// The broker, such as mqtt://127.0.0.1:1883
    #[arg(long)]
    broker: String,
    /// Where to write what truly happened, as JSON
    #[arg(long)]
    truth: Option<PathBuf>,
    /// Where to write what was sent, as CSV: time, sensor, raw
    #[arg(long)]
    sent: Option<PathBuf>,
    /// How many times faster than life; without it, as fast as the broker acknowledges
    #[arg(long, value_parser = positive)]
    speed: Option<f64>,
    /// Messages that may be on the way at a time
    #[arg(long, default_value_t = 100, value_parser = clap::value_parser!(u16).range(1..=10_000))]
    in_flight: u16,
    /// Connections that may fail in a row before giving up
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..))]
    attempts: u32,
}

#[derive(Args)]
pub(crate) struct Write {
    #[command(flatten)]
    what: What,
    /// Where to write what truly happened, as JSON
    #[arg(long)]
    truth: PathBuf,
    /// Where to write what was sent, as CSV: time, sensor, raw
    #[arg(long)]
    sent: PathBuf,
}

#[derive(Args)]
struct What {
    /// A scenario's name (see `scenarios`) or a scenario file
    scenario: String,
    /// The garden's configuration file
    #[arg(long)]
    garden: PathBuf,
    /// The seed; without it, the scenario's own
    #[arg(long)]
    seed: Option<u64>,
}

fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(x) if x.is_finite() && x > 0.0 => Ok(x),
        Ok(_) | Err(_) => Err("a number above 0 is wanted".to_owned()),
    }
}

/// Prints the built-in scenarios.
pub(crate) fn list() -> anyhow::Result<()> {
    for (name, _) in SCENARIOS.iter().chain(&FIELD_SCENARIOS) {
        let scenario = Scenario::named(name).context("reading a scenario that is built in")?;
        println!("{name:26} {:3} days  {}", scenario.days, scenario.title);
    }
    Ok(())
}

impl What {
    fn begin(&self) -> anyhow::Result<Simulation> {
        let refuse = |file: &Path, e: &dyn std::fmt::Display| Refused(format!("{}: {e}", file.display()));
        let school = School::parse(&read(&self.garden)?).map_err(|e| refuse(&self.garden, &e))?;
        let file = Path::new(&self.scenario);
        let scenario = if file.extension().is_some_and(|e| e == "toml") {
            Scenario::parse(&read(file)?).map_err(|e| refuse(file, &e))?
        } else {
            Scenario::named(&self.scenario).map_err(|e| Refused(e.to_string()))?
        };
        let simulation = Simulation::new(&school, &scenario, self.seed.unwrap_or(scenario.seed));
        if simulation.unplaced().is_empty() {
            Ok(simulation)
        } else {
            let ids = simulation.unplaced().join(", ");
            let why = format!("the scenario names what {} does not have: {ids}", self.garden.display());
            Err(Refused(why).into())
        }
    }
}

/// The CSV of what was sent.
struct SentFile {
    path: PathBuf,
    rows: csv::Writer<File>,
}

impl SentFile {
    fn create(path: &Path) -> anyhow::Result<Self> {
        let mut rows =
            csv::Writer::from_path(path).with_context(|| format!("creating {}", path.display()))?;
        rows.write_record(["time", "sensor", "raw"])
            .with_context(|| format!("writing {}", path.display()))?;
        Ok(Self { path: path.to_owned(), rows })
    }

    fn add(&mut self, e: &Emission) -> anyhow::Result<()> {
        self.rows
            .write_record([e.at.to_string(), e.sensor.clone(), e.raw.to_string()])
            .with_context(|| format!("writing {}", self.path.display()))
    }

    fn close(mut self) -> anyhow::Result<()> {
        self.rows.flush().with_context(|| format!("writing {}", self.path.display()))
    }
}

fn write_truth(path: &Path, truth: &Truth) -> anyhow::Result<()> {
    let file = File::create(path).with_context(|| format!("creating {}", path.display()))?;
    let mut file = BufWriter::new(file);
    file.write_all(truth.to_json().as_bytes())
        .and_then(|()| file.write_all(b"\n"))
        .and_then(|()| file.flush())
        .with_context(|| format!("writing {}", path.display()))
}

fn told(truth: &Truth) -> String {
    let must = truth.events.iter().filter(|e| e.must).count();
    format!("{} things happened that must be told, {} that may be", must, truth.events.len() - must)
}

impl Write {
    pub(crate) fn play(&self) -> anyhow::Result<()> {
        let mut simulation = self.what.begin()?;
        let mut sent = SentFile::create(&self.sent)?;
        let mut messages = 0_u64;
        for emission in simulation.by_ref() {
            sent.add(&emission)?;
            messages += 1;
        }
        sent.close()?;
        let truth = simulation.truth();
        write_truth(&self.truth, &truth)?;
        println!("{messages} messages from {} to {}; {}", truth.from, truth.to, told(&truth));
        Ok(())
    }
}

/// Messages of a simulation with their due times; keeps the first fault of
/// writing them down, which ends it.
struct Played<'a> {
    simulation: &'a mut Simulation,
    begin: Timestamp,
    speed: Option<f64>,
    sent: Option<SentFile>,
    fault: Option<anyhow::Error>,
}

impl Iterator for Played<'_> {
    type Item = Timed;

    fn next(&mut self) -> Option<Timed> {
        let emission = self.simulation.next()?;
        if let Some(sent) = &mut self.sent
            && let Err(fault) = sent.add(&emission)
        {
            self.fault = Some(fault);
            return None;
        }
        let due = self.speed.map_or(Duration::ZERO, |speed| {
            let seconds = emission.send_at.duration_since(self.begin).as_secs_f64() / speed;
            Duration::try_from_secs_f64(seconds).unwrap_or_default()
        });
        Some(Timed { due, topic: emission.topic, payload: emission.payload })
    }
}

impl Run {
    pub(crate) fn play(&self) -> anyhow::Result<()> {
        let broker = Broker::parse(&self.broker)?;
        let mut simulation = self.what.begin()?;
        let sent_file = self.sent.as_deref().map(SentFile::create).transpose()?;
        let begin = simulation.start();
        let mut played =
            Played { simulation: &mut simulation, begin, speed: self.speed, sent: sent_file, fault: None };
        let publisher = Publisher {
            broker: &broker,
            client_id: format!("garden-simulator-{}", std::process::id()),
            in_flight: self.in_flight,
            stop_after: None,
            attempts: self.attempts,
        };
        // Stopped early, it still writes the truth until then.
        let sent = runtime()?.block_on(async {
            tokio::select! {
                sent = publisher.send(played.by_ref()) => sent.map(Some),
                stopped = stop() => stopped.context("waiting for a signal").map(|()| None),
            }
        })?;
        if let Some(fault) = played.fault {
            return Err(fault);
        }
        if let Some(file) = played.sent.take() {
            file.close()?;
        }
        let truth = simulation.truth();
        if let Some(path) = &self.truth {
            write_truth(path, &truth)?;
        }
        let Some(sent) = sent else {
            println!("stopped at {}; {}", truth.to, told(&truth));
            return Ok(());
        };
        let seconds = sent.took.as_secs_f64();
        println!(
            "sent {}, acknowledged {}, refused {}, sent again {}, connections {}; {seconds:.1} s, {:.0} a second; {}",
            sent.messages,
            sent.acknowledged,
            sent.refused,
            sent.again,
            sent.connections,
            sent.acknowledged as f64 / seconds.max(1e-9),
            told(&truth)
        );
        if sent.refused > 0 {
            anyhow::bail!("the broker refused {} messages", sent.refused);
        }
        Ok(())
    }
}

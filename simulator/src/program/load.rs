//! Load: plain readings of many sites at a steady rate.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;
use clap::Args;
use jiff::Timestamp;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::broker::Broker;
use super::publish::{Publisher, Sent, Timed};
use super::{Refused, runtime};

#[derive(Args)]
pub(crate) struct Load {
    /// The broker, such as mqtt://127.0.0.1:1883
    #[arg(long, required_unless_present = "gardens")]
    broker: Option<String>,
    /// Sites
    #[arg(long, default_value_t = 100, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    sites: u32,
    /// Sensors at each site
    #[arg(long, default_value_t = 40, value_parser = clap::value_parser!(u32).range(1..=1000))]
    sensors: u32,
    /// Readings a second, all together
    #[arg(long, default_value_t = 1000, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    rate: u32,
    /// Seconds
    #[arg(long = "for", default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    seconds: u32,
    /// Connections
    #[arg(long, default_value_t = 4, value_parser = clap::value_parser!(u32).range(1..=256))]
    connections: u32,
    /// Messages that may be on the way at a time, on each connection
    #[arg(long, default_value_t = 500, value_parser = clap::value_parser!(u16).range(1..=10_000))]
    in_flight: u16,
    /// The time that the first reading carries; else the present
    #[arg(long)]
    begin: Option<Timestamp>,
    /// Seconds from a sensor's reading to its next by the times that they carry; else as
    /// they are sent. Over one connection, or a garden's sensors run apart
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=86_400))]
    step: Option<u32>,
    /// Write the gardens' configuration files into this folder, and send nothing
    #[arg(long)]
    gardens: Option<PathBuf>,
}

impl Load {
    pub(crate) fn play(&self) -> anyhow::Result<()> {
        let all = u64::from(self.sites) * u64::from(self.sensors);
        if all > 10_000_000 {
            return Err(Refused(format!("{all} sensors are more than 10000000")).into());
        }
        // A reading's key is its sensor and its millisecond.
        if u64::from(self.rate) > 500 * all {
            let why = format!("{} a second are too many for {all} sensors: 500 each at most", self.rate);
            return Err(Refused(why).into());
        }
        if let Some(folder) = &self.gardens {
            return self.write_gardens(folder);
        }
        let address = self.broker.as_deref().unwrap_or_default();
        let broker = Broker::parse(address)?;
        let sent = runtime()?.block_on(self.send(&broker))?;
        let seconds = sent.took.as_secs_f64();
        println!(
            "sent {}, acknowledged {}, refused {}, sent again {}; {seconds:.1} s, {:.0} a second of {} asked for",
            sent.messages,
            sent.acknowledged,
            sent.refused,
            sent.again,
            sent.acknowledged as f64 / seconds.max(1e-9),
            self.rate
        );
        Ok(())
    }

    async fn send(&self, broker: &Broker) -> anyhow::Result<Sent> {
        #[expect(
            clippy::disallowed_methods,
            reason = "the load is of this moment, and this is the program's shell"
        )]
        let begin = self.begin.unwrap_or_else(Timestamp::now);
        let connections = self.connections.min(self.rate);
        let until = Duration::from_secs(u64::from(self.seconds));
        let mut tasks = tokio::task::JoinSet::new();
        for number in 0..connections {
            let readings = Readings::new(self, begin, number, connections).take_while(move |r| r.due < until);
            let broker = broker.clone();
            let client_id = format!("garden-load-{}-{number}", std::process::id());
            let in_flight = self.in_flight;
            // A broker that cannot keep up must not stretch the run.
            let stop_after = Some(until + Duration::from_secs(1));
            tasks.spawn(async move {
                let publisher = Publisher { broker: &broker, client_id, in_flight, stop_after, attempts: 30 };
                publisher.send(readings).await
            });
        }
        let mut all = Sent::default();
        while let Some(done) = tasks.join_next().await {
            let sent = done.context("a connection's task ended early")??;
            all.messages += sent.messages;
            all.acknowledged += sent.acknowledged;
            all.refused += sent.refused;
            all.again += sent.again;
            all.connections += sent.connections;
            all.took = all.took.max(sent.took);
        }
        Ok(all)
    }

    fn write_gardens(&self, folder: &Path) -> anyhow::Result<()> {
        std::fs::create_dir_all(folder).with_context(|| format!("creating {}", folder.display()))?;
        let all = u64::from(self.sites) * u64::from(self.sensors);
        let every_s = self.step.map_or_else(|| all.div_ceil(u64::from(self.rate)).max(1), u64::from);
        for site in 0..self.sites {
            let path = folder.join(format!("{}.toml", site_id(site)));
            std::fs::write(&path, garden(site, self.sensors, every_s))
                .with_context(|| format!("writing {}", path.display()))?;
        }
        println!("{} garden files in {}", self.sites, folder.display());
        Ok(())
    }
}

pub(crate) fn site_id(site: u32) -> String {
    format!("load-{site:05}")
}

/// What the numbered sensor of a site measures: one gauge, one tank, and soil
/// probes two to a bed for the rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Role {
    Gauge,
    Tank,
    Probe { bed: u32, lower: bool },
}

fn role(sensor: u32, sensors: u32) -> Role {
    // The probes come first, so that even one sensor makes a garden.
    match sensors - sensor {
        1 if sensors >= 3 => Role::Gauge,
        2 if sensors >= 3 => Role::Tank,
        _ => Role::Probe { bed: sensor / 2, lower: sensor % 2 == 1 },
    }
}

pub(crate) fn sensor_id(sensor: u32, sensors: u32) -> String {
    match role(sensor, sensors) {
        Role::Gauge => "gauge".to_owned(),
        Role::Tank => "water-temp".to_owned(),
        Role::Probe { bed, lower } => format!("bed-{bed:03}-{}cm", if lower { 30 } else { 15 }),
    }
}

/// One site's configuration file.
fn garden(site: u32, sensors: u32, every_s: u64) -> String {
    let id = site_id(site);
    let mut text = format!(
        "# A garden for measuring load; made by garden-simulator.\n\n[site]\nid = \"{id}\"\nname = \"Load garden {site}\"\n\
         time_zone = \"Australia/Adelaide\"\nlatitude_deg = -34.9\nelevation_m = 50\n\n\
         [watering]\nallowed = [\"00:00-09:00\", \"18:00-24:00\"]\n"
    );
    let mut add = |part: std::fmt::Arguments<'_>| {
        text.write_fmt(part).expect("writing into a string cannot fail");
    };
    for sensor in 0..sensors {
        match role(sensor, sensors) {
            Role::Probe { bed, lower: false } => add(format_args!(
                "\n[[bed]]\nid = \"bed-{bed:03}\"\nname = \"Bed {bed}\"\narea_m2 = 6.0\nsoil = \"loamy sand\"\n\
                 crop = \"cabbage\"\nirrigation = {{ litres_per_hour = 120, efficiency = 0.9 }}\n"
            )),
            Role::Probe { lower: true, .. } | Role::Gauge => {}
            Role::Tank => add(format_args!(
                "\n[[tank]]\nid = \"tank\"\nname = \"Tank\"\nvolume_l = 500\nspecies = \"silver perch\"\nfish = 12\n"
            )),
        }
    }
    for sensor in 0..sensors {
        let name = sensor_id(sensor, sensors);
        let what = match role(sensor, sensors) {
            Role::Gauge => "measures = \"rain\"\ncalibration = { mm_per_tip = 0.2 }".to_owned(),
            Role::Tank => {
                "measures = \"water-temperature\"\ntank = \"tank\"\ncalibration = { points = [[0, 0], [1600, 100]] }"
                    .to_owned()
            }
            Role::Probe { bed, lower } => format!(
                "measures = \"soil-moisture\"\nbed = \"bed-{bed:03}\"\ndepth_cm = {}\n\
                 calibration = {{ points = [[2900, 0.02], [1450, 0.40]] }}",
                if lower { 30 } else { 15 }
            ),
        };
        add(format_args!(
            "\n[[sensor]]\nid = \"{name}\"\n{what}\ntopic = \"{id}/{name}\"\n\
             payload = {{ json = {{ value = \"/v\", time = \"/t\" }} }}\nevery_s = {every_s}\n"
        ));
    }
    text
}

/// Every reading of one connection, in order and without end. The sensors of
/// all sites take their turns; each belongs to one connection.
struct Readings {
    begin: Timestamp,
    sites: u32,
    sensors: u32,
    /// Readings a second of all connections.
    rate: f64,
    /// Number of the next reading among those of all connections.
    turn: u64,
    /// First sensor number of this connection and how many there are.
    first: u64,
    count: u64,
    connections: u64,
    /// Milliseconds from a sensor's reading to its next by their own times.
    step_ms: Option<u64>,
    rng: ChaCha8Rng,
}

impl Readings {
    fn new(load: &Load, begin: Timestamp, number: u32, connections: u32) -> Self {
        let all = u64::from(load.sites) * u64::from(load.sensors);
        let share = |n: u32| all * u64::from(n) / u64::from(connections);
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        rng.set_stream(u64::from(number));
        Self {
            begin,
            sites: load.sites,
            sensors: load.sensors,
            rate: f64::from(load.rate),
            turn: 0,
            first: share(number),
            count: share(number + 1) - share(number),
            connections: u64::from(connections),
            step_ms: load.step.map(|step_s| 1000 * u64::from(step_s)),
            rng,
        }
    }
}

impl Iterator for Readings {
    type Item = Timed;

    fn next(&mut self) -> Option<Timed> {
        if self.count == 0 {
            return None;
        }
        // Sites take turns before sensors do, so that no site comes in a burst.
        let number = self.first + self.turn % self.count;
        let site = u32::try_from(number % u64::from(self.sites)).unwrap_or(0);
        let sensor = u32::try_from(number / u64::from(self.sites)).unwrap_or(0);
        let due = Duration::from_secs_f64(self.turn as f64 * self.connections as f64 / self.rate);
        let since_ms = match self.step_ms {
            Some(step_ms) => u128::from(self.turn) * u128::from(step_ms) / u128::from(self.count),
            None => due.as_millis(),
        };
        self.turn += 1;
        let at_ms = self.begin.as_millisecond() + i64::try_from(since_ms).unwrap_or(i64::MAX);
        let raw = match role(sensor, self.sensors) {
            Role::Gauge => 0,
            // 20 °C and a little.
            Role::Tank => 320 + self.rng.random_range(0..3),
            // About 0.14 m³/m³, with the noise of a healthy probe.
            Role::Probe { .. } => 2440 + self.rng.random_range(0..7),
        };
        let topic = format!("{}/{}", site_id(site), sensor_id(sensor, self.sensors));
        let payload = format!("{{\"v\":{raw},\"t\":{at_ms}}}").into_bytes();
        Some(Timed { due, topic, payload })
    }
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeMap, BTreeSet};

    use garden_simulator::School;

    use super::*;

    fn load(sites: u32, sensors: u32, rate: u32) -> Load {
        let (broker, gardens, begin, step) = (None, None, None, None);
        Load { broker, sites, sensors, rate, seconds: 1, connections: 3, in_flight: 10, begin, step, gardens }
    }

    #[test]
    fn every_sensor_has_its_turn_on_one_connection_and_stands_in_a_garden_file() {
        let load = load(3, 7, 50);
        let mut by_connection: BTreeMap<String, BTreeSet<u32>> = BTreeMap::new();
        for number in 0..3 {
            for reading in Readings::new(&load, Timestamp::UNIX_EPOCH, number, 3).take(40) {
                by_connection.entry(reading.topic).or_default().insert(number);
            }
        }
        assert_eq!(by_connection.len(), 21);
        assert!(by_connection.values().all(|c| c.len() == 1));
        let mut named = BTreeSet::new();
        for site in 0..3 {
            let school = School::parse(&garden(site, 7, 1)).unwrap();
            named.extend(school.sensors.into_iter().map(|s| s.topic));
        }
        assert_eq!(named, by_connection.into_keys().collect());
    }

    #[test]
    fn a_sensor_never_speaks_twice_in_one_millisecond() {
        let load = load(1, 2, 1000);
        let mut seen = BTreeSet::new();
        for number in 0..2 {
            for reading in Readings::new(&load, Timestamp::UNIX_EPOCH, number, 2).take(500) {
                let payload: serde_json::Value = serde_json::from_slice(&reading.payload).unwrap();
                assert!(seen.insert((reading.topic, payload["t"].as_i64().unwrap())));
            }
        }
    }

    #[test]
    fn by_their_own_times_a_sensors_readings_are_a_step_apart() {
        let load = Load { step: Some(900), ..load(2, 3, 600) };
        let mut times: BTreeMap<String, Vec<i64>> = BTreeMap::new();
        for reading in Readings::new(&load, Timestamp::UNIX_EPOCH, 0, 1).take(18) {
            let payload: serde_json::Value = serde_json::from_slice(&reading.payload).unwrap();
            times.entry(reading.topic).or_default().push(payload["t"].as_i64().unwrap());
        }
        assert_eq!(times.len(), 6);
        assert!(times.values().all(|it| it.windows(2).all(|two| two[1] - two[0] == 900_000)), "{times:?}");
    }

    #[test]
    fn the_rate_is_shared_out() {
        let load = load(10, 40, 900);
        let within_s = |number| {
            Readings::new(&load, Timestamp::UNIX_EPOCH, number, 3)
                .take_while(|r| r.due < Duration::from_secs(2))
                .count()
        };
        assert_eq!((0..3).map(within_s).sum::<usize>(), 1800);
    }
}

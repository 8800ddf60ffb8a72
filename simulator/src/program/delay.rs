//! How long after a message its answer is at the broker.

use std::collections::HashMap;
use std::time::Duration;

use anyhow::{Context, bail};
use clap::Args;
use jiff::Timestamp;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, EventLoop};
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep, timeout};

use super::broker::Broker;
use super::echo::{ANSWERS, at_once};
use super::load::{sensor_id, site_id};
use super::runtime;

/// The sensors of the gardens of `load`, whose batteries are low: with its third such
/// report (`REPORTS`) each has an alarm of the kind `battery-low`.
#[derive(Args)]
pub(crate) struct Delay {
    /// The broker, such as mqtt://127.0.0.1:1883
    #[arg(long)]
    broker: String,
    /// Sites of the gardens
    #[arg(long, default_value_t = 25, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    sites: u32,
    /// Sensors at each of them
    #[arg(long, default_value_t = 40, value_parser = clap::value_parser!(u32).range(1..=1000))]
    sensors: u32,
    /// Milliseconds from one message that is answered to the next, on an average
    #[arg(long, default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..=60_000))]
    every_ms: u32,
    /// Wait for the answers of `garden-simulator echo`, not for alarms
    #[arg(long)]
    echo: bool,
}

/// Low reports of a sensor up to its alarm.
const REPORTS: u32 = 3;
/// Messages that may be on the way.
const ON_THE_WAY: u16 = 100;
/// How long one answer may take.
const LONGEST: Duration = Duration::from_secs(10);

/// What the task that polls the connection saw, and when.
enum Seen {
    Connected,
    Listening,
    Message(String, Instant),
    Acknowledged,
}

impl Delay {
    pub(crate) fn play(&self) -> anyhow::Result<()> {
        let broker = Broker::parse(&self.broker)?;
        let mut delays = runtime()?.block_on(self.measure(&broker))?;
        delays.sort_unstable();
        let part = |part: f64| {
            let place = (part * delays.len() as f64).ceil() as usize;
            delays[place.clamp(1, delays.len()) - 1].as_secs_f64() * 1e3
        };
        println!(
            "{} answers; half of them within {:.2} ms, 90 % {:.2} ms, 99 % {:.2} ms, all {:.2} ms",
            delays.len(),
            part(0.5),
            part(0.9),
            part(0.99),
            part(1.0)
        );
        Ok(())
    }

    /// The delay of each sensor's answer.
    async fn measure(&self, broker: &Broker) -> anyhow::Result<Vec<Duration>> {
        let mut options = broker.options(&format!("garden-delay-{}", std::process::id()), ON_THE_WAY);
        options.set_network_options(at_once());
        let (client, events) = AsyncClient::new(options, 2 * usize::from(ON_THE_WAY));
        let (tell, mut seen) = mpsc::channel(1024);
        let polling = tokio::spawn(poll(events, tell));
        let filter =
            if self.echo { format!("{ANSWERS}+/+") } else { "trug/+/alarm/battery-low/+".to_owned() };
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let mut sent: HashMap<String, Instant> = HashMap::new();
        let mut delays = Vec::new();
        loop {
            match timeout(LONGEST, seen.recv()).await.context("the broker says nothing")? {
                Some(Seen::Connected) => {
                    client.try_subscribe(&filter, QoS::AtLeastOnce).context("subscribing")?
                }
                Some(Seen::Listening) => break,
                Some(_) => {}
                None => bail!(polling.await.context("the connection's task")?),
            }
        }
        for round in 1..=REPORTS {
            for number in 0..self.sites * self.sensors {
                let (site, sensor) =
                    (site_id(number % self.sites), sensor_id(number / self.sites, self.sensors));
                let topic = format!("{site}/{sensor}");
                let payload = format!("{{\"v\":0,\"t\":{},\"b\":0.1}}", now_ms());
                // Not in step with whatever the other side does at intervals.
                if round == REPORTS {
                    sleep(
                        Duration::from_millis(u64::from(self.every_ms)).mul_f64(rng.random_range(0.0..2.0)),
                    )
                    .await;
                    let answer = if self.echo {
                        format!("{ANSWERS}{topic}")
                    } else {
                        format!("trug/{site}/alarm/battery-low/{sensor}")
                    };
                    sent.insert(answer, Instant::now());
                }
                client.try_publish(topic, QoS::AtLeastOnce, false, payload).context("publishing")?;
                let mut acknowledged = false;
                while !acknowledged || !sent.is_empty() {
                    match timeout(LONGEST, seen.recv()).await.context("no answer within 10 s")? {
                        Some(Seen::Message(topic, at)) => {
                            delays.extend(sent.remove(&topic).map(|from| at - from))
                        }
                        Some(Seen::Acknowledged) => acknowledged = true,
                        Some(Seen::Connected | Seen::Listening) => {}
                        None => bail!(polling.await.context("the connection's task")?),
                    }
                }
            }
        }
        Ok(delays)
    }
}

/// Polls until the connection is lost; returns why.
async fn poll(mut events: EventLoop, tell: mpsc::Sender<Seen>) -> String {
    loop {
        let seen = match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => Seen::Connected,
            Ok(Event::Incoming(Packet::SubAck(_))) => Seen::Listening,
            Ok(Event::Incoming(Packet::PubAck(_))) => Seen::Acknowledged,
            Ok(Event::Incoming(Packet::Publish(message))) => {
                Seen::Message(String::from_utf8_lossy(&message.topic).into_owned(), Instant::now())
            }
            Ok(_) => continue,
            Err(error) => return error.to_string(),
        };
        if tell.send(seen).await.is_err() {
            return "it is over".to_owned();
        }
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "the messages are of this moment, and this is the program's shell"
)]
fn now_ms() -> i64 {
    Timestamp::now().as_millisecond()
}

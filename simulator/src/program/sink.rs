//! A client that only receives and acknowledges, to compare a daemon with.

use std::time::Duration;

use anyhow::{Context, bail};
use clap::Args;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, SubscribeReasonCode};
use rumqttc::v5::{AsyncClient, Event};
use tokio::sync::mpsc;
use tokio::time::Instant;

use super::broker::{Backoff, Broker};
use super::{runtime, stop};

#[derive(Args)]
pub(crate) struct Sink {
    /// The broker, such as mqtt://127.0.0.1:1883
    #[arg(long)]
    broker: String,
    /// The topic filter
    #[arg(long, default_value = "#")]
    topic: String,
    /// End after so many messages; without it, on SIGINT or SIGTERM
    #[arg(long)]
    expect: Option<u64>,
}

/// Messages that the broker may send before the first of them is acknowledged.
const RECEIVE_MAX: u16 = 2000;

/// What was received.
#[derive(Clone, Copy, Debug, Default)]
struct Received {
    messages: u64,
    bytes: u64,
    first: Option<Instant>,
    last: Option<Instant>,
}

impl Sink {
    pub(crate) fn play(&self) -> anyhow::Result<()> {
        let broker = Broker::parse(&self.broker)?;
        let received = runtime()?.block_on(self.receive(&broker))?;
        let seconds = match (received.first, received.last) {
            (Some(first), Some(last)) => (last - first).as_secs_f64(),
            _ => 0.0,
        };
        let cpu_s = own_cpu_s().context("reading the CPU time of this process")?;
        println!(
            "received {} messages, {} bytes, in {seconds:.2} s; {cpu_s:.2} s of CPU, {:.1} microseconds each",
            received.messages,
            received.bytes,
            1e6 * cpu_s / received.messages.max(1) as f64
        );
        Ok(())
    }

    async fn receive(&self, broker: &Broker) -> anyhow::Result<Received> {
        let (end, mut ended) = mpsc::channel(1);
        tokio::spawn(async move {
            // A stop that cannot be waited for ends it too, rather than never.
            let _ = stop().await;
            let _ = end.send(()).await;
        });
        let mut received = Received::default();
        let mut backoff = Backoff::default();
        loop {
            let mut options = broker.options(&format!("garden-sink-{}", std::process::id()), 50);
            options.set_manual_acks(true);
            options.set_receive_maximum(Some(RECEIVE_MAX));
            // Never full: a session has no more packet identifiers, and some brokers send more than
            // was asked for.
            let (client, mut events) = AsyncClient::new(options, usize::from(u16::MAX));
            let fault = loop {
                let event = tokio::select! {
                    event = events.poll() => event,
                    // The poll is given up for good, so that it may be cut short.
                    _ = ended.recv() => return Ok(received),
                };
                match event {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        backoff.reset();
                        client.try_subscribe(&self.topic, QoS::AtLeastOnce).context("subscribing")?;
                    }
                    Ok(Event::Incoming(Packet::SubAck(ack))) => {
                        if !ack.return_codes.iter().all(|c| matches!(c, SubscribeReasonCode::Success(_))) {
                            bail!("the broker refuses {:?}: {:?}", self.topic, ack.return_codes);
                        }
                        eprintln!("listening to {}", self.topic);
                    }
                    Ok(Event::Incoming(Packet::Publish(message))) => {
                        client.try_ack(&message).context("acknowledging")?;
                        received.messages += 1;
                        received.bytes += message.payload.len() as u64;
                        let now = Instant::now();
                        received.first.get_or_insert(now);
                        received.last = Some(now);
                    }
                    Ok(_) => {}
                    Err(error) => break error,
                }
                if self.expect.is_some_and(|n| received.messages >= n) {
                    self.say_goodbye(&client, &mut events).await;
                    return Ok(received);
                }
            };
            let wait = backoff.next_wait();
            eprintln!("the broker is not there ({fault}); trying again in {:.1} s", wait.as_secs_f64());
            tokio::select! {
                () = tokio::time::sleep(wait) => {}
                _ = ended.recv() => return Ok(received),
            }
        }
    }

    /// Lets the last acknowledgements out.
    async fn say_goodbye(&self, client: &AsyncClient, events: &mut rumqttc::v5::EventLoop) {
        if client.try_disconnect().is_err() {
            return;
        }
        let goodbye = async {
            while !matches!(events.poll().await, Err(_) | Ok(Event::Outgoing(rumqttc::Outgoing::Disconnect)))
            {
            }
        };
        // A broker that does not let go is left.
        let _ = tokio::time::timeout(Duration::from_secs(2), goodbye).await;
    }
}

/// User and system time of this process, seconds. Linux counts it in hundredths
/// for programs to read (`USER_HZ`, proc(5)).
fn own_cpu_s() -> anyhow::Result<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat")?;
    // The second field, the name in brackets, may hold anything.
    let after_name = stat.rsplit_once(')').context("no name in /proc/self/stat")?.1;
    let mut fields = after_name.split_whitespace().skip(11);
    let mut ticks = || -> anyhow::Result<f64> {
        Ok(f64::from(fields.next().context("/proc/self/stat is too short")?.parse::<u32>()?))
    };
    Ok((ticks()? + ticks()?) / 100.0)
}

//! A client that answers each message with the same bytes on another topic, and does
//! nothing else: the least that an answer through a broker takes.

use anyhow::{Context, bail};
use clap::Args;
use rumqttc::NetworkOptions;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event};

use super::broker::Broker;
use super::{runtime, stop};

/// Stands before the topic that is answered.
pub(crate) const ANSWERS: &str = "echo/";

#[derive(Args)]
pub(crate) struct Echo {
    /// The broker, such as mqtt://127.0.0.1:1883
    #[arg(long)]
    broker: String,
    /// The topic filter
    #[arg(long, default_value = "+/+")]
    topic: String,
}

/// Messages that may be on the way in each direction.
const ON_THE_WAY: u16 = 1000;

/// Each message goes out at once, as an alarm does.
pub(super) fn at_once() -> NetworkOptions {
    let mut options = NetworkOptions::new();
    options.set_tcp_nodelay(true);
    options
}

impl Echo {
    pub(crate) fn play(&self) -> anyhow::Result<()> {
        let broker = Broker::parse(&self.broker)?;
        runtime()?.block_on(async {
            tokio::select! {
                done = self.answer(&broker) => done,
                stopped = stop() => stopped.context("waiting for the end"),
            }
        })
    }

    /// Answers until the connection is lost.
    async fn answer(&self, broker: &Broker) -> anyhow::Result<()> {
        let mut options = broker.options(&format!("garden-echo-{}", std::process::id()), ON_THE_WAY);
        options.set_receive_maximum(Some(ON_THE_WAY));
        options.set_network_options(at_once());
        let (client, mut events) = AsyncClient::new(options, 2 * usize::from(ON_THE_WAY));
        loop {
            match events.poll().await.context("the broker")? {
                Event::Incoming(Packet::ConnAck(_)) => {
                    client.try_subscribe(&self.topic, QoS::AtLeastOnce).context("subscribing")?;
                }
                Event::Incoming(Packet::SubAck(_)) => eprintln!("listening to {}", self.topic),
                Event::Incoming(Packet::Publish(message)) => {
                    let topic = format!("{ANSWERS}{}", String::from_utf8_lossy(&message.topic));
                    client
                        .try_publish(topic, QoS::AtLeastOnce, false, message.payload)
                        .context("answering")?;
                }
                Event::Incoming(Packet::Disconnect(told)) => {
                    bail!("the broker ended it: {:?}", told.reason_code)
                }
                _ => {}
            }
        }
    }
}

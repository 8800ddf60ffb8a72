//! Publishing to the broker, until it has taken everything.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use rumqttc::Outgoing;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, MqttOptions};

/// How long the broker may take for all of it.
const LIMIT: Duration = Duration::from_secs(300);
/// Messages on their way at a time.
const WINDOW: usize = 100;

/// A message to publish.
#[derive(Clone, Debug)]
pub(crate) struct Post {
    pub(crate) topic: String,
    pub(crate) payload: Vec<u8>,
    pub(crate) qos: QoS,
    pub(crate) retain: bool,
}

impl Post {
    /// At QoS 1, not retained.
    pub(crate) fn new(topic: &str, payload: &[u8]) -> Self {
        Self { topic: topic.to_owned(), payload: payload.to_vec(), qos: QoS::AtLeastOnce, retain: false }
    }

    pub(crate) fn qos(self, qos: QoS) -> Self {
        Self { qos, ..self }
    }

    pub(crate) fn retained(self) -> Self {
        Self { retain: true, ..self }
    }
}

/// Publishes in order and returns when the broker has acknowledged the last. If
/// the connection is lost, everything that was not acknowledged is sent again in
/// its old order; for this all messages of one call have the same QoS.
///
/// # Panics
/// When the broker does not take them in time.
pub(crate) fn send(port: u16, posts: Vec<Post>) {
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime for the sender");
    let sent = runtime.block_on(async { tokio::time::timeout(LIMIT, deliver(port, &posts)).await });
    assert!(sent.is_ok(), "the broker did not take {} messages in {LIMIT:?}", posts.len());
}

async fn deliver(port: u16, posts: &[Post]) {
    static NUMBER: AtomicU64 = AtomicU64::new(0);
    let client_id = format!("sender-{}", NUMBER.fetch_add(1, Ordering::Relaxed));
    // Messages that the broker has, from the first: acknowledgements come in the
    // order of publishing (MQTT 5.0, section 4.6).
    let mut done = 0;
    while done < posts.len() {
        let mut options = MqttOptions::new(&client_id, "127.0.0.1", port);
        options.set_max_packet_size(Some(1024 * 1024));
        options.set_outgoing_inflight_upper_limit(100);
        let (client, mut events) = AsyncClient::new(options, WINDOW + 1);
        let mut given = done;
        while done < posts.len() {
            while given < posts.len() && given - done < WINDOW {
                let Post { topic, payload, qos, retain } = posts[given].clone();
                if client.try_publish(topic, qos, retain, payload).is_err() {
                    break;
                }
                given += 1;
            }
            match events.poll().await {
                Ok(Event::Incoming(Packet::PubAck(_) | Packet::PubComp(_))) => done += 1,
                // QoS 0 has no acknowledgement and no number.
                Ok(Event::Outgoing(Outgoing::Publish(0))) => done += 1,
                Ok(_) => {}
                Err(_) => break,
            }
        }
        if done == posts.len() && client.try_disconnect().is_ok() {
            while !matches!(events.poll().await, Err(_) | Ok(Event::Outgoing(Outgoing::Disconnect))) {}
            return;
        }
        // The client would try again at once and for ever.
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

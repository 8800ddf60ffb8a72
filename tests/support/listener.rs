//! Somebody who listens to the broker and writes down every message.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet};
use rumqttc::v5::{AsyncClient, Event, MqttOptions};
use tokio_util::sync::CancellationToken;

use super::sender::{Post, send};
use super::wait_until;

const LIMIT: Duration = Duration::from_secs(60);
/// A topic that is no sensor's and no alarm's.
const MARK: &str = "trials/mark";

/// A message that was heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Heard {
    pub(crate) topic: String,
    pub(crate) payload: Vec<u8>,
    /// The broker had kept it from before.
    pub(crate) retained: bool,
}

impl Heard {
    /// The payload as text; what is not UTF-8 is replaced.
    pub(crate) fn text(&self) -> String {
        String::from_utf8_lossy(&self.payload).into_owned()
    }
}

/// Listens in a kept session until it is dropped: while the broker is away,
/// and after it has come back, nothing is missed.
pub(crate) struct Listener {
    port: u16,
    heard: Arc<Mutex<Vec<Heard>>>,
    stop: CancellationToken,
    thread: Option<JoinHandle<()>>,
}

impl Listener {
    /// Starts listening, and returns when the broker has taken the subscription.
    pub(crate) fn start(port: u16, filters: &[&str]) -> Self {
        static NUMBER: AtomicU64 = AtomicU64::new(0);
        let client_id = format!("listener-{}", NUMBER.fetch_add(1, Ordering::Relaxed));
        let heard = Arc::new(Mutex::new(Vec::new()));
        let stop = CancellationToken::new();
        let subscribed = CancellationToken::new();
        let filters: Vec<String> = filters.iter().copied().chain([MARK]).map(str::to_owned).collect();
        let thread = {
            let (heard, stop, subscribed) = (Arc::clone(&heard), stop.clone(), subscribed.clone());
            std::thread::spawn(move || {
                let runtime = tokio::runtime::Builder::new_current_thread()
                    .enable_all()
                    .build()
                    .expect("a runtime for the listener");
                runtime.block_on(async {
                    tokio::select! {
                        () = listen(port, &client_id, &filters, &heard, &subscribed) => {}
                        () = stop.cancelled() => {}
                    }
                });
            })
        };
        let listener = Self { port, heard, stop, thread: Some(thread) };
        wait_until("the listener to be subscribed", LIMIT, || subscribed.is_cancelled().then_some(()));
        listener
    }

    /// Everything that was heard until now.
    pub(crate) fn heard(&self) -> Vec<Heard> {
        self.heard.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Waits for a message.
    pub(crate) fn wait_for(&self, what: &str, wanted: impl Fn(&Heard) -> bool) -> Heard {
        wait_until(what, LIMIT, || self.heard().into_iter().find(&wanted))
    }

    /// Waits until the last message of this topic is this one.
    pub(crate) fn wait_for_last(&self, topic: &str, payload: &str) {
        wait_until(&format!("{topic} to be {payload}"), LIMIT, || {
            let heard = self.heard();
            let last = heard.iter().rfind(|heard| heard.topic == topic)?;
            (last.payload == payload.as_bytes()).then_some(())
        });
    }

    /// Waits until everything that the broker has taken until now is heard: a
    /// session's messages come in order, so a mark comes after them.
    pub(crate) fn catch_up(&self) -> Vec<Heard> {
        static NUMBER: AtomicU64 = AtomicU64::new(0);
        let mark = format!("mark {}", NUMBER.fetch_add(1, Ordering::Relaxed));
        send(self.port, vec![Post::new(MARK, mark.as_bytes())]);
        self.wait_for("the mark", |heard| heard.payload == mark.as_bytes());
        let mut heard = self.heard();
        heard.retain(|heard| heard.topic != MARK);
        heard
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        self.stop.cancel();
        if let Some(thread) = self.thread.take() {
            // A panic of the thread has been printed.
            let _ = thread.join();
        }
    }
}

async fn listen(
    port: u16,
    client_id: &str,
    filters: &[String],
    heard: &Mutex<Vec<Heard>>,
    subscribed: &CancellationToken,
) {
    loop {
        let mut options = MqttOptions::new(client_id, "127.0.0.1", port);
        options.set_clean_start(false);
        options.set_session_expiry_interval(Some(3600));
        options.set_max_packet_size(Some(1024 * 1024));
        options.set_outgoing_inflight_upper_limit(10);
        let (client, mut events) = AsyncClient::new(options, 10);
        loop {
            match events.poll().await {
                // A kept session has its subscription; asking again would bring
                // the retained messages once more.
                Ok(Event::Incoming(Packet::ConnAck(ack))) if !ack.session_present => {
                    let filters = filters.iter().map(|filter| Filter::new(filter, QoS::AtLeastOnce));
                    client.try_subscribe_many(filters).expect("the request queue is empty");
                }
                Ok(Event::Incoming(Packet::SubAck(_))) => subscribed.cancel(),
                Ok(Event::Incoming(Packet::Publish(message))) => {
                    heard.lock().unwrap_or_else(PoisonError::into_inner).push(Heard {
                        topic: String::from_utf8_lossy(&message.topic).into_owned(),
                        payload: message.payload.to_vec(),
                        retained: message.retain,
                    });
                }
                Ok(_) => {}
                Err(_) => break,
            }
        }
        // The client would try again at once and for ever.
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

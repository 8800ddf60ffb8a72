//! The demonstration's school living on: its sensors speak to the broker.

use std::net::SocketAddr;
use std::time::Duration;

use garden_simulator::{Emission, Simulation};
use jiff::Timestamp;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{AsyncClient, MqttOptions};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

/// Publishes what the simulation sends after `from`, `speed` times as fast as
/// life, until `stop`.
pub(super) async fn live_on(
    simulation: Simulation,
    from: Timestamp,
    speed: f64,
    broker: SocketAddr,
    stop: CancellationToken,
) {
    let mut options = MqttOptions::new("garden-sensors", broker.ip().to_string(), broker.port());
    options.set_keep_alive(Duration::from_secs(30));
    options.set_outgoing_inflight_upper_limit(100);
    let (client, mut events) = AsyncClient::new(options, 200);
    let polling_stop = stop.clone();
    let polling = tokio::spawn(async move {
        loop {
            tokio::select! {
                polled = events.poll() => if polled.is_err() {
                    // The broker is in this process; a short wait is enough.
                    tokio::time::sleep(Duration::from_millis(200)).await;
                },
                () = polling_stop.cancelled() => return,
            }
        }
    });
    let began = Instant::now();
    for Emission { send_at, topic, payload, .. } in simulation {
        let ahead_s = send_at.duration_since(from).as_secs_f64().max(0.0) / speed;
        let due = began + Duration::from_secs_f64(ahead_s);
        tokio::select! {
            () = tokio::time::sleep_until(due) => {}
            () = stop.cancelled() => break,
        }
        tokio::select! {
            published = client.publish(topic, QoS::AtLeastOnce, false, payload) => if published.is_err() { break },
            () = stop.cancelled() => break,
        }
    }
    let _ = polling.await;
}

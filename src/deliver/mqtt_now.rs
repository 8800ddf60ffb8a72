//! Letters published at once, in a session of their own: for what has to be told
//! while the outbox cannot be written.

use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PubAckReason};
use rumqttc::v5::{AsyncClient, Event};

use crate::intake::{IN_FLIGHT, connection_options};
use crate::settings::Broker;
use crate::store::AlarmPublication;

/// Publishes letters, retained and at QoS 1, and waits until the broker has them all
/// or `limit` has passed.
///
/// # Errors
/// In words, when the broker did not take them all in time. Some may have been taken;
/// a retained state told twice is still one state.
pub async fn publish_now(
    broker: &Broker,
    letters: &[AlarmPublication],
    limit: Duration,
) -> Result<(), String> {
    let options = connection_options(broker, &format!("{}-now", broker.client_id), true)?;
    let (client, mut events) = AsyncClient::new(options, usize::from(IN_FLIGHT) * 2);
    let mut left = letters.iter();
    let (mut handed, mut taken) = (0, 0);
    let publishing = async {
        while taken < letters.len() {
            match events.poll().await.map_err(|e| format!("speaking with the broker: {e}"))? {
                Event::Incoming(Packet::ConnAck(_)) => {}
                Event::Incoming(Packet::PubAck(ack)) => {
                    if !matches!(ack.reason, PubAckReason::Success | PubAckReason::NoMatchingSubscribers) {
                        return Err(format!("the broker refused an alarm: {:?}", ack.reason));
                    }
                    taken += 1;
                }
                Event::Incoming(Packet::Disconnect(told)) => {
                    return Err(format!("the broker ended the session: {:?}", told.reason_code));
                }
                Event::Incoming(_) | Event::Outgoing(_) => continue,
            }
            while handed - taken < usize::from(IN_FLIGHT)
                && let Some(letter) = left.next()
            {
                client
                    .try_publish(letter.topic.clone(), QoS::AtLeastOnce, true, letter.payload.clone())
                    .map_err(|e| format!("publishing: {e}"))?;
                handed += 1;
            }
        }
        Ok(())
    };
    let outcome = tokio::time::timeout(limit, publishing)
        .await
        .unwrap_or_else(|_| Err(format!("the broker did not take them within {limit:?}")));
    // Without this the broker would see a session that vanished.
    if client.try_disconnect().is_ok() {
        let leaving = async { while events.poll().await.is_ok() {} };
        let _ = tokio::time::timeout(Duration::from_millis(500), leaving).await;
    }
    outcome
}

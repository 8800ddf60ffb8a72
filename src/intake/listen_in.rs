//! Listening in beside the daemon: a session of its own that keeps and acknowledges nothing, so
//! that the daemon's session loses nothing by it.

use jiff::Timestamp;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, Filter, Packet, RetainForwardRule, SubscribeReasonCode};
use rumqttc::v5::{AsyncClient, ConnectionError, Event};
use tokio::sync::mpsc;

use super::session::connection_options;
use crate::settings::Broker;

/// Topic filters in one subscribe packet.
const FILTERS_AT_ONCE: usize = 50;

/// What is heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Overheard {
    /// The broker has let us in.
    Connected,
    /// It answered one packet of subscriptions; the filters that it refused.
    Subscribed {
        refused: Vec<String>,
    },
    Message(OverheardMessage),
}

/// A message that was heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OverheardMessage {
    pub topic: Vec<u8>,
    pub payload: Vec<u8>,
    /// The broker had kept it from before.
    pub retained: bool,
    pub arrival: Timestamp,
}

/// Why nothing is heard.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ListenFault {
    /// Certificates, or keys.
    #[error("the connection could not be made safe: {0}")]
    Tls(String),
    /// Name or password.
    #[error("the broker does not take this user name and password ({0})")]
    Login(String),
    #[error("the broker refused the connection: {0}")]
    Refused(String),
    #[error("{0}")]
    Network(String),
}

impl From<ConnectionError> for ListenFault {
    fn from(error: ConnectionError) -> Self {
        let words = error.to_string();
        match error {
            ConnectionError::ConnectionRefused(
                code @ (ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized),
            ) => Self::Login(format!("{code:?}")),
            ConnectionError::ConnectionRefused(code) => Self::Refused(format!("{code:?}")),
            ConnectionError::Tls(_) => Self::Tls(words),
            ConnectionError::Io(error) if error.kind() == std::io::ErrorKind::InvalidData => Self::Tls(words),
            _ => Self::Network(words),
        }
    }
}

/// Listens to `filters` under the client id of `broker` with `name` and a number behind it, and
/// hands on what it hears, until nobody takes it.
///
/// # Errors
/// When the connection cannot be made or ends.
pub async fn listen_in(
    broker: &Broker,
    filters: &[String],
    name: &str,
    now: fn() -> Timestamp,
    hear: mpsc::Sender<Overheard>,
) -> Result<(), ListenFault> {
    let client_id = format!("{}-{name}-{}", broker.client_id, std::process::id());
    let options = connection_options(broker, &client_id, true).map_err(ListenFault::Tls)?;
    let (client, mut events) = AsyncClient::new(options, filters.len() / FILTERS_AT_ONCE + 16);
    let mut answers = 0;
    loop {
        let heard = match events.poll().await? {
            Event::Incoming(Packet::ConnAck(_)) => {
                for filters in filters.chunks(FILTERS_AT_ONCE) {
                    let filters = filters.iter().map(|topic| {
                        // Nothing is to be acknowledged.
                        let mut filter = Filter::new(topic.clone(), QoS::AtMostOnce);
                        filter.retain_forward_rule = RetainForwardRule::OnEverySubscribe;
                        filter
                    });
                    client.try_subscribe_many(filters).map_err(|e| ListenFault::Network(e.to_string()))?;
                }
                Overheard::Connected
            }
            Event::Incoming(Packet::SubAck(ack)) => {
                let asked = filters.chunks(FILTERS_AT_ONCE).nth(answers).unwrap_or_default();
                answers += 1;
                let refused = asked.iter().zip(&ack.return_codes);
                let refused = refused.filter(|(_, code)| !matches!(code, SubscribeReasonCode::Success(_)));
                Overheard::Subscribed { refused: refused.map(|(filter, _)| filter.clone()).collect() }
            }
            Event::Incoming(Packet::Publish(message)) => Overheard::Message(OverheardMessage {
                topic: message.topic.to_vec(),
                payload: message.payload.to_vec(),
                retained: message.retain,
                arrival: now(),
            }),
            Event::Incoming(Packet::Disconnect(told)) => {
                return Err(ListenFault::Refused(format!("{:?}", told.reason_code)));
            }
            Event::Incoming(_) | Event::Outgoing(_) => continue,
        };
        if hear.send(heard).await.is_err() {
            return Ok(());
        }
    }
}

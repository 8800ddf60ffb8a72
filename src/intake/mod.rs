//! Messages in: the MQTT session.
//!
//! The only place besides `deliver` that knows `rumqttc`.

mod backoff;
mod contact;
mod following;
mod listen_in;
pub mod session;
mod session_filters;
mod takeover;
mod tls;
mod window;

pub(crate) use backoff::Backoff;
pub use contact::BrokerContact;
pub use listen_in::{ListenFault, Overheard, OverheardMessage, listen_in};
pub(crate) use session::{IN_FLIGHT, connection_options};
pub use session_filters::SessionFilters;
pub(crate) use tls::client_config;

//! What a way by which people are told has to do.

use std::future::Future;
use std::time::Duration;

use jiff::Timestamp;

use crate::telling::{Item, Message};

/// Brings messages to one kind of address.
pub trait MessageChannel: Send + Sync {
    /// Sends one message and waits until the other side has taken it. It may be
    /// asked to send the same message again, with the same key, when it was not
    /// noted that the first was taken.
    fn send(&self, message: &Message) -> impl Future<Output = Result<(), Failure>> + Send;
}

/// Makes the addresses at which the people who were told can answer an alarm.
pub trait AnswerLinks: Send + Sync {
    /// The address of the page on which the group `who` says that it has taken this
    /// alarm on; `None` where there is no such page. `made_at` is the message's: the
    /// same message, sent again, has the same link.
    fn link(&self, item: &Item, who: &str, made_at: Timestamp) -> Option<String>;
}

/// Why a message was not taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Failure {
    /// Another try may do.
    #[error("{0}")]
    Later(String),
    /// Another try may do, and the other side has said from when.
    #[error("{reason}")]
    Busy { reason: String, wait: Duration },
    /// This message will not be taken, however often it is tried.
    #[error("{0}")]
    Never(String),
}

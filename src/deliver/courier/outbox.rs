//! What a courier asks of the store.

use jiff::Timestamp;

use crate::garden::plan::Channel;
use crate::store::{DueMessage, StoreError};
use crate::telling::Message;

/// The messages that wait to be sent.
pub trait Outbox: Clone + Send + 'static {
    /// Waiting messages that `look` asks for, those first whose time came first.
    ///
    /// # Errors
    /// When the store cannot be read.
    fn due(&self, look: &Look) -> Result<Vec<DueMessage>, StoreError>;

    /// When the time of the next waiting message comes, past times included.
    ///
    /// # Errors
    /// When the store cannot be read.
    fn next_due(&self, channel: Channel) -> Result<Option<Timestamp>, StoreError>;

    /// Those of these messages that still wait, and how often each was tried.
    ///
    /// # Errors
    /// When the store cannot be read.
    fn waiting(&self, seqs: &[i64]) -> Result<Vec<(i64, u32)>, StoreError>;

    /// Whether the same message reached the group by another address.
    ///
    /// # Errors
    /// When the store cannot be read.
    fn reached(&self, message: &Message) -> Result<bool, StoreError>;
}

/// Which messages a courier looks for.
#[derive(Clone, Debug)]
pub struct Look {
    pub channel: Channel,
    pub which: Which,
    /// Those of high priority, or all others.
    pub urgent: bool,
    /// Addresses to leave out.
    pub closed: Vec<String>,
    /// Messages to leave out.
    pub known: Vec<i64>,
    /// At most so many.
    pub limit: u32,
}

/// Which of the waiting messages.
#[derive(Clone, Copy, Debug)]
pub enum Which {
    /// Their time has come.
    DueBy(Timestamp),
    /// Their time is so far off that a clock must have been put back.
    DueAfter(Timestamp),
    /// They were made so long ago that they are given up.
    MadeBy(Timestamp),
}

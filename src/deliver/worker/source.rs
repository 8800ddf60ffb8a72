//! What a delivery worker asks of the store.

use jiff::Timestamp;

use crate::garden::plan::Channel;
use crate::store::{DueMessage, MessageLook, Reader, StoreError};
use crate::telling::Message;

/// The messages that wait to be sent.
pub trait MessageSource: Clone + Send + 'static {
    /// Waiting messages that `look` asks for, those first whose time came first.
    ///
    /// # Errors
    /// When the store cannot be read; so for the others.
    fn wanted(&self, look: &MessageLook) -> Result<Vec<DueMessage>, StoreError>;

    /// When the time of the next waiting message comes, past times included.
    fn next_due(&self, channel: Channel) -> Result<Option<Timestamp>, StoreError>;

    /// Those of these messages that still wait, and how often each was tried.
    fn waiting(&self, seqs: &[i64]) -> Result<Vec<(i64, u32)>, StoreError>;

    /// Whether the same message reached the group by another address.
    fn reached(&self, message: &Message) -> Result<bool, StoreError>;
}

impl MessageSource for Reader {
    fn wanted(&self, look: &MessageLook) -> Result<Vec<DueMessage>, StoreError> {
        self.messages_wanted(look)
    }

    fn next_due(&self, channel: Channel) -> Result<Option<Timestamp>, StoreError> {
        Reader::next_due(self, channel)
    }

    fn waiting(&self, seqs: &[i64]) -> Result<Vec<(i64, u32)>, StoreError> {
        self.messages_waiting(seqs)
    }

    fn reached(&self, message: &Message) -> Result<bool, StoreError> {
        Reader::reached(self, message)
    }
}

//! How far back the record of something that counts is whole.

use jiff::Timestamp;

/// Of a gauge or a meter: a sum over a time in which a message is missing is no sum.
#[derive(Clone, Copy, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct HeardSpan {
    first_at: Option<Timestamp>,
    last_at: Option<Timestamp>,
    /// End of the last silence that was longer than it is allowed.
    mended_at: Option<Timestamp>,
}

impl HeardSpan {
    /// Notes a good message, later than all before it. After a silence of more than
    /// `patience_s` the record counts as broken.
    pub(crate) fn hear(&mut self, at: Timestamp, patience_s: i64) {
        self.first_at.get_or_insert(at);
        if self.last_at.is_some_and(|last| at.as_second() - last.as_second() > patience_s) {
            self.mended_at = Some(at);
        }
        self.last_at = Some(at);
    }

    /// A message of that time could not be counted: until past it the record is not whole.
    pub(crate) fn miss(&mut self, at: Timestamp) {
        self.mended_at = self.mended_at.max(Some(at)).max(self.last_at);
    }

    /// Time of the last good message.
    pub(crate) fn last_at(&self) -> Option<Timestamp> {
        self.last_at
    }

    /// Whether it was already speaking at `from`.
    pub(crate) fn covers(&self, from: Timestamp) -> bool {
        self.first_at.is_some_and(|first| first <= from)
    }

    /// Whether no silence ended after `from`.
    pub(crate) fn unbroken_since(&self, from: Timestamp) -> bool {
        self.mended_at.is_none_or(|mended| mended <= from)
    }

    /// Whether its record reaches back to `from` and has had no silence since.
    pub(crate) fn is_whole_since(&self, from: Timestamp) -> bool {
        self.covers(from) && self.unbroken_since(from)
    }
}

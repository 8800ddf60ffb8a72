//! What months are made from, kept for a while.

use jiff::{SignedDuration, Timestamp};

use crate::model::Id;
use crate::page::RecordReader;
use crate::page::cache::FreshCache;

/// Sources that are kept, and the bytes of their readings.
const KEPT_MAX: usize = 3;
const BYTES_MAX: usize = 64 << 20;

/// For how long one is kept while readings come in.
const FRESH: SignedDuration = SignedDuration::from_mins(10);

/// Bytes of a reading, with what finds it.
pub(super) const READING_BYTES: usize = 64;

/// What a month is made from.
#[derive(Clone, Debug)]
pub(super) struct MonthSource {
    pub(super) record: RecordReader,
    /// Whose readings they are, or why they are not there, in whole sentences.
    pub(super) words: Option<String>,
}

/// The sources that were made last, with readings from the longer record, by site and
/// time: each page and file of a month asks for its own.
#[derive(Debug)]
pub(in crate::page) struct MonthSources(pub(super) FreshCache<(Id, Timestamp, Timestamp), MonthSource>);

impl Default for MonthSources {
    fn default() -> Self {
        Self(FreshCache::new(KEPT_MAX, BYTES_MAX, FRESH))
    }
}

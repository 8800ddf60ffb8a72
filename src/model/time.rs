//! Moments.

use jiff::{SignedDuration, Timestamp};

/// `at` moved by seconds; the end of time where that is passed.
pub(crate) fn add_seconds(at: Timestamp, seconds: i64) -> Timestamp {
    at.saturating_add(SignedDuration::from_secs(seconds)).unwrap_or(at)
}

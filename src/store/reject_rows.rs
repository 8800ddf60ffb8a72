//! What could not be taken: rejects, and topics that no sensor names.

use jiff::Timestamp;
use rusqlite::{Transaction, params};

use super::columns::{cut, cut_bytes, millis, time};
use super::error::StoreError;
use super::reader::Reader;
use super::records::RejectRow;
use crate::garden::plan::Garden;
use crate::garden::record::{Reject, Unplaced};

/// Bytes of a topic that are kept here. MQTT allows 65,535; no sensor needs them.
const TOPIC_MAX: usize = 1024;

/// Topics without a sensor that are kept. The one that was silent longest goes first.
pub(super) const UNPLACED_MAX: i64 = 1000;

/// Adds rejects.
pub(super) fn add(transaction: &Transaction<'_>, rejects: &[Reject]) -> rusqlite::Result<()> {
    let mut insert = transaction
        .prepare_cached("INSERT INTO reject (at, topic, payload, reason) VALUES (?1, ?2, ?3, ?4)")?;
    for it in rejects {
        insert.execute(params![
            millis(it.at),
            cut(&it.topic, TOPIC_MAX),
            cut_bytes(&it.payload, Reject::PAYLOAD_MAX),
            cut(&it.reason, TOPIC_MAX),
        ])?;
    }
    Ok(())
}

/// Lets the oldest rejects go, so that `keep` stay. They are numbered without
/// gaps, so the highest number says how many there are.
pub(super) fn trim(transaction: &Transaction<'_>, keep: u32) -> rusqlite::Result<()> {
    transaction
        .prepare_cached("DELETE FROM reject WHERE seq <= (SELECT max(seq) FROM reject) - ?1")?
        .execute([keep])?;
    Ok(())
}

/// Counts messages on topics without a sensor; `topics` is how many such topics
/// there are, kept up to date.
pub(super) fn count_unplaced(
    transaction: &Transaction<'_>,
    unplaced: &[Unplaced],
    topics: &mut i64,
) -> rusqlite::Result<()> {
    let mut upsert = transaction.prepare_cached(
        "INSERT INTO unplaced (topic, first_at, last_at, messages, payload) VALUES (?1, ?2, ?2, 1, ?3)
         ON CONFLICT (topic) DO UPDATE
         SET last_at = excluded.last_at, messages = messages + 1, payload = excluded.payload
         RETURNING messages",
    )?;
    for it in unplaced {
        let messages: i64 = upsert.query_row(
            params![cut(&it.topic, TOPIC_MAX), millis(it.at), cut_bytes(&it.payload, Reject::PAYLOAD_MAX)],
            |row| row.get(0),
        )?;
        *topics += i64::from(messages == 1);
    }
    if *topics > UNPLACED_MAX {
        let gone = transaction
            .prepare_cached(
                "DELETE FROM unplaced WHERE topic IN
                 (SELECT topic FROM unplaced ORDER BY last_at, topic LIMIT ?1)",
            )?
            .execute([*topics - UNPLACED_MAX])?;
        *topics -= i64::try_from(gone).expect("a count of rows that fits the table");
    }
    Ok(())
}

/// What was refused of one topic.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefusedTopic {
    pub topic: String,
    pub messages: u64,
    pub last: Timestamp,
    /// Of the last one, at most [`Reject::PAYLOAD_MAX`] bytes.
    pub payload: Vec<u8>,
    /// Why the last one was refused.
    pub reason: String,
}

impl Reader {
    /// What was refused from `since` on, topic by topic, the latest first.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn refused_topics(&self, since: Timestamp) -> Result<Vec<RefusedTopic>, StoreError> {
        self.list(
            "rejects",
            // With max(), SQLite gives the other columns of the row that has it.
            "SELECT topic, count(*), max(seq), at, payload, reason FROM reject WHERE at >= ?1
             GROUP BY topic ORDER BY max(seq) DESC",
            [millis(since)],
            |row| {
                Ok(RefusedTopic {
                    topic: row.get(0)?,
                    messages: row.get::<_, i64>(1)?.unsigned_abs(),
                    last: time(row, 3)?,
                    payload: row.get(4)?,
                    reason: row.get(5)?,
                })
            },
        )
    }

    /// What was refused with `from` <= time < `to`, oldest first.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn rejects_between(&self, from: Timestamp, to: Timestamp) -> Result<Vec<RejectRow>, StoreError> {
        self.list(
            "rejects",
            "SELECT seq, at, topic, payload, reason FROM reject WHERE at >= ?1 AND at < ?2 ORDER BY at, seq",
            [millis(from), millis(to)],
            |row| {
                Ok(RejectRow {
                    seq: row.get(0)?,
                    at: time(row, 1)?,
                    topic: row.get(2)?,
                    payload: row.get(3)?,
                    reason: row.get(4)?,
                })
            },
        )
    }
}

/// Whether a refused message is one of a garden's: on a topic of its sensors or below its
/// id. With one garden alone every message is.
pub fn is_refused_of(garden: &Garden, only: bool, topic: &str) -> bool {
    let below = topic.strip_prefix(garden.site.id.as_str()).is_some_and(|rest| rest.starts_with('/'));
    only || below || garden.sensors.iter().any(|sensor| sensor.topic == topic)
}

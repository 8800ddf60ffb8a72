//! What could not be taken: rejects, and topics that no sensor names.

use rusqlite::{Transaction, params};

use super::columns::{cut, cut_bytes, millis};
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

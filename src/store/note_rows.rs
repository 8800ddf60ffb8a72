//! What people say about alarms.

use jiff::Timestamp;
use rusqlite::{Row, Transaction, params};
use tracing::warn;

use super::StoreError;
use super::columns::{cut_chars, millis, timestamp};
use super::reader::Reader;
use crate::alarms::Kind;
use crate::alarms::{AlarmKey, AlarmNote};
use crate::model::Id;

/// Notes that are kept; beyond it the oldest go.
const NOTES_MAX: i64 = 100_000;

/// Adds notes that are not there yet. What the broker brings again, later, is the
/// same note; no note is older than the condition that it is about.
pub(super) fn add(transaction: &Transaction<'_>, notes: &[AlarmNote]) -> rusqlite::Result<()> {
    // Looked for first: a refused row would use up a number.
    let mut find = transaction.prepare_cached(
        "SELECT 1 FROM alarm_note
         WHERE at >= min(?1, ?6) AND site = ?2 AND kind = ?3 AND place = ?4 AND note = ?5
           AND (at = ?1 OR (since = ?6 AND how = 'mqtt' AND ?7 = 'mqtt'))",
    )?;
    let mut insert = transaction.prepare_cached(
        "INSERT INTO alarm_note (at, site, kind, place, note, since, how)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?;
    for it in notes {
        let (at, site, kind, place) =
            (millis(it.at), it.key.site.as_str(), it.key.kind.name(), it.key.place.as_str());
        let note = cut_chars(&it.note, AlarmNote::TEXT_MAX);
        let row = params![at, site, kind, place, note, millis(it.since), it.how];
        if !find.exists(row)? {
            insert.execute(row)?;
        }
    }
    transaction
        .prepare_cached(
            "DELETE FROM alarm_note
             WHERE seq <= (SELECT seq FROM alarm_note ORDER BY seq DESC LIMIT 1 OFFSET ?1)",
        )?
        .execute([NOTES_MAX])?;
    Ok(())
}

impl Reader {
    /// What people said about alarms with `from` <= when < `to`, oldest first. A row
    /// that cannot be understood is left out, and the log says why.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn notes(
        &self,
        from: Timestamp,
        to: Timestamp,
        site: Option<&str>,
    ) -> Result<Vec<AlarmNote>, StoreError> {
        self.with("notes", |connection| {
            let mut select = connection.prepare_cached(
                "SELECT at, site, kind, place, note, since, how FROM alarm_note
                 WHERE at >= ?1 AND at < ?2 AND (?3 IS NULL OR site = ?3) ORDER BY at, seq",
            )?;
            let mut rows = select.query(params![millis(from), millis(to), site])?;
            let mut notes = Vec::new();
            while let Some(row) = rows.next()? {
                match read(row)? {
                    Ok(note) => notes.push(note),
                    Err(reason) => warn!(reason, "a note cannot be understood; it is left out"),
                }
            }
            Ok(notes)
        })
    }
}

/// One row; the inner error says what in it cannot be understood.
fn read(row: &Row<'_>) -> rusqlite::Result<Result<AlarmNote, String>> {
    let (at, since): (i64, i64) = (row.get(0)?, row.get(5)?);
    let (site, kind, place): (String, String, String) = (row.get(1)?, row.get(2)?, row.get(3)?);
    let (note, how) = (row.get(4)?, row.get(6)?);
    let time = |millis| timestamp(millis).ok_or_else(|| format!("the time {millis}"));
    Ok((|| {
        Ok(AlarmNote {
            key: AlarmKey {
                site: Id::new(&site),
                kind: Kind::from_name(&kind).ok_or_else(|| format!("the kind {kind:?}"))?,
                place: Id::new(&place),
            },
            since: time(since)?,
            at: time(at)?,
            note,
            how,
        })
    })())
}

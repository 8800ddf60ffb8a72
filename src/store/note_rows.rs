//! What people say about alarms.

use jiff::Timestamp;
use rusqlite::{Row, Transaction, params};
use tracing::warn;

use super::StoreError;
use super::columns::{alarm_key, cut_chars, millis, time};
use super::reader::Reader;
use crate::alarms::{AlarmKey, AlarmNote};
use crate::model::Id;

/// Notes that are kept; beyond it the oldest go.
const NOTES_MAX: i64 = 100_000;

/// Adds notes that are not there yet. What the broker brings again, later, is the
/// same note: one occurrence's are looked through, which are few.
pub(super) fn add(transaction: &Transaction<'_>, notes: &[AlarmNote]) -> rusqlite::Result<()> {
    // Looked for first: a refused row would use up a number.
    let mut find = transaction.prepare_cached(
        "SELECT 1 FROM alarm_note
         WHERE at = ?1 AND +site = ?2 AND kind = ?3 AND place = ?4 AND note = ?5
         UNION ALL
         SELECT 1 FROM alarm_note
         WHERE site = ?2 AND kind = ?3 AND place = ?4 AND since = ?6 AND note = ?5
           AND how = 'mqtt' AND ?7 = 'mqtt'
         LIMIT 1",
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
        self.list_understood(
            "notes",
            "SELECT at, site, kind, place, note, since, how FROM alarm_note
             WHERE at >= ?1 AND at < ?2 AND (?3 IS NULL OR site = ?3) ORDER BY at, seq",
            params![millis(from), millis(to), site],
            note,
            left_out,
        )
    }

    /// What people said about one site's alarms from `from` on, oldest first: the last
    /// `most` of each occurrence.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn last_notes(&self, from: Timestamp, site: &Id, most: usize) -> Result<Vec<AlarmNote>, StoreError> {
        self.list_understood(
            "notes",
            "SELECT at, site, kind, place, note, since, how FROM alarm_note
             WHERE seq IN (
                 SELECT seq FROM (
                     SELECT seq, row_number() OVER
                         (PARTITION BY kind, place, since ORDER BY at DESC, seq DESC) AS place_from_end
                     FROM alarm_note WHERE at >= ?1 AND site = ?2)
                 WHERE place_from_end <= ?3)
             ORDER BY at, seq",
            params![millis(from), site.as_str(), i64::try_from(most).unwrap_or(i64::MAX)],
            note,
            left_out,
        )
    }

    /// Of which alarms of a site people said something before `to`, and when.
    pub(super) fn note_times(
        &self,
        to: Timestamp,
        site: &Id,
    ) -> Result<Vec<(AlarmKey, Timestamp)>, StoreError> {
        self.list_understood(
            "notes",
            "SELECT at, site, kind, place FROM alarm_note WHERE at < ?1 AND site = ?2 ORDER BY at, seq",
            params![millis(to), site.as_str()],
            |row| Ok((alarm_key(row, 1)?, time(row, 0)?)),
            left_out,
        )
    }

    /// How many notes each occurrence has.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn note_counts(&self) -> Result<Vec<(AlarmKey, Timestamp, u32)>, StoreError> {
        self.list_understood(
            "notes",
            "SELECT site, kind, place, since, count(*) FROM alarm_note GROUP BY site, kind, place, since",
            [],
            |row| Ok((alarm_key(row, 0)?, time(row, 3)?, row.get(4)?)),
            left_out,
        )
    }
}

fn note(row: &Row<'_>) -> rusqlite::Result<AlarmNote> {
    Ok(AlarmNote {
        key: alarm_key(row, 1)?,
        since: time(row, 5)?,
        at: time(row, 0)?,
        note: row.get(4)?,
        how: row.get(6)?,
    })
}

fn left_out(reason: String) {
    warn!(reason, "a note cannot be understood; it is left out");
}

//! The history of alarms as far as their figures need it.

use jiff::Timestamp;
use rusqlite::{Row, params};

use super::columns::{alarm_key, json, millis, time, timestamp};
use super::records::AlarmRow;
use super::{Reader, StoreError, alarm_rows, block_rows, query};
use crate::alarms::figures::{History, StateChange};
use crate::model::Id;

const COLUMNS: &str = "at, site, kind, place, from_state, to_state, since, how IS NOT NULL, tell";

/// The number of each alarm's last step before ?1, at the site ?2 (NULL: at every one).
/// Steps of one moment follow each other in the order of their numbers; a replay writes
/// steps of the past with numbers above those of later ones.
const LAST_STEPS: &str = "
    SELECT max(step.seq) FROM
        (SELECT site, kind, place, max(at) AS at FROM alarm_change
         WHERE at < ?1 AND (?2 IS NULL OR site = ?2) GROUP BY site, kind, place) AS last
    CROSS JOIN alarm_change AS step
        ON step.at = last.at AND step.site = last.site AND step.kind = last.kind AND step.place = last.place
    GROUP BY last.site, last.kind, last.place";

impl Reader {
    /// How each alarm stood just before `at`, at `site` or at every one: its last step.
    ///
    /// # Errors
    ///
    /// When the file cannot be read, or holds what this program does not know.
    pub fn alarms_at(&self, at: Timestamp, site: Option<&str>) -> Result<Vec<AlarmRow>, StoreError> {
        let columns = alarm_rows::CHANGE;
        self.list(
            "alarm changes",
            &format!("SELECT {columns} FROM alarm_change WHERE seq IN ({LAST_STEPS}) ORDER BY at, seq"),
            params![millis(at), site],
            alarm_rows::read,
        )
    }

    /// The steps of one site's alarms with `from` <= time < `to`, without their words,
    /// and what went before. Of more than `most` steps the newest are given; the second
    /// part is then the time of the oldest of them, before which nothing is known.
    ///
    /// # Errors
    ///
    /// When the file cannot be read, or holds what this program does not know.
    pub fn alarm_history(
        &self,
        site: &Id,
        from: Timestamp,
        to: Timestamp,
        most: u32,
    ) -> Result<(History, Option<Timestamp>), StoreError> {
        let (mut changes, cut, before) = self.with("alarm changes", |connection| {
            let changes = query::list(
                connection,
                &format!(
                    "SELECT {COLUMNS} FROM alarm_change
                     WHERE at >= ?1 AND at < ?2 AND site = ?3 ORDER BY at DESC, seq DESC LIMIT ?4"
                ),
                params![millis(from), millis(to), site.as_str(), most],
                change,
            )?;
            let full = u32::try_from(changes.len()).is_ok_and(|count| count >= most);
            let cut = changes.last().filter(|_| full).map(|oldest| oldest.at);
            // The search for each alarm's last time stays in the index of times and names.
            let before = query::list(
                connection,
                &format!("SELECT {COLUMNS} FROM alarm_change WHERE seq IN ({LAST_STEPS})"),
                params![millis(cut.unwrap_or(from)), site.as_str()],
                change,
            )?;
            Ok((changes, cut, before))
        })?;
        changes.reverse();
        let notes = self.note_times(to, site)?;
        Ok((History { before, changes, notes }, cut))
    }

    /// The times of the first and the last that is known: readings and steps of alarms.
    /// `None` where the store is empty.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn known_span(&self) -> Result<Option<(Timestamp, Timestamp)>, StoreError> {
        let ends: [Option<i64>; 6] = self.with("the span of the readings", |connection| {
            let end = |sql: &str| query::one(connection, sql, []);
            let (first, last) = block_rows::ends(connection)?.unzip();
            Ok([
                first,
                last,
                end("SELECT min(first_at) FROM thinned")?,
                end("SELECT max(last_at) FROM thinned")?,
                end("SELECT min(at) FROM alarm_change")?,
                end("SELECT max(at) FROM alarm_change")?,
            ])
        })?;
        let known = || ends.into_iter().flatten().filter_map(timestamp);
        Ok(known().min().zip(known().max()))
    }
}

fn change(row: &Row<'_>) -> rusqlite::Result<StateChange> {
    Ok(StateChange {
        key: alarm_key(row, 1)?,
        from: row.get(4)?,
        to: row.get(5)?,
        since: time(row, 6)?,
        at: time(row, 0)?,
        by_person: row.get(7)?,
        tell: json(row, 8, "groups", |text| serde_json::from_str(text))?,
    })
}

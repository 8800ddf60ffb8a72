//! Alarms: the present state of each, and the steps that led there.

use rusqlite::{Connection, OptionalExtension as _, Row, Transaction, params};
use tracing::warn;

use super::columns::{
    alarm_key, json, list_to_json, millis, numbers_from_json, numbers_to_json, optional_time, time,
    why_from_json, why_to_json,
};
use super::query::{self, understood};
use super::records::AlarmRow;
use crate::alarms::{AlarmCourse, AlarmRecord, AlarmText};
use crate::garden::record::AlarmChange;

/// Adds steps to the history and makes each the alarm's present state. A step
/// that is there already changes nothing.
pub(super) fn add(transaction: &Transaction<'_>, changes: &[AlarmChange]) -> rusqlite::Result<()> {
    for change in changes {
        if let Some(seq) = add_step(transaction, change)? {
            make_present(transaction, seq)?;
        }
    }
    Ok(())
}

/// Adds a step to the history alone; returns its number, or `None` where it is there
/// already.
pub(super) fn add_step(transaction: &Transaction<'_>, change: &AlarmChange) -> rusqlite::Result<Option<i64>> {
    let mut insert = transaction.prepare_cached(
        "INSERT INTO alarm_change
         (at, site, kind, place, to_state, from_state, since, text, numbers, source, tell, why,
          shelf_until, shelf_once, how, severity, times, first_at, ended_at)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19)
         ON CONFLICT DO NOTHING",
    )?;
    let it = &change.record;
    let added = insert.execute(params![
        millis(it.at),
        it.key.site.as_str(),
        it.key.kind.name(),
        it.key.place.as_str(),
        it.state.name(),
        change.from.name(),
        millis(it.since),
        it.said.text,
        numbers_to_json(&it.said.values),
        it.said.source,
        list_to_json(&change.tell),
        why_to_json(&it.said.why),
        it.shelf.map(|(until, _)| millis(until)),
        it.shelf.map(|(_, once)| once),
        change.how,
        it.course.severity,
        it.course.times,
        it.course.first.map(millis),
        it.course.ended.map(millis)
    ])?;
    Ok((added == 1).then(|| transaction.last_insert_rowid()))
}

/// Makes a step of the history its alarm's present state.
fn make_present(transaction: &Transaction<'_>, seq: i64) -> rusqlite::Result<()> {
    let mut upsert = transaction.prepare_cached(
        "INSERT INTO alarm (at, site, kind, place, state, since, text, numbers, source, tell, why,
         shelf_until, shelf_once, how, severity, times, first_at, ended_at)
         SELECT at, site, kind, place, to_state, since, text, numbers, source, tell, why,
         shelf_until, shelf_once, how, severity, times, first_at, ended_at FROM alarm_change WHERE seq = ?1
         ON CONFLICT (site, kind, place) DO UPDATE
         SET at = excluded.at, state = excluded.state, since = excluded.since, text = excluded.text,
             numbers = excluded.numbers, source = excluded.source, tell = excluded.tell,
             why = excluded.why, shelf_until = excluded.shelf_until, shelf_once = excluded.shelf_once,
             how = excluded.how, severity = excluded.severity, times = excluded.times,
             first_at = excluded.first_at, ended_at = excluded.ended_at",
    )?;
    upsert.execute([seq])?;
    Ok(())
}

/// Makes an alarm stand as the last step of its history says; without any it is none.
pub(super) fn stand_by_history(
    transaction: &Transaction<'_>,
    site: &str,
    kind: &str,
    place: &str,
) -> rusqlite::Result<()> {
    let last: Option<i64> = transaction
        .prepare_cached(
            "SELECT seq FROM alarm_change WHERE site = ?1 AND kind = ?2 AND place = ?3
             ORDER BY at DESC, seq DESC LIMIT 1",
        )?
        .query_row(params![site, kind, place], |row| row.get(0))
        .optional()?;
    let Some(seq) = last else {
        transaction
            .prepare_cached("DELETE FROM alarm WHERE site = ?1 AND kind = ?2 AND place = ?3")?
            .execute(params![site, kind, place])?;
        return Ok(());
    };
    make_present(transaction, seq)
}

/// Moves present alarms that this program does not understand to the rejects, whole, so that
/// one such row keeps nothing from starting. Returns their names.
pub(super) fn set_aside(connection: &mut Connection) -> rusqlite::Result<Vec<String>> {
    let sql = format!("SELECT {PRESENT}, rowid AS number FROM alarm WHERE state <> 'normal'");
    let found = query::list(connection, &sql, [], |row| {
        let number: i64 = row.get("number")?;
        understood(read(row)).map(|read| read.err().map(|why| (number, why)))
    })?;
    let mut names = Vec::new();
    for (number, why) in found.into_iter().flatten() {
        let moving = connection.transaction()?;
        let name: String = query::one(
            &moving,
            "SELECT kind || '/' || place || ' at ' || site FROM alarm WHERE rowid = ?1",
            [number],
        )?;
        moving.execute(
            "INSERT INTO reject (at, topic, payload, reason)
             SELECT at, 'alarm ' || kind || '/' || place || ' at ' || site, CAST(json_object(
                 'site', site, 'kind', kind, 'place', place, 'state', state, 'since', since, 'at', at, 'text', text,
                 'numbers', numbers, 'source', source, 'tell', tell, 'shelf_until', shelf_until,
                 'shelf_once', shelf_once, 'how', how) AS BLOB), ?2
             FROM alarm WHERE rowid = ?1",
            params![number, format!("this program does not know {why}, so the alarm was set aside")],
        )?;
        moving.execute("DELETE FROM alarm WHERE rowid = ?1", [number])?;
        moving.commit()?;
        warn!(
            alarm = name,
            reason = why,
            "a stored alarm cannot be understood; it was set aside, see the rejects"
        );
        names.push(name);
    }
    Ok(names)
}

/// The columns that [`read`] wants, of the table of present alarms.
pub(super) const PRESENT: &str =
    "at, site, kind, place, state, since, text, numbers, source, tell, NULL, why, shelf_until,
     shelf_once, how, severity, times, first_at, ended_at";

/// The columns that [`read`] wants, of the history.
pub(super) const CHANGE: &str =
    "at, site, kind, place, to_state, since, text, numbers, source, tell, from_state, why,
     shelf_until, shelf_once, how, severity, times, first_at, ended_at";

/// One row.
pub(super) fn read(row: &Row<'_>) -> rusqlite::Result<AlarmRow> {
    let shelf = match optional_time(row, 12)? {
        Some(until) => Some((until, row.get::<_, Option<bool>>(13)?.unwrap_or(false))),
        None => None,
    };
    let said = AlarmText {
        text: row.get(6)?,
        values: json(row, 7, "numbers", numbers_from_json)?,
        source: row.get::<_, String>(8)?.into(),
        why: json(row, 11, "equations", why_from_json)?,
    };
    Ok(AlarmRow {
        record: AlarmRecord {
            key: alarm_key(row, 1)?,
            state: row.get(4)?,
            since: time(row, 5)?,
            at: time(row, 0)?,
            shelf,
            course: AlarmCourse {
                severity: row.get(15)?,
                times: row.get(16)?,
                first: optional_time(row, 17)?,
                ended: optional_time(row, 18)?,
                worse: false,
            },
            said,
        },
        from: row.get(10)?,
        how: row.get(14)?,
        tell: json(row, 9, "groups", |text| serde_json::from_str(text))?,
    })
}

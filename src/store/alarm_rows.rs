//! Alarms: the present state of each, and the steps that led there.

use rusqlite::{Row, Transaction, params};

use super::columns::{millis, numbers_from_json, numbers_to_json, timestamp, why_from_json, why_to_json};
use super::records::AlarmRecord;
use crate::alarms::AlarmKey;
use crate::alarms::{Kind, State};
use crate::garden::record::AlarmChange;
use crate::model::Id;

/// Adds steps to the history and makes each the alarm's present state. A step
/// that is there already changes nothing.
pub(super) fn add(transaction: &Transaction<'_>, changes: &[AlarmChange]) -> rusqlite::Result<()> {
    let mut insert = transaction.prepare_cached(
        "INSERT INTO alarm_change
         (at, site, kind, place, to_state, from_state, since, text, numbers, source, tell, why,
          shelf_until, shelf_once, how)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15) ON CONFLICT DO NOTHING",
    )?;
    let mut upsert = transaction.prepare_cached(
        "INSERT INTO alarm (at, site, kind, place, state, since, text, numbers, source, tell, why,
         shelf_until, shelf_once, how)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)
         ON CONFLICT (site, kind, place) DO UPDATE
         SET at = excluded.at, state = excluded.state, since = excluded.since, text = excluded.text,
             numbers = excluded.numbers, source = excluded.source, tell = excluded.tell,
             why = excluded.why, shelf_until = excluded.shelf_until, shelf_once = excluded.shelf_once,
             how = excluded.how",
    )?;
    for it in changes {
        let (site, kind, place) = (it.key.site.as_str(), it.key.kind.name(), it.key.place.as_str());
        let (at, since) = (millis(it.at), millis(it.since));
        let numbers = numbers_to_json(&it.values);
        let tell = serde_json::to_string(&it.tell).expect("a list of texts always has a JSON form");
        let why = why_to_json(&it.why);
        let shelf_until = it.shelf.map(|(until, _)| millis(until));
        let shelf_once = it.shelf.map(|(_, once)| once);
        let added = insert.execute(params![
            at,
            site,
            kind,
            place,
            it.to.name(),
            it.from.name(),
            since,
            it.text,
            numbers,
            it.source,
            tell,
            why,
            shelf_until,
            shelf_once,
            it.how
        ])?;
        if added == 1 {
            upsert.execute(params![
                at,
                site,
                kind,
                place,
                it.to.name(),
                since,
                it.text,
                numbers,
                it.source,
                tell,
                why,
                shelf_until,
                shelf_once,
                it.how
            ])?;
        }
    }
    Ok(())
}

/// The columns that [`read`] wants, of the table of present alarms.
pub(super) const PRESENT: &str =
    "at, site, kind, place, state, since, text, numbers, source, tell, NULL, why, shelf_until,
     shelf_once, how";

/// The columns that [`read`] wants, of the history.
pub(super) const CHANGE: &str =
    "at, site, kind, place, to_state, since, text, numbers, source, tell, from_state, why,
     shelf_until, shelf_once, how";

/// One row; the inner error says what in it cannot be understood.
pub(super) fn read(row: &Row<'_>) -> rusqlite::Result<Result<AlarmRecord, String>> {
    let at: i64 = row.get(0)?;
    let site: String = row.get(1)?;
    let kind: String = row.get(2)?;
    let place: String = row.get(3)?;
    let state: String = row.get(4)?;
    let since: i64 = row.get(5)?;
    let text = row.get(6)?;
    let numbers: String = row.get(7)?;
    let source = row.get(8)?;
    let tell: String = row.get(9)?;
    let from: Option<String> = row.get(10)?;
    let why: String = row.get(11)?;
    let (shelf_until, shelf_once): (Option<i64>, Option<bool>) = (row.get(12)?, row.get(13)?);
    let how = row.get(14)?;
    let time = |millis| timestamp(millis).ok_or_else(|| format!("the time {millis}"));
    let state_of = |name: &str| State::from_name(name).ok_or_else(|| format!("the state {name:?}"));
    Ok((|| {
        Ok(AlarmRecord {
            key: AlarmKey {
                site: Id::new(&site),
                kind: Kind::from_name(&kind).ok_or_else(|| format!("the kind {kind:?}"))?,
                place: Id::new(&place),
            },
            from: from.as_deref().map(state_of).transpose()?,
            state: state_of(&state)?,
            since: time(since)?,
            at: time(at)?,
            shelf: shelf_until.map(time).transpose()?.map(|until| (until, shelf_once.unwrap_or(false))),
            text,
            values: numbers_from_json(&numbers).map_err(|_| format!("the numbers {numbers:?}"))?,
            source,
            why: why_from_json(&why).map_err(|_| format!("the equations {why:?}"))?,
            how,
            tell: serde_json::from_str(&tell).map_err(|_| format!("the groups {tell:?}"))?,
        })
    })())
}

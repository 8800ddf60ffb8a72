//! What people saw and did.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use serde::Serialize;

use super::call::Call;
use super::cursor::{Cursor, part};
use super::fault::Fault;
use super::sites::{garden, named, zone_name};
use super::{Resource, answer};
use crate::page::Views;
use crate::page::routes::{Desk, ask};
use crate::store::LogRow;

#[derive(Serialize)]
struct Log<'a> {
    site: &'a str,
    time_zone: &'a str,
    entries: Vec<Entry<'a>>,
    next: Option<String>,
}

#[derive(Serialize)]
struct Entry<'a> {
    number: i64,
    at: String,
    written_at: String,
    place: Option<&'a str>,
    kind: &'a str,
    words: String,
    numbers: BTreeMap<&'static str, f64>,
    note: &'a str,
}

pub(super) async fn log<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    path: Result<Path<String>, PathRejection>,
    request: Request,
) -> Result<Response, Fault> {
    let call = Call::new(Resource::Log, &request)?;
    let id = named(path)?;
    let site = &garden(&desk, &id)?.site;
    let (span, limit) = (call.span(&site.time_zone)?, call.limit()?);
    let after = call.after(|cursor| match cursor {
        Cursor::Row { at_ms, given } => Some((at_ms, given)),
        Cursor::Reading(_) | Cursor::Bin(_) => None,
    })?;
    let rows = ask(desk.page.record.log(&id, span.from, span.to)).await.map_err(|_| Fault::unavailable())?;
    let (rows, next) = part(rows, |row| row.entry.at.as_millisecond(), after, limit);
    let next = answer::next(&call, next);
    let log = Log {
        site: &id,
        time_zone: zone_name(&site.time_zone),
        entries: rows.iter().map(entry).collect(),
        next: next.clone(),
    };
    answer::json(&call, &log, next.as_deref())
}

fn entry(row: &LogRow) -> Entry<'_> {
    Entry {
        number: row.seq,
        at: row.entry.at.to_string(),
        written_at: row.written_at.to_string(),
        place: row.entry.place.as_ref().map(|place| place.as_str()),
        kind: row.entry.what.name(),
        words: row.entry.what.words(),
        numbers: row.entry.what.numbers().into_iter().filter(|(_, number)| number.is_finite()).collect(),
        note: &row.entry.note,
    }
}

//! What people saw and did.

use std::collections::BTreeMap;

use axum::response::Response;
use serde::Serialize;

use super::call::ApiCall;
use super::cursor::part;
use super::fault::ApiFault;
use super::sites::zone_name;
use crate::page::PageSource;
use crate::page::wait::ask;
use crate::store::LogRow;

#[derive(Serialize)]
struct LogJson<'a> {
    site: &'a str,
    time_zone: &'a str,
    entries: Vec<LogEntryJson<'a>>,
    next: Option<String>,
}

#[derive(Serialize)]
struct LogEntryJson<'a> {
    number: i64,
    at: String,
    written_at: String,
    place: Option<&'a str>,
    kind: &'a str,
    words: String,
    numbers: BTreeMap<&'static str, f64>,
    crop: Option<&'a str>,
    job: Option<&'a str>,
    note: &'a str,
    corrects: Option<i64>,
    struck: Option<StrikeJson<'a>>,
}

#[derive(Serialize)]
struct StrikeJson<'a> {
    written_at: String,
    why: &'a str,
    corrected_by: Option<i64>,
}

pub(super) async fn log<V: PageSource>(call: ApiCall<V>) -> Result<Response, ApiFault> {
    let site = &call.garden()?.site;
    let (span, limit, after) = (call.span(&site.time_zone)?, call.limit()?, call.after_row()?);
    let with_struck = call.flag("struck")?;
    let rows = ask(call.context.record.log_with_struck(call.site(), span.from, span.to)).await;
    let mut rows = rows.map_err(|_| ApiFault::unavailable())?;
    rows.retain(|row| with_struck || row.struck.is_none());
    let (rows, next) = part(rows, |row| row.entry.at.as_millisecond(), after, limit);
    let log = LogJson {
        site: call.site(),
        time_zone: zone_name(&site.time_zone),
        entries: rows.iter().map(entry).collect(),
        next: call.next(next),
    };
    call.json(&log, log.next.as_deref())
}

fn entry(row: &LogRow) -> LogEntryJson<'_> {
    let named = |wanted: &str| row.entry.what.named().filter(|(name, _)| *name == wanted).map(|(_, it)| it);
    LogEntryJson {
        number: row.seq,
        at: row.entry.at.to_string(),
        written_at: row.written_at.to_string(),
        place: row.entry.place.as_ref().map(|place| place.as_str()),
        kind: row.entry.what.name(),
        words: row.entry.what.words(),
        numbers: row.entry.what.numbers().into_iter().filter(|(_, number)| number.is_finite()).collect(),
        crop: named("crop"),
        job: named("job"),
        note: &row.entry.note,
        corrects: row.corrects,
        struck: row.struck.as_ref().map(|strike| StrikeJson {
            written_at: strike.written_at.to_string(),
            why: &strike.why,
            corrected_by: strike.corrected_by,
        }),
    }
}

//! Messages that came and could not be taken.

use axum::response::Response;
use serde::Serialize;

use super::call::ApiCall;
use super::cursor::part;
use super::fault::ApiFault;
use super::sites::zone_name;
use crate::page::PageSource;
use crate::page::wait::ask;
use crate::store::is_refused_of;

#[derive(Serialize)]
struct RejectsJson<'a> {
    site: &'a str,
    time_zone: &'a str,
    rejects: Vec<RejectJson>,
    next: Option<String>,
}

#[derive(Serialize)]
struct RejectJson {
    number: i64,
    at: String,
    topic: String,
    reason: String,
    /// Bytes that are no UTF-8 are shown as U+FFFD.
    payload: String,
}

pub(super) async fn rejects<V: PageSource>(call: ApiCall<V>) -> Result<Response, ApiFault> {
    let garden = call.garden()?;
    let site = &garden.site;
    let (span, limit, after) = (call.span(&site.time_zone)?, call.limit()?, call.after_row()?);
    let record = &call.context.record;
    let rows = ask(record.read("refused messages", move |reader| reader.rejects_between(span.from, span.to)));
    let mut rows = rows.await.map_err(|_| ApiFault::unavailable())?;
    let only = record.gardens().len() == 1;
    rows.retain(|row| is_refused_of(garden, only, &row.topic));
    let (rows, next) = part(rows, |row| row.at.as_millisecond(), after, limit);
    let rejects = RejectsJson {
        site: call.site(),
        time_zone: zone_name(&site.time_zone),
        rejects: rows
            .into_iter()
            .map(|row| RejectJson {
                number: row.seq,
                at: row.at.to_string(),
                topic: row.topic,
                reason: row.reason,
                payload: String::from_utf8_lossy(&row.payload).into_owned(),
            })
            .collect(),
        next: call.next(next),
    };
    call.json(&rejects, rejects.next.as_deref())
}

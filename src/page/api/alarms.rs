//! The alarms of a site, now and before.

use axum::response::Response;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::call::ApiCall;
use super::cursor::part;
use super::fault::ApiFault;
use super::read::read;
use super::sites::zone_name;
use crate::alarms::AlarmNote;
use crate::engine::AlarmJson;
use crate::export::TimeSpan;
use crate::garden::plan::Garden;
use crate::page::PageSource;
use crate::store::{AlarmRow, Reader, StoreError};

/// So much of the history is read at once.
const AT_ONCE: SignedDuration = SignedDuration::from_hours(30 * 24);

#[derive(Serialize)]
struct AlarmsJson<'a> {
    site: &'a str,
    time_zone: &'a str,
    alarms: Vec<AlarmJson<'a>>,
}

#[derive(Serialize)]
struct AlarmHistoryJson<'a> {
    site: &'a str,
    time_zone: &'a str,
    steps: Vec<AlarmJson<'a>>,
    next: Option<String>,
}

pub(super) async fn present<V: PageSource>(call: ApiCall<V>) -> Result<Response, ApiFault> {
    let garden = call.garden()?;
    let site = call.site().to_owned();
    let (alarms, notes) = read(&call.context, move |reader| {
        let mut alarms = reader.alarms_present()?;
        alarms.retain(|alarm| alarm.record.key.site.as_str() == site);
        let first = alarms.iter().map(|alarm| alarm.record.since).min();
        let notes = match first {
            Some(first) => reader.last_notes(first, &crate::model::Id::new(&site), 1)?,
            None => Vec::new(),
        };
        Ok((alarms, notes))
    })
    .await?;
    // The newest note on the occurrence that stands.
    let note = |alarm: &AlarmRow| notes.iter().rev().find(|note| note.is_of(&alarm.record));
    let alarms = alarms.iter().map(|alarm| published(garden, alarm, note(alarm))).collect();
    let time_zone = zone_name(&garden.site.time_zone);
    call.json(&AlarmsJson { site: call.site(), time_zone, alarms }, None)
}

pub(super) async fn history<V: PageSource>(call: ApiCall<V>) -> Result<Response, ApiFault> {
    let garden = call.garden()?;
    let (span, limit, after) = (call.span(&garden.site.time_zone)?, call.limit()?, call.after_row()?);
    let site = call.site().to_owned();
    let (steps, notes) = read(&call.context, move |reader| steps(reader, &site, span, after, limit)).await?;
    let (steps, next) = part(steps, |step| step.record.at.as_millisecond(), after, limit);
    let note = |step: &AlarmRow| {
        let record = &step.record;
        notes.iter().find(|note| step.how.is_some() && note.key == record.key && note.at == record.at)
    };
    let history = AlarmHistoryJson {
        site: call.site(),
        time_zone: zone_name(&garden.site.time_zone),
        steps: steps.iter().map(|step| published(garden, step, note(step))).collect(),
        next: call.next(next),
    };
    call.json(&history, history.next.as_deref())
}

fn published<'a>(garden: &Garden, alarm: &'a AlarmRow, note: Option<&'a AlarmNote>) -> AlarmJson<'a> {
    AlarmJson::of_row(alarm, garden.priority_of(&alarm.record), note.map(|note| note.note.as_str()))
}

/// Steps of a span from the moment of `after` on, enough of them to fill a page and to
/// know whether another one comes; and the notes of that time.
fn steps(
    reader: &Reader,
    site: &str,
    span: TimeSpan,
    after: Option<(i64, u32)>,
    limit: usize,
) -> Result<(Vec<AlarmRow>, Vec<AlarmNote>), StoreError> {
    let Some((first, last)) = reader.known_span()? else { return Ok((Vec::new(), Vec::new())) };
    let mut from = span.from.max(first);
    let mut wanted = limit.saturating_add(1);
    if let Some((at_ms, given)) = after {
        from = Timestamp::from_millisecond(at_ms).map_or(from, |at| from.max(at));
        wanted = wanted.saturating_add(usize::try_from(given).unwrap_or(usize::MAX));
    }
    let begin = from;
    let mut steps = Vec::new();
    while from < span.to && from <= last && steps.len() < wanted {
        let end = from.checked_add(AT_ONCE).unwrap_or(Timestamp::MAX).min(span.to);
        steps.extend(reader.alarm_changes(from, end, Some(site))?);
        from = end;
    }
    let notes = if begin < from { reader.notes(begin, from, Some(site))? } else { Vec::new() };
    Ok((steps, notes))
}

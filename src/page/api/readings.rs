//! A sensor's record in pages, or as a stream of CSV.

use axum::response::Response;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;
use tokio::time::Instant;

use super::call::ApiCall;
use super::cursor::Cursor;
use super::fault::ApiFault;
use super::read::{LOOKED, filled, find_sensor, only_daily, read};
use super::resource::AnswerFormat;
use super::stream;
use crate::export::{RecordMark, SensorRecord, TimeSpan, walk_readings};
use crate::history::{Bin, BinWidth, bin_of};
use crate::page::PageSource;
use crate::page::filled::FilledRecord;
use crate::page::older::PAGE_WAIT;
use crate::store::{Reader, StoredReading};

/// One part of a list goes over so much of the longer record at most.
const OLDER_PART: SignedDuration = SignedDuration::from_hours(64 * 24);

#[derive(Serialize)]
struct RecordJson<'a> {
    #[serde(flatten)]
    of: &'a SensorRecord,
    step: &'a str,
    /// The first moment of which every single reading is kept, where the span begins before it.
    #[serde(skip_serializing_if = "Option::is_none")]
    single_readings_from: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    readings: Option<Vec<ReadingJson>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bins: Option<Vec<BinJson>>,
    next: Option<String>,
}

#[derive(Serialize)]
struct ReadingJson {
    at: String,
    raw: f64,
    value: Option<f64>,
    flag: u8,
    flag_name: &'static str,
    /// Not known of a reading from the longer record.
    late: Option<bool>,
}

#[derive(Serialize)]
struct BinJson {
    start: String,
    end: String,
    readings: u32,
    good: u32,
    suspect: u32,
    bad: u32,
    mean: Option<f64>,
    min: Option<f64>,
    max: Option<f64>,
    total: Option<f64>,
}

pub(super) async fn readings<V: PageSource>(call: ApiCall<V>) -> Result<Response, ApiFault> {
    let sensor = find_sensor(&call).await?;
    let (span, step, limit) = (call.span(&sensor.zone)?, call.step()?, call.limit()?);
    if call.format == AnswerFormat::Csv {
        // A stream is whole: it has no pages, so the parameters of pages have no meaning.
        return stream::csv(&call.context, sensor, span, step).await;
    }
    if step == BinWidth::Raw {
        raw(&call, &sensor, span, limit).await
    } else {
        bins(&call, &sensor, span, step, limit).await
    }
}

pub(super) async fn as_csv<V: PageSource>(call: ApiCall<V>) -> Result<Response, ApiFault> {
    let sensor = find_sensor(&call).await?;
    let (span, step) = (call.span(&sensor.zone)?, call.step()?);
    stream::csv(&call.context, sensor, span, step).await
}

async fn raw<V: PageSource>(
    call: &ApiCall<V>,
    sensor: &SensorRecord,
    span: TimeSpan,
    limit: usize,
) -> Result<Response, ApiFault> {
    let after = call.after(|cursor| match cursor {
        Cursor::Reading(mark) => Some(mark),
        Cursor::Bin(_) | Cursor::Row { .. } => None,
    })?;
    let begin = after.and_then(|mark| Timestamp::from_millisecond(mark.at_ms).ok());
    let OlderPart { older, part, asked } = older_part(call, sensor, span, begin, BinWidth::Raw).await?;
    let filter = sensor.filter(part);
    let until = Instant::now() + LOOKED;
    let site = sensor.site.clone();
    let (readings, next, single) = read(&call.context, move |reader| {
        let whole = older.as_ref().is_some_and(FilledRecord::is_whole);
        let reader = older.as_ref().map_or(reader, |it| it.record.reader());
        let mut readings = Vec::new();
        let enough = || Instant::now() > until;
        let next = walk_readings(reader, &filter, after, limit, enough, |row| {
            readings.push(reading(row));
        })?;
        let rest =
            (part.to < span.to).then(|| RecordMark { at_ms: part.to.as_millisecond() - 1, series: u32::MAX });
        let single = if whole { None } else { only_daily(reader, &site, asked)? };
        Ok((readings, next.or(rest), single))
    })
    .await?;
    let next = call.next(next.map(Cursor::Reading));
    let record = RecordJson {
        of: sensor,
        step: BinWidth::Raw.name(),
        single_readings_from: single,
        readings: Some(readings),
        bins: None,
        next,
    };
    call.json(&record, record.next.as_deref())
}

async fn bins<V: PageSource>(
    call: &ApiCall<V>,
    sensor: &SensorRecord,
    span: TimeSpan,
    step: BinWidth,
    limit: usize,
) -> Result<Response, ApiFault> {
    let after = call.after(|cursor| match cursor {
        Cursor::Bin(at_ms) => Timestamp::from_millisecond(at_ms).ok(),
        Cursor::Reading(_) | Cursor::Row { .. } => None,
    })?;
    let from = after.map_or(span.from, |after| after.max(span.from));
    let OlderPart { older, part, asked } = older_part(call, sensor, span, after, step).await?;
    let until = Instant::now() + LOOKED;
    let of = sensor.clone();
    let (bins, next, single) = read(&call.context, move |reader| {
        let whole = older.as_ref().is_some_and(FilledRecord::is_whole);
        let reader = older.as_ref().map_or(reader, |it| it.record.reader());
        let mut bins = Vec::new();
        let enough = || Instant::now() > until;
        let next = of.walk_bins(reader, TimeSpan { from, ..part }, step, limit, enough, |bin| {
            bins.push(binned(bin, of.figures(bin)));
        })?;
        let single = if whole || step == BinWidth::Day { None } else { only_daily(reader, &of.site, asked)? };
        let rest = (part.to < span.to).then_some(part.to);
        Ok((bins, next.or(rest), single))
    })
    .await?;
    let next = call.next(next.map(|next| Cursor::Bin(next.as_millisecond())));
    let record = RecordJson {
        of: sensor,
        step: step.name(),
        single_readings_from: single,
        readings: None,
        bins: Some(bins),
        next,
    };
    call.json(&record, record.next.as_deref())
}

/// The next part of a list.
struct OlderPart {
    /// What the longer record has of it.
    older: Option<FilledRecord>,
    /// As long as there may be readings from there, not longer than [`OLDER_PART`].
    part: TimeSpan,
    /// The time of which it is said whether every reading is kept: that of the part where there
    /// is a longer record, since other parts may have come from there.
    asked: TimeSpan,
}

/// The part of a list of a span that begins after `begin`.
async fn older_part<V: PageSource>(
    call: &ApiCall<V>,
    sensor: &SensorRecord,
    span: TimeSpan,
    begin: Option<Timestamp>,
    step: BinWidth,
) -> Result<OlderPart, ApiFault> {
    if step == BinWidth::Day || call.context.record.older().is_none() {
        return Ok(OlderPart { older: None, part: span, asked: span });
    }
    let known = read(&call.context, Reader::known_span).await?;
    let from = known.map_or(span.from, |(first, _)| span.from.max(first));
    let from = begin.map_or(from, |begin| from.max(begin));
    let far = from.checked_add(OLDER_PART).unwrap_or(span.to);
    let part = TimeSpan { from: span.from, to: span.to.min(bin_of(far, step, &sensor.zone).0.max(from)) };
    let asked = TimeSpan { from, to: part.to };
    let older = filled(&call.context, sensor, asked, (step, PAGE_WAIT)).await?;
    // From where the own store has all on, there is no need of parts.
    let short = older.as_ref().is_some_and(|it| it.fault.is_none() && part.to < it.single);
    Ok(OlderPart { older, part: if short { part } else { span }, asked })
}

fn reading(row: &StoredReading<'_>) -> ReadingJson {
    ReadingJson {
        at: row.at.to_string(),
        raw: row.raw,
        value: row.value,
        flag: row.flag.number(),
        flag_name: row.flag.name(),
        late: (!row.elsewhere).then_some(row.late),
    }
}

fn binned(bin: &Bin, [mean, min, max, total]: [Option<f64>; 4]) -> BinJson {
    BinJson {
        start: bin.start.to_string(),
        end: bin.end.to_string(),
        readings: bin.readings,
        good: bin.good,
        suspect: bin.suspect,
        bad: bin.bad,
        mean,
        min,
        max,
        total,
    }
}

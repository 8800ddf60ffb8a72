//! A sensor's record in pages, or as a stream of CSV.

use axum::response::Response;
use jiff::Timestamp;
use serde::Serialize;
use tokio::time::Instant;

use super::call::ApiCall;
use super::cursor::Cursor;
use super::fault::ApiFault;
use super::read::{LOOKED, find_sensor, only_daily, read};
use super::resource::AnswerFormat;
use super::stream;
use crate::export::{SensorRecord, TimeSpan, walk_readings};
use crate::history::{Bin, BinWidth, Point};
use crate::page::PageSource;

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
    late: bool,
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
    let filter = sensor.filter(span);
    let until = Instant::now() + LOOKED;
    let site = sensor.site.clone();
    let (readings, next, single) = read(&call.context, move |reader| {
        let mut readings = Vec::new();
        let enough = || Instant::now() > until;
        let next = walk_readings(reader, &filter, after, limit, enough, |row| {
            readings.push(reading(&row.point()));
        })?;
        Ok((readings, next, only_daily(reader, &site, span)?))
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
    mut span: TimeSpan,
    step: BinWidth,
    limit: usize,
) -> Result<Response, ApiFault> {
    let after = call.after(|cursor| match cursor {
        Cursor::Bin(at_ms) => Timestamp::from_millisecond(at_ms).ok(),
        Cursor::Reading(_) | Cursor::Row { .. } => None,
    })?;
    span.from = after.map_or(span.from, |after| after.max(span.from));
    let until = Instant::now() + LOOKED;
    let of = sensor.clone();
    let asked = span;
    let (bins, next, single) = read(&call.context, move |reader| {
        let mut bins = Vec::new();
        let enough = || Instant::now() > until;
        let next = of.walk_bins(reader, span, step, limit, enough, |bin| {
            bins.push(binned(bin, of.figures(bin)));
        })?;
        let single = if step == BinWidth::Day { None } else { only_daily(reader, &of.site, asked)? };
        Ok((bins, next, single))
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

fn reading(point: &Point) -> ReadingJson {
    ReadingJson {
        at: point.at.to_string(),
        raw: point.raw,
        value: point.value,
        flag: point.flag.number(),
        flag_name: point.flag.name(),
        late: point.late,
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

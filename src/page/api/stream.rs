//! A span of a sensor's record as CSV, written while it is read.
//!
//! A thread reads a part of the record, lets go of the store, writes the part as CSV and
//! hands it on; it waits when the caller does not take it, and ends when the caller has
//! gone. So memory holds a few parts, however long the span is.

use std::io;
use std::sync::Arc;

use axum::body::{Body, Bytes};
use axum::http::HeaderName;
use axum::http::header::{CACHE_CONTROL, CONTENT_DISPOSITION, CONTENT_TYPE, VARY};
use axum::response::{IntoResponse, Response};
use jiff::{SignedDuration, Timestamp};
use tokio::sync::mpsc;
use tokio::time::{Instant, timeout};
use tokio_stream::StreamExt as _;
use tokio_stream::wrappers::ReceiverStream;
use tracing::{debug, warn};

use super::answer::insert;
use super::fault::ApiFault;
use super::read::{LOOKED, filled, only_daily, read};
use crate::export::{SensorRecord, TimeSpan, column_names, reading_row, walk_readings};
use crate::history::BinWidth;
use crate::page::PageSource;
use crate::page::context::PageContext;
use crate::page::filled::FilledRecord;
use crate::page::older::FILE_WAIT;
use crate::page::wait::VIEW_WAIT;
use crate::store::Reader;

/// Rows of one part, about 200 KB.
const PART: usize = 2000;

/// Parts that wait for the caller.
const WAITING: usize = 2;

/// Single readings of one stream cover so many days at most: a connection lives two
/// minutes, and a stream shall not be cut in the middle.
pub(super) const RAW_DAYS_MAX: i64 = 366;

/// The header that says from when on every single reading is kept, where the span begins before.
const SINGLE_READINGS_FROM: HeaderName = HeaderName::from_static("single-readings-from");

type CsvPart = io::Result<Bytes>;

/// The stream of a span.
pub(super) async fn csv<V: PageSource>(
    context: &PageContext<V>,
    of: SensorRecord,
    span: TimeSpan,
    step: BinWidth,
) -> Result<Response, ApiFault> {
    // A day's worth beyond, so that a year on the site's clock always fits.
    let most = SignedDuration::from_hours(24 * (RAW_DAYS_MAX + 1));
    if step == BinWidth::Raw {
        let known = read(context, |reader| reader.known_span()).await?;
        let covered = known.map(|(first, last)| span.to.min(last).duration_since(span.from.max(first)));
        if covered.is_some_and(|covered| covered > most) {
            let given = format!("from {} to {}", shown(span.from), shown(span.to));
            let detail = "This span of single readings is too long for one stream.";
            let accepted = format!(
                "from and to at most {RAW_DAYS_MAX} days apart (ask year by year), or step=hour or step=day"
            );
            return Err(ApiFault::parameter("from", &given, detail, accepted));
        }
    }
    let (site, is_day) = (of.site.clone(), step == BinWidth::Day);
    let older = filled(context, &of, span, (step, FILE_WAIT)).await?;
    let single = if is_day || older.as_ref().is_some_and(FilledRecord::is_whole) {
        None
    } else {
        read(context, move |reader| only_daily(reader, &site, span)).await?
    };
    let place = Arc::clone(&context.api_streams).try_acquire_owned().map_err(|_| {
        ApiFault::busy("As many streams as Trug sends at one time are under way. Try again in a minute.")
    })?;
    let (send, mut receive) = mpsc::channel::<CsvPart>(WAITING);
    let reader = older.as_ref().map_or(&context.record, |it| &it.record).reader().clone();
    let name = format!("{}-{}-{}.csv", of.site, of.sensor, step.name());
    tokio::task::spawn_blocking(move || {
        let _place = place;
        if let Err(fault) = write(&reader, &of, span, step, &send) {
            warn!("a stream of readings cannot go on: {fault}");
            // The caller sees that the end is missing.
            let _ = send.blocking_send(Err(fault));
        }
    });
    // The first part shows whether the store can be read at all.
    let first = match timeout(VIEW_WAIT, receive.recv()).await {
        Ok(Some(Ok(first))) => first,
        Ok(Some(Err(_)) | None) | Err(_) => return Err(ApiFault::unavailable()),
    };
    let parts = tokio_stream::once(Ok(first)).chain(ReceiverStream::new(receive));
    const MEDIA: &str = "text/csv; charset=utf-8; header=present";
    let headers = [(CONTENT_TYPE, MEDIA), (CACHE_CONTROL, "no-store"), (VARY, "Accept")];
    let mut response = (headers, Body::from_stream(parts)).into_response();
    if let Some(single) = single {
        insert(&mut response, SINGLE_READINGS_FROM, &single);
    }
    insert(&mut response, CONTENT_DISPOSITION, &format!("attachment; filename=\"{name}\""));
    Ok(response)
}

fn shown(at: Timestamp) -> String {
    if at == Timestamp::MIN {
        "the beginning".to_owned()
    } else if at == Timestamp::MAX {
        "the end".to_owned()
    } else {
        at.to_string()
    }
}

/// Writes part after part until the end, or until nobody takes them.
fn write(
    reader: &Reader,
    of: &SensorRecord,
    span: TimeSpan,
    step: BinWidth,
    send: &mpsc::Sender<CsvPart>,
) -> io::Result<()> {
    let mut part = csv::Writer::from_writer(Vec::new());
    part.write_record(column_names(step))?;
    let filter = of.filter(span);
    let (mut mark, mut rest) = (None, span);
    loop {
        let until = Instant::now() + LOOKED;
        let enough = || Instant::now() > until || send.is_closed();
        let mut written: csv::Result<()> = Ok(());
        let more = if step == BinWidth::Raw {
            mark = walk_readings(reader, &filter, mark, PART, enough, |row| {
                if written.is_ok() {
                    written = part.write_record(reading_row(row));
                }
            })
            .map_err(io::Error::other)?;
            mark.is_some()
        } else {
            let next = of.walk_bins(reader, rest, step, PART, enough, |bin| {
                if written.is_ok() {
                    written = part.write_record(of.bin_row(bin));
                }
            });
            let next = next.map_err(io::Error::other)?;
            rest.from = next.unwrap_or(rest.to);
            next.is_some()
        };
        written?;
        let bytes = part.into_inner().map_err(|fault| io::Error::other(fault.to_string()))?;
        part = csv::Writer::from_writer(Vec::new());
        if !bytes.is_empty() && send.blocking_send(Ok(bytes.into())).is_err() {
            debug!("a stream of readings ended early: nobody takes it any more");
            return Ok(());
        }
        if !more || send.is_closed() {
            return Ok(());
        }
    }
}

//! Reads of the store for programs, and the record of one sensor.

use std::sync::Arc;
use std::time::Duration;

use jiff::SignedDuration;

use super::call::ApiCall;
use super::fault::ApiFault;
use super::sensors::place_id;
use crate::export::{SensorRecord, TimeSpan};
use crate::history::{BinWidth, bin_of};
use crate::page::PageSource;
use crate::page::context::PageContext;
use crate::page::filled::{FillWanted, FilledRecord};
use crate::page::wait::{NoAnswer, answered, ask};
use crate::store::{Reader, StoreError};

/// One page of a list is looked for so long; the answer holds what was found by then.
pub(super) const LOOKED: Duration = Duration::from_secs(2);

/// Runs a read of the store in its turn.
pub(super) async fn read<V: PageSource, T: Send + 'static>(
    context: &PageContext<V>,
    read: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
) -> Result<T, ApiFault> {
    let question = async {
        let _place = context.api_reads.acquire().await.expect("the semaphore is never closed");
        context.record.read("what a program asks for", read).await
    };
    const FAILED: &str = "a program cannot be answered";
    answered(FAILED, FAILED, question).await.map_err(|no_answer| match no_answer {
        NoAnswer::Failed => ApiFault::unavailable(),
        NoAnswer::Late => ApiFault::busy("Too many programs read at this time. Try again in a minute."),
    })
}

/// Finds the sensor of a call: one of the configuration, or one of earlier times that the
/// record knows.
pub(super) async fn find_sensor<V: PageSource>(call: &ApiCall<V>) -> Result<SensorRecord, ApiFault> {
    let (site, sensor) = (call.site().to_owned(), call.sensor().to_owned());
    let garden = Arc::clone(call.garden()?);
    let zone = garden.site.time_zone.clone();
    if let Some(it) = garden.sensors.iter().find(|it| it.id.as_str() == sensor) {
        let place = place_id(&garden, it).to_owned();
        let (quantity, unit) = (it.measures.name().to_owned(), it.measures.unit().to_owned());
        return Ok(SensorRecord { site, sensor, place, quantity, unit, zone });
    }
    let series = read(&call.context, Reader::series).await?.into_values();
    let of_sensor = series.filter(|it| it.site == site && it.sensor == sensor);
    let newest = of_sensor.max_by_key(|it| it.number).ok_or_else(|| {
        ApiFault::unknown("sensor", &sensor, garden.sensors.iter().map(|it| it.id.as_str()))
    })?;
    Ok(SensorRecord::of(newest, zone))
}

/// Seconds between two readings of a sensor that is in no garden's file.
const USUAL_S: u32 = 300;

/// The record with what the longer record has of a sensor in a span, as far as it is
/// needed; hours are whole.
pub(super) async fn filled<V: PageSource>(
    context: &PageContext<V>,
    of: &SensorRecord,
    span: TimeSpan,
    (step, wait): (BinWidth, Duration),
) -> Result<Option<FilledRecord>, ApiFault> {
    // Days are the own store's.
    if step == BinWidth::Day || context.record.older().is_none() {
        return Ok(None);
    }
    let Some((first, _)) = read(context, Reader::known_span).await? else { return Ok(None) };
    let sensors = context.record.garden(&of.site).map_or(&[][..], |garden| &garden.sensors);
    let every_s = sensors.iter().find(|it| it.id.as_str() == of.sensor).map_or(USUAL_S, |it| it.every_s);
    let from = bin_of(span.from.max(first), step, &of.zone).0;
    let to = span.to.checked_add(SignedDuration::from_hours(1)).unwrap_or(span.to);
    let wanted = FillWanted::of_one(&of.site, &of.sensor, every_s, (from, to));
    ask(context.record.filled(wanted, wait)).await.map_err(|_| ApiFault::unavailable())
}

/// From when on every single reading is kept, where a span begins before it.
pub(super) fn only_daily(reader: &Reader, site: &str, span: TimeSpan) -> Result<Option<String>, StoreError> {
    let single = reader.single_readings_from(site)?.filter(|single| span.from < *single);
    Ok(single.map(|single| single.to_string()))
}

//! A sensor's record in pages, or as a stream of CSV.

use std::sync::Arc;
use std::time::Duration;

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;
use tokio::time::{Instant, timeout};
use tracing::warn;

use super::call::Call;
use super::cursor::Cursor;
use super::fault::Fault;
use super::sites::{garden, named, zone_name};
use super::{Form, Resource, answer, sensors, stream};
use crate::export::{Mark, Span, adds_up, walk_bins, walk_readings};
use crate::garden::plan::Garden;
use crate::history::{Bin, Point, Step};
use crate::page::Views;
use crate::page::routes::{Desk, VIEW_WAIT};
use crate::store::{Filter, Reader, StoreError};

/// One page of a list is looked for so long; what was found by then is given.
pub(super) const LOOKED: Duration = Duration::from_secs(2);

/// Whose record it is.
#[derive(Clone, Debug)]
pub(super) struct Whose {
    pub(super) site: String,
    pub(super) sensor: String,
    pub(super) place: String,
    pub(super) quantity: String,
    pub(super) unit: String,
    pub(super) zone: TimeZone,
}

impl Whose {
    /// Its readings.
    pub(super) fn filter(&self, span: Span) -> Filter {
        Filter {
            site: Some(self.site.clone()),
            sensors: vec![self.sensor.clone()],
            place: None,
            from: Some(span.from),
            to: Some(span.to),
        }
    }
}

#[derive(Serialize)]
struct Answer<'a> {
    site: &'a str,
    sensor: &'a str,
    place: &'a str,
    quantity: &'a str,
    unit: &'a str,
    time_zone: &'a str,
    step: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    readings: Option<Vec<Reading>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bins: Option<Vec<Binned>>,
    next: Option<String>,
}

#[derive(Serialize)]
struct Reading {
    at: String,
    raw: f64,
    value: Option<f64>,
    flag: u8,
    flag_name: &'static str,
    late: bool,
}

#[derive(Serialize)]
struct Binned {
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

/// Runs a read of the store in its turn.
pub(super) async fn read<V: Views, T: Send + 'static>(
    desk: &Desk<V>,
    read: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
) -> Result<T, Fault> {
    let found = timeout(VIEW_WAIT, async {
        let _place = desk.api.reads.acquire().await.expect("the semaphore is never closed");
        desk.page.record.read("what a program asks for", read).await
    })
    .await;
    match found {
        Ok(Ok(found)) => Ok(found),
        Ok(Err(fault)) => {
            warn!("a program cannot be answered: {fault}");
            Err(Fault::unavailable())
        }
        Err(_) => {
            warn!("a program cannot be answered within {VIEW_WAIT:?}");
            Err(Fault::busy("Too many programs read at this time. Try again in a minute."))
        }
    }
}

pub(super) async fn readings<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    path: Result<Path<(String, String)>, PathRejection>,
    request: Request,
) -> Result<Response, Fault> {
    let call = Call::new(Resource::Readings, &request)?;
    let whose = whose(&desk, named(path)?).await?;
    let (span, step, limit) = (call.span(&whose.zone)?, call.step()?, call.limit()?);
    if call.form == Form::Csv {
        // A stream is whole: it has no pages, so the parameters of pages have no meaning.
        return stream::csv(&desk, whose, span, step).await;
    }
    if step == Step::Raw {
        raw(&desk, &call, &whose, span, limit).await
    } else {
        bins(&desk, &call, &whose, span, step, limit).await
    }
}

pub(super) async fn as_csv<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    path: Result<Path<(String, String)>, PathRejection>,
    request: Request,
) -> Result<Response, Fault> {
    let call = Call::new(Resource::ReadingsCsv, &request)?;
    let whose = whose(&desk, named(path)?).await?;
    let (span, step) = (call.span(&whose.zone)?, call.step()?);
    stream::csv(&desk, whose, span, step).await
}

/// Finds a sensor: of the configuration, or one of earlier times that the record knows.
async fn whose<V: Views>(desk: &Desk<V>, (site, sensor): (String, String)) -> Result<Whose, Fault> {
    let garden: Arc<Garden> = Arc::clone(garden(desk, &site)?);
    let zone = garden.site.time_zone.clone();
    if let Some(it) = garden.sensors.iter().find(|it| it.id.as_str() == sensor) {
        let place = sensors::place_id(&garden, it).to_owned();
        let (quantity, unit) = (it.measures.name().to_owned(), it.measures.unit().to_owned());
        return Ok(Whose { site, sensor, place, quantity, unit, zone });
    }
    let mut series: Vec<_> = read(desk, Reader::series).await?.into_values().collect();
    series.retain(|it| it.site == site);
    if let Some(it) = series.iter().filter(|it| it.sensor == sensor).max_by_key(|it| it.number) {
        let (place, quantity, unit) = (it.place.clone(), it.quantity.clone(), it.unit.clone());
        return Ok(Whose { site, sensor, place, quantity, unit, zone });
    }
    Err(Fault::unknown("sensor", &sensor, garden.sensors.iter().map(|it| it.id.as_str())))
}

async fn raw<V: Views>(
    desk: &Desk<V>,
    call: &Call,
    whose: &Whose,
    span: Span,
    limit: usize,
) -> Result<Response, Fault> {
    let after = call.after(|cursor| match cursor {
        Cursor::Reading(mark) => Some(mark),
        Cursor::Bin(_) | Cursor::Row { .. } => None,
    })?;
    let filter = whose.filter(span);
    let until = Instant::now() + LOOKED;
    let (points, next): (Vec<Point>, Option<Mark>) = read(desk, move |reader| {
        let mut points = Vec::new();
        let next = walk_readings(
            reader,
            &filter,
            after,
            limit,
            || Instant::now() > until,
            |row| {
                points.push(Point {
                    at: row.at,
                    raw: row.raw,
                    value: row.value,
                    flag: row.flag,
                    late: row.late,
                });
            },
        )?;
        Ok((points, next))
    })
    .await?;
    let next = answer::next(call, next.map(Cursor::Reading));
    let readings = points.iter().map(reading).collect();
    let answer = Answer { readings: Some(readings), next: next.clone(), ..empty(whose, Step::Raw) };
    answer::json(call, &answer, next.as_deref())
}

async fn bins<V: Views>(
    desk: &Desk<V>,
    call: &Call,
    whose: &Whose,
    mut span: Span,
    step: Step,
    limit: usize,
) -> Result<Response, Fault> {
    let after = call.after(|cursor| match cursor {
        Cursor::Bin(at_ms) => Timestamp::from_millisecond(at_ms).ok(),
        Cursor::Reading(_) | Cursor::Row { .. } => None,
    })?;
    span.from = after.map_or(span.from, |after| after.max(span.from));
    let until = Instant::now() + LOOKED;
    let of = whose.clone();
    let (bins, next): (Vec<Bin>, Option<Timestamp>) = read(desk, move |reader| {
        let mut bins = Vec::new();
        let sensor = (of.site.as_str(), of.sensor.as_str());
        let next = walk_bins(
            reader,
            sensor,
            span,
            step,
            &of.zone,
            limit,
            || Instant::now() > until,
            |bin| {
                bins.push(*bin);
            },
        )?;
        Ok((bins, next))
    })
    .await?;
    let next = answer::next(call, next.map(|next| Cursor::Bin(next.as_millisecond())));
    let total = adds_up(&whose.quantity);
    let bins = bins.iter().map(|bin| binned(bin, total)).collect();
    let answer = Answer { bins: Some(bins), next: next.clone(), ..empty(whose, step) };
    answer::json(call, &answer, next.as_deref())
}

fn empty(whose: &Whose, step: Step) -> Answer<'_> {
    Answer {
        site: &whose.site,
        sensor: &whose.sensor,
        place: &whose.place,
        quantity: &whose.quantity,
        unit: &whose.unit,
        time_zone: zone_name(&whose.zone),
        step: step.name(),
        readings: None,
        bins: None,
        next: None,
    }
}

fn reading(point: &Point) -> Reading {
    Reading {
        at: point.at.to_string(),
        raw: point.raw,
        value: point.value,
        flag: point.flag.number(),
        flag_name: point.flag.name(),
        late: point.late,
    }
}

fn binned(bin: &Bin, total: bool) -> Binned {
    let level = |level: Option<f64>| level.filter(|_| !total);
    Binned {
        start: bin.start.to_string(),
        end: bin.end.to_string(),
        readings: bin.readings,
        good: bin.good,
        suspect: bin.suspect,
        bad: bin.bad,
        mean: level(bin.mean()),
        min: level(bin.range().map(|(min, _)| min)),
        max: level(bin.range().map(|(_, max)| max)),
        total: (total && bin.good > 0).then_some(bin.sum),
    }
}

//! The page of a tank.

use std::sync::Arc;

use axum::extract::rejection::PathRejection;
use axum::extract::{Extension, Path, RawQuery, State};
use axum::response::Response;
use jiff::SignedDuration;
use maud::{Markup, html};

use super::asked::{Asked, Span};

use super::guide::{self, Given};
use super::happened::Happened;
use super::series::Heard;
use super::shared::{self, Came, came};
use super::tank_chart::{Changes, TankRecord};
use crate::garden::plan::Sensor;
use crate::garden::view::TankView;
use crate::history::Step;
use crate::model::{Id, Place, Quantity};
use crate::page::access::Visitor;
use crate::page::errors::Problem;
use crate::page::routes::{Desk, ask};
use crate::page::{Record, Unavailable, Views, reasons};
use crate::text::labels;

/// Readings of two days that are read to see how fast the water changed: one every ten
/// seconds.
const POINTS_MAX: usize = 17_280;
/// How long before the span readings are needed for the change within a day.
const DAY: SignedDuration = SignedDuration::from_hours(24);

/// `/site/ID/tank/TANK`.
pub(in crate::page) async fn tank<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    Extension(visitor): Extension<Visitor>,
    path: Result<Path<(String, String)>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, Problem> {
    let Came { view, garden, id, path, query, frame } = came(&desk, visitor, "tank", path, query).await?;
    let record = &desk.page.record;
    let index = garden.tanks.iter().position(|tank| tank.id.as_str() == id).ok_or(Problem::NotFound)?;
    let plan = &garden.tanks[index];
    let shown = view.tanks.iter().find(|tank| tank.id == plan.id).ok_or(Problem::NotFound)?;
    let read = Asked::read(&query, view.now, &view.time_zone);
    let (asked, given) = match read.and_then(|asked| Ok((asked, Given::read(&query)?))) {
        Ok(read) => read,
        Err(wrong) => return Ok(shared::wrong(&frame, &wrong, &path)),
    };

    let site = view.id.as_str();
    let here = |it: &&Sensor| matches!(it.place, Place::Tank(tank) if usize::from(tank) == index);
    let own: Vec<&Sensor> = garden.sensors.iter().filter(here).collect();
    let (mut sensors, mut changed) = (Vec::new(), Vec::new());
    for sensor in &own {
        sensors.push((*sensor, ask(Heard::read(record, site, sensor, &asked)).await?));
        if sensor.measures == Quantity::WaterTemperature && asked.span != Span::Year {
            changed.push((*sensor, ask(changes(record, site, sensor, &asked)).await?));
        }
    }
    let happened = ask(Happened::read(record, site, &asked)).await?;
    let ids: Vec<&Id> = std::iter::once(&plan.id).chain(own.iter().map(|it| &it.id)).collect();
    let tank = TankRecord {
        plan,
        sensors,
        changes: changed,
        log: happened.entries(&plan.id, false),
        marks: happened.log_marks(&plan.id, &asked),
        alarms: happened.alarm_marks(&ids, &garden, &asked),
    };
    let arriving = guide::fish_today(&tank.log, &asked);
    let answer = if given.asks() || (arriving && asked.holds_now()) {
        ask(desk.page.views.acclimatise(site, &id, given.bag, given.tank)).await?
    } else {
        None
    };
    let silent = tank.sensors.iter().all(|(_, heard)| heard.is_empty());
    let first = if silent { ask(shared::first_heard(record, site, &own, asked.now)).await? } else { None };

    let chart = tank.chart(&asked);
    let write = format!("/site/{}/write?place={}", view.id, plan.id);
    let guide = guide::section(&given, answer.as_ref(), arriving || given.asks(), &asked, &path, &write);
    let body = html! {
        (shared::head(&plan.name, &view, Some((shown.condition, &shown.words))))
        (shared::to_do(&plan.name, &view))
        (now(shown))
        @if arriving || given.asks() { (guide) }
        (shared::spans(&asked, &path, ""))
        @if own.is_empty() {
            p { "No sensor of the garden's file is in this tank, so its water is known by tests alone." }
        } @else if silent {
            (shared::nothing_heard(&asked, first, &path))
        }
        @if let Some(chart) = &chart { (chart.draw()) (chart.table()) }
        (not_known(&tank, &asked))
        (shared::sensors(
            "Sensors in this tank",
            tank.sensors.iter().map(|(it, heard)| (*it, plan.name.clone(), heard)),
            &view,
        ))
        (reasons::figures(&shown.figures))
        @if !(arriving || given.asks()) { (guide) }
        (shared::log(&tank.log, &view, Some(&plan.id)))
        (shared::alarms(&view, &ids))
        (care())
        (shared::ways_on(&view, &asked))
    };
    Ok(shared::whole(&frame, &asked, &format!("{} at {}", plan.name, view.name), &body))
}

/// How fast a thermometer's water changed: by single readings of a day, by the means of
/// hours else.
async fn changes(
    record: &Record,
    site: &str,
    sensor: &Sensor,
    asked: &Asked,
) -> Result<Changes, Unavailable> {
    let from = asked.from.checked_sub(DAY).unwrap_or(asked.from);
    let id = sensor.id.as_str();
    if asked.span == Span::Day {
        let points = record.points(site, id, from, asked.to, POINTS_MAX).await?;
        return Ok(Changes::of_points(&points, asked.from));
    }
    let bins = record.bins(site, id, from, asked.to, Step::Hour).await?;
    Ok(Changes::of_hours(&bins, asked.from))
}

/// How it stands at present.
fn now(tank: &TankView) -> Markup {
    let degrees = |number: Option<f64>| number.map_or_else(|| labels::NOT_KNOWN.to_owned(), labels::degrees);
    html! {
        dl class="present" {
            div { dt { "Water now" } dd { (degrees(tank.temperature_c)) } }
            div { dt { "These fish want" } dd { (labels::degrees(tank.cold_c)) " to " (labels::degrees(tank.warm_c)) } }
            div { dt { "Change in the last hour" } dd { (degrees(tank.change_hour_c)) } }
            div { dt { "Change in the last day" } dd { (degrees(tank.change_day_c)) } }
        }
    }
}

/// What nobody measured in this time.
fn not_known(tank: &TankRecord<'_>, asked: &Asked) -> Markup {
    let heard = |quantity| tank.of(quantity).any(|(_, heard)| !heard.is_empty());
    let mut missing = Vec::new();
    if !heard(Quantity::DissolvedOxygen) && tank.tests(asked, |test| test.oxygen_mg_l).is_empty() {
        missing.push("oxygen");
    }
    if !heard(Quantity::Ph) && tank.tests(asked, |test| test.ph).is_empty() {
        missing.push("pH");
    }
    if tank.tests(asked, |test| test.ammonia_mg_l).is_empty() {
        missing.push("ammonia");
    }
    html! {
        @if !missing.is_empty() {
            p class="nothing" {
                "Not known in this time: " (crate::text::spoken::list(&missing.iter().map(|it| (*it).to_owned()).collect::<Vec<_>>()))
                ". No sensor and no test of the water gave it."
            }
        }
    }
}

/// The usual cautions, common practice in fish keeping.
fn care() -> Markup {
    html! {
        p class="caution" {
            "Change the water a little at a time, at nearly its temperature, and take the chlorine out of tap water first. \
             Sensors can be wrong: look at the fish before you act."
        }
    }
}

//! The sites, and how one of them stands.

use std::sync::Arc;

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::call::Call;
use super::fault::Fault;
use super::{Resource, answer};
use crate::garden::plan::Garden;
use crate::garden::view::{AlarmView, BedView, Figure, RainView, SiteView, TankView};
use crate::model::Condition;
use crate::page::Views;
use crate::page::routes::{Desk, ask};

/// The zone's name in the IANA database; "UTC" where a site has none.
pub(super) fn zone_name(zone: &TimeZone) -> &str {
    zone.iana_name().unwrap_or("UTC")
}

/// The garden of an address.
pub(super) fn garden<'a, V: Views>(desk: &'a Desk<V>, site: &str) -> Result<&'a Arc<Garden>, Fault> {
    desk.page.record.garden(site).ok_or_else(|| {
        let known = desk.page.record.gardens().iter().map(|garden| garden.site.id.as_str());
        Fault::unknown("site", site, known)
    })
}

/// The site's name from an address that reads as text.
pub(super) fn named<T>(path: Result<Path<T>, PathRejection>) -> Result<T, Fault> {
    path.map(|Path(names)| names).map_err(|_| Fault::no_such_address())
}

#[derive(Serialize)]
struct Sites<'a> {
    sites: Vec<Listed<'a>>,
}

#[derive(Serialize)]
struct Listed<'a> {
    id: &'a str,
    name: &'a str,
    time_zone: &'a str,
    href: String,
}

pub(super) async fn sites<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    request: Request,
) -> Result<Response, Fault> {
    let call = Call::new(Resource::Sites, &request)?;
    let sites = ask(desk.page.views.sites()).await.map_err(|_| Fault::unavailable())?;
    let record = &desk.page.record;
    let sites = sites
        .iter()
        .map(|(id, name)| Listed {
            id: id.as_str(),
            name,
            time_zone: record.garden(id.as_str()).map_or("UTC", |it| zone_name(&it.site.time_zone)),
            href: format!("/api/v1/sites/{id}"),
        })
        .collect();
    answer::json(&call, &Sites { sites }, None)
}

#[derive(Serialize)]
struct Site<'a> {
    id: &'a str,
    name: &'a str,
    time_zone: &'a str,
    judged_until: String,
    to_do: Vec<ToDo<'a>>,
    alarms: Vec<Alarm<'a>>,
    beds: Vec<Bed<'a>>,
    tanks: Vec<Tank<'a>>,
    rain: Option<Rain<'a>>,
    weather: Vec<Shown<'a>>,
}

#[derive(Serialize)]
struct ToDo<'a> {
    priority: &'a str,
    place: &'a str,
    text: &'a str,
}

#[derive(Serialize)]
struct Alarm<'a> {
    kind: &'a str,
    place: &'a str,
    place_name: &'a str,
    state: &'a str,
    priority: &'a str,
    since: String,
    text: &'a str,
}

#[derive(Serialize)]
struct Shown<'a> {
    name: &'a str,
    value: &'a str,
    number: Option<f64>,
    unit: &'a str,
}

#[derive(Serialize)]
struct Bed<'a> {
    id: &'a str,
    name: &'a str,
    condition: &'a str,
    words: &'a str,
    water_content_m3_m3: Option<f64>,
    wilting_point_m3_m3: f64,
    refill_point_m3_m3: f64,
    field_capacity_m3_m3: f64,
    available_left: Option<f64>,
    last_wetting: Option<&'a str>,
    outlook: Option<&'a str>,
    mulch: Option<&'a str>,
    figures: Vec<Shown<'a>>,
}

#[derive(Serialize)]
struct Tank<'a> {
    id: &'a str,
    name: &'a str,
    condition: &'a str,
    words: &'a str,
    temperature_c: Option<f64>,
    cold_c: f64,
    warm_c: f64,
    change_hour_c: Option<f64>,
    change_day_c: Option<f64>,
    figures: Vec<Shown<'a>>,
}

#[derive(Serialize)]
struct Rain<'a> {
    condition: &'a str,
    words: &'a str,
    since_9am_mm: Option<f64>,
    week_mm: Option<f64>,
    figures: Vec<Shown<'a>>,
}

pub(super) async fn site<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    path: Result<Path<String>, PathRejection>,
    request: Request,
) -> Result<Response, Fault> {
    let call = Call::new(Resource::Site, &request)?;
    let id = named(path)?;
    garden(&desk, &id)?;
    answer::json(&call, &shown(&view(&desk, &id).await?), None)
}

/// A site as it stands.
pub(super) async fn view<V: Views>(desk: &Desk<V>, id: &str) -> Result<SiteView, Fault> {
    let view = ask(desk.page.views.site(id)).await.map_err(|_| Fault::unavailable())?;
    view.ok_or_else(|| Fault::unknown("site", id, std::iter::empty()))
}

fn shown(view: &SiteView) -> Site<'_> {
    Site {
        id: view.id.as_str(),
        name: &view.name,
        time_zone: zone_name(&view.time_zone),
        judged_until: view.now.to_string(),
        to_do: view
            .to_do
            .iter()
            .map(|it| ToDo { priority: it.priority.name(), place: &it.place, text: &it.text })
            .collect(),
        alarms: view.alarms.iter().map(alarm).collect(),
        beds: view.beds.iter().map(bed).collect(),
        tanks: view.tanks.iter().map(tank).collect(),
        rain: view.rain.as_ref().map(rain),
        weather: figures(&view.weather),
    }
}

/// The condition's name; "unknown" says that nobody may take it for well.
pub(super) fn condition(condition: Condition) -> &'static str {
    match condition {
        Condition::Well => "well",
        Condition::Watch => "watch",
        Condition::Act => "act",
        Condition::Unknown => "unknown",
    }
}

fn figures(figures: &[Figure]) -> Vec<Shown<'_>> {
    figures
        .iter()
        .map(|it| Shown { name: &it.name, value: &it.value, number: it.number, unit: it.unit })
        .collect()
}

fn alarm(it: &AlarmView) -> Alarm<'_> {
    Alarm {
        kind: it.kind.name(),
        place: it.place.as_str(),
        place_name: &it.place_name,
        state: it.state.name(),
        priority: it.priority.name(),
        since: it.since.to_string(),
        text: &it.text,
    }
}

fn bed(it: &BedView) -> Bed<'_> {
    Bed {
        id: it.id.as_str(),
        name: &it.name,
        condition: condition(it.condition),
        words: &it.words,
        water_content_m3_m3: it.water_content,
        wilting_point_m3_m3: it.wilting_point,
        refill_point_m3_m3: it.refill_point,
        field_capacity_m3_m3: it.field_capacity,
        available_left: it.available_left,
        last_wetting: it.last_wetting.as_deref(),
        outlook: it.outlook.as_deref(),
        mulch: it.mulch.as_deref(),
        figures: figures(&it.figures),
    }
}

fn tank(it: &TankView) -> Tank<'_> {
    Tank {
        id: it.id.as_str(),
        name: &it.name,
        condition: condition(it.condition),
        words: &it.words,
        temperature_c: it.temperature_c,
        cold_c: it.cold_c,
        warm_c: it.warm_c,
        change_hour_c: it.change_hour_c,
        change_day_c: it.change_day_c,
        figures: figures(&it.figures),
    }
}

fn rain(it: &RainView) -> Rain<'_> {
    Rain {
        condition: condition(it.condition),
        words: &it.words,
        since_9am_mm: it.since_9am_mm,
        week_mm: it.week_mm,
        figures: figures(&it.figures),
    }
}

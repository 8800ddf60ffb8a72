//! The sites, and how one of them stands.

use axum::response::Response;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::call::ApiCall;
use super::fault::ApiFault;
use crate::garden::plan::Garden;
use crate::garden::view::{AlarmView, BedView, Figure, PendingAlarm, RainView, SiteView, TankView};
use crate::page::PageSource;
use crate::page::wait::ask;
use crate::telling::pending_words;

/// The zone's name in the IANA database; "UTC" where a site has none.
pub(super) fn zone_name(zone: &TimeZone) -> &str {
    zone.iana_name().unwrap_or("UTC")
}

#[derive(Serialize)]
struct SitesJson<'a> {
    sites: Vec<ListedSiteJson<'a>>,
}

#[derive(Serialize)]
struct ListedSiteJson<'a> {
    id: &'a str,
    name: &'a str,
    time_zone: &'a str,
    href: String,
}

pub(super) async fn sites<V: PageSource>(call: ApiCall<V>) -> Result<Response, ApiFault> {
    let context = &call.context;
    let sites = ask(context.views.sites()).await.map_err(|_| ApiFault::unavailable())?;
    let zone = |id: &str| context.record.garden(id).map_or("UTC", |it| zone_name(&it.site.time_zone));
    let seen = sites.iter().filter(|(id, _)| call.gardens.holds(id.as_str()));
    let sites = seen.map(|(id, name)| ListedSiteJson {
        id: id.as_str(),
        name,
        time_zone: zone(id.as_str()),
        href: format!("/api/v1/sites/{id}"),
    });
    call.json(&SitesJson { sites: sites.collect() }, None)
}

#[derive(Serialize)]
struct SiteJson<'a> {
    id: &'a str,
    name: &'a str,
    time_zone: &'a str,
    judged_until: Option<String>,
    to_do: Vec<ToDoJson<'a>>,
    alarms: Vec<SiteAlarmJson<'a>>,
    pending: Vec<PendingJson<'a>>,
    beds: Vec<BedJson<'a>>,
    tanks: Vec<TankJson<'a>>,
    rain: Option<RainJson<'a>>,
    weather: Vec<FigureJson<'a>>,
}

#[derive(Serialize)]
struct ToDoJson<'a> {
    priority: &'a str,
    place: &'a str,
    text: &'a str,
}

#[derive(Serialize)]
struct SiteAlarmJson<'a> {
    kind: &'a str,
    place: &'a str,
    place_name: &'a str,
    state: &'a str,
    priority: &'a str,
    since: String,
    text: &'a str,
}

#[derive(Serialize)]
struct PendingJson<'a> {
    kind: &'a str,
    place: &'a str,
    place_name: &'a str,
    priority: &'a str,
    since: String,
    due: String,
    text: String,
}

#[derive(Serialize)]
struct FigureJson<'a> {
    name: &'a str,
    value: &'a str,
    number: Option<f64>,
    unit: &'a str,
}

#[derive(Serialize)]
struct BedJson<'a> {
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
    figures: Vec<FigureJson<'a>>,
}

#[derive(Serialize)]
struct TankJson<'a> {
    id: &'a str,
    name: &'a str,
    condition: &'a str,
    words: &'a str,
    temperature_c: Option<f64>,
    thrives_from_c: f64,
    thrives_to_c: f64,
    cold_c: f64,
    warm_c: f64,
    change_hour_c: Option<f64>,
    change_day_c: Option<f64>,
    figures: Vec<FigureJson<'a>>,
}

#[derive(Serialize)]
struct RainJson<'a> {
    condition: &'a str,
    words: &'a str,
    since_9am_mm: Option<f64>,
    week_mm: Option<f64>,
    figures: Vec<FigureJson<'a>>,
}

pub(super) async fn site<V: PageSource>(call: ApiCall<V>) -> Result<Response, ApiFault> {
    let garden = call.garden()?;
    call.json(&shown(&call.view().await?, garden), None)
}

fn shown<'a>(view: &'a SiteView, garden: &Garden) -> SiteJson<'a> {
    SiteJson {
        id: view.id.as_str(),
        name: &view.name,
        time_zone: zone_name(&view.time_zone),
        judged_until: (view.now != Timestamp::UNIX_EPOCH).then(|| view.now.to_string()),
        to_do: view
            .to_do
            .iter()
            .map(|it| ToDoJson { priority: it.priority.name(), place: &it.place, text: &it.text })
            .collect(),
        alarms: view.alarms.iter().map(alarm).collect(),
        pending: view.pending.iter().map(|it| pending(it, garden, view.now)).collect(),
        beds: view.beds.iter().map(bed).collect(),
        tanks: view.tanks.iter().map(tank).collect(),
        rain: view.rain.as_ref().map(rain),
        weather: figures(&view.weather),
    }
}

fn figures(figures: &[Figure]) -> Vec<FigureJson<'_>> {
    figures
        .iter()
        .map(|it| FigureJson { name: &it.name, value: &it.value, number: it.number, unit: it.unit })
        .collect()
}

fn alarm(it: &AlarmView) -> SiteAlarmJson<'_> {
    let record = &it.record;
    SiteAlarmJson {
        kind: record.key.kind.name(),
        place: record.key.place.as_str(),
        place_name: &it.place_name,
        state: record.state.name(),
        priority: it.priority.name(),
        since: record.since.to_string(),
        text: &record.said.text,
    }
}

fn pending<'a>(it: &'a PendingAlarm, garden: &Garden, now: Timestamp) -> PendingJson<'a> {
    PendingJson {
        kind: it.key.kind.name(),
        place: it.key.place.as_str(),
        place_name: &it.place_name,
        priority: it.priority.name(),
        since: it.since.to_string(),
        due: it.due.to_string(),
        text: pending_words(garden, it, now),
    }
}

fn bed(it: &BedView) -> BedJson<'_> {
    BedJson {
        id: it.id.as_str(),
        name: &it.name,
        condition: it.condition.name(),
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

fn tank(it: &TankView) -> TankJson<'_> {
    TankJson {
        id: it.id.as_str(),
        name: &it.name,
        condition: it.condition.name(),
        words: &it.words,
        temperature_c: it.temperature_c,
        thrives_from_c: it.thrives_c.0,
        thrives_to_c: it.thrives_c.1,
        cold_c: it.cold_c,
        warm_c: it.warm_c,
        change_hour_c: it.change_hour_c,
        change_day_c: it.change_day_c,
        figures: figures(&it.figures),
    }
}

fn rain(it: &RainView) -> RainJson<'_> {
    RainJson {
        condition: it.condition.name(),
        words: &it.words,
        since_9am_mm: it.since_9am_mm,
        week_mm: it.week_mm,
        figures: figures(&it.figures),
    }
}

//! The sensors of a site: what they are, and what they said last.

use std::sync::Arc;

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use serde::Serialize;

use super::call::Call;
use super::fault::Fault;
use super::sites::{garden, named, view, zone_name};
use super::{Resource, answer};
use crate::garden::plan::{Garden, Sensor};
use crate::garden::view::{SensorView, SiteView};
use crate::model::Place;
use crate::page::Views;
use crate::page::routes::Desk;
use crate::store::Series;

#[derive(Serialize)]
struct Sensors<'a> {
    site: &'a str,
    time_zone: &'a str,
    sensors: Vec<Listed<'a>>,
}

#[derive(Serialize)]
struct Listed<'a> {
    id: &'a str,
    place: &'a str,
    place_name: Option<&'a str>,
    quantity: &'a str,
    unit: &'a str,
    interval_s: u32,
    depth_m: Option<f64>,
    height_m: Option<f64>,
    gateway: Option<&'a str>,
    /// From when each of its calibrations holds; `null`: since ever.
    calibrated_from: Vec<Option<String>>,
    last: Option<Last>,
    silent: Option<bool>,
    faulty: Option<bool>,
    battery: Option<f64>,
    battery_low: Option<bool>,
    readings: String,
}

#[derive(Serialize)]
struct Last {
    at: String,
    value: Option<f64>,
    flag: Option<u8>,
    flag_name: Option<&'static str>,
}

pub(super) async fn sensors<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    path: Result<Path<String>, PathRejection>,
    request: Request,
) -> Result<Response, Fault> {
    let call = Call::new(Resource::Sensors, &request)?;
    let id = named(path)?;
    let garden = garden(&desk, &id)?;
    let view = view(&desk, &id).await?;
    answer::json(&call, &listed(garden, &view), None)
}

fn listed<'a>(garden: &'a Garden, view: &'a SiteView) -> Sensors<'a> {
    Sensors {
        site: garden.site.id.as_str(),
        time_zone: zone_name(&garden.site.time_zone),
        sensors: garden
            .sensors
            .iter()
            .map(|sensor| sensor_of(garden, sensor, view.sensors.iter().find(|it| it.id == sensor.id)))
            .collect(),
    }
}

fn sensor_of<'a>(garden: &'a Garden, sensor: &'a Sensor, seen: Option<&'a SensorView>) -> Listed<'a> {
    Listed {
        id: sensor.id.as_str(),
        place: place_id(garden, sensor),
        place_name: seen.map(|seen| seen.place_name.as_str()),
        quantity: sensor.measures.name(),
        unit: sensor.measures.unit(),
        interval_s: sensor.every_s,
        depth_m: sensor.depth_m,
        height_m: sensor.height_m,
        gateway: sensor
            .gateway
            .and_then(|at| garden.gateways.get(usize::from(at)))
            .map(|gateway| gateway.id.as_str()),
        calibrated_from: sensor.calibrations.iter().map(|it| it.from.map(|from| from.to_string())).collect(),
        last: seen.and_then(|seen| {
            Some(Last {
                at: seen.last_at?.to_string(),
                value: seen.last_value,
                flag: seen.last_flag.map(|flag| flag.number()),
                flag_name: seen.last_flag.map(|flag| flag.name()),
            })
        }),
        silent: seen.map(|seen| seen.silent),
        faulty: seen.map(|seen| seen.faulty),
        battery: seen.and_then(|seen| seen.battery),
        battery_low: seen.map(|seen| seen.battery_low),
        readings: format!("/api/v1/sites/{}/sensors/{}/readings", garden.site.id, sensor.id),
    }
}

/// The bed's or tank's id; that of the whole site where it watches no single one.
pub(super) fn place_id<'a>(garden: &'a Garden, sensor: &Sensor) -> &'a str {
    let id = match sensor.place {
        Place::Bed(bed) => garden.beds.get(usize::from(bed)).map(|bed| bed.id.as_str()),
        Place::Tank(tank) => garden.tanks.get(usize::from(tank)).map(|tank| tank.id.as_str()),
        Place::Site => None,
    };
    id.unwrap_or(Series::WHOLE_SITE)
}

//! The sensors of a site, and the last reading of each.

use axum::response::Response;
use serde::Serialize;

use super::call::ApiCall;
use super::fault::ApiFault;
use super::sites::zone_name;
use crate::garden::plan::{Garden, Sensor};
use crate::garden::view::SensorView;
use crate::model::Id;
use crate::page::PageSource;
use crate::store::Series;

#[derive(Serialize)]
struct SensorsJson<'a> {
    site: &'a str,
    time_zone: &'a str,
    sensors: Vec<SensorJson<'a>>,
}

#[derive(Serialize)]
struct SensorJson<'a> {
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
    last: Option<LastReadingJson>,
    silent: Option<bool>,
    faulty: Option<bool>,
    battery: Option<f64>,
    battery_low: Option<bool>,
    readings: String,
}

#[derive(Serialize)]
struct LastReadingJson {
    at: String,
    value: Option<f64>,
    flag: Option<u8>,
    flag_name: Option<&'static str>,
}

pub(super) async fn sensors<V: PageSource>(call: ApiCall<V>) -> Result<Response, ApiFault> {
    let garden = call.garden()?;
    let view = call.view().await?;
    let seen = |sensor: &Sensor| view.sensors.iter().find(|it| it.id == sensor.id);
    let sensors = garden.sensors.iter().map(|it| sensor_of(garden, it, seen(it))).collect();
    let (site, time_zone) = (garden.site.id.as_str(), zone_name(&garden.site.time_zone));
    call.json(&SensorsJson { site, time_zone, sensors }, None)
}

fn sensor_of<'a>(garden: &'a Garden, sensor: &'a Sensor, seen: Option<&'a SensorView>) -> SensorJson<'a> {
    SensorJson {
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
            Some(LastReadingJson {
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
    garden.place_id(sensor.place).map_or(Series::WHOLE_SITE, Id::as_str)
}

//! The interface for programs: `/api/v1`, described by `/api/v1/openapi.json`.
//!
//! It only reads. Its answers are JSON or CSV in UTC; its faults are problem details
//! (RFC 9457) that say what was given and what is accepted. The description is kept by
//! hand as a file beside this one: it is what people read, and `tests` below hold it
//! against the addresses, parameters and answers that are served.

mod alarms;
mod answer;
mod call;
mod cors;
mod cursor;
mod door;
mod fault;
mod jobs;
mod log;
mod read;
mod readings;
mod rejects;
mod resource;
mod sensors;
mod sites;
mod stream;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use axum::Router;
use axum::response::Response;
use axum::routing::get;

use super::PageSource;
use super::context::PageContext;
use call::ApiCall;
use resource::{ALARM_HISTORY, ALARMS, JOBS, LOG, READINGS, READINGS_CSV, REJECTS, SENSORS, SITE, SITES};

pub(super) use door::{door, is_ours};

/// The description, as it is served.
const DESCRIPTION: &str = include_str!("openapi.json");

/// The addresses of the interface.
pub(super) fn routes<V: PageSource>() -> Router<Arc<PageContext<V>>> {
    Router::new()
        .route(resource::DESCRIPTION, get(description::<V>))
        .route(SITES, get(sites::sites::<V>))
        .route(SITE, get(sites::site::<V>))
        .route(SENSORS, get(sensors::sensors::<V>))
        .route(READINGS, get(readings::readings::<V>))
        .route(READINGS_CSV, get(readings::as_csv::<V>))
        .route(ALARMS, get(alarms::present::<V>))
        .route(ALARM_HISTORY, get(alarms::history::<V>))
        .route(LOG, get(log::log::<V>))
        .route(JOBS, get(jobs::jobs::<V>))
        .route(REJECTS, get(rejects::rejects::<V>))
}

async fn description<V: PageSource>(call: ApiCall<V>) -> Response {
    call.json_bytes(DESCRIPTION.as_bytes())
}

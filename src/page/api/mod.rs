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
mod log;
mod readings;
mod sensors;
mod sites;
mod stream;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use axum::Router;
use axum::extract::{Request, State};
use axum::response::Response;
use axum::routing::{MethodRouter, get};
use tokio::sync::Semaphore;

use super::Views;
use super::routes::Desk;
use call::Call;
use fault::Fault;

pub(super) use door::{door, is_ours};

/// The description, as it is served.
const DESCRIPTION: &str = include_str!("openapi.json");

/// Reads of the store for the interface that run at one time; the next wait a while.
const READS_AT_ONCE: usize = 4;

/// CSV streams that run at one time; more are refused for now.
const STREAMS_AT_ONCE: usize = 4;

/// What the interface shares out among its callers.
#[derive(Debug)]
pub(super) struct Places {
    reads: Semaphore,
    streams: Arc<Semaphore>,
}

impl Default for Places {
    fn default() -> Self {
        Self { reads: Semaphore::new(READS_AT_ONCE), streams: Arc::new(Semaphore::new(STREAMS_AT_ONCE)) }
    }
}

/// Everything that can be asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Resource {
    Description,
    Sites,
    Site,
    Sensors,
    Readings,
    ReadingsCsv,
    Alarms,
    AlarmHistory,
    Log,
}

impl Resource {
    const ALL: [Self; 9] = [
        Self::Description,
        Self::Sites,
        Self::Site,
        Self::Sensors,
        Self::Readings,
        Self::ReadingsCsv,
        Self::Alarms,
        Self::AlarmHistory,
        Self::Log,
    ];

    /// The address, as the router and the description write it.
    fn path(self) -> &'static str {
        match self {
            Self::Description => "/api/v1/openapi.json",
            Self::Sites => "/api/v1/sites",
            Self::Site => "/api/v1/sites/{site}",
            Self::Sensors => "/api/v1/sites/{site}/sensors",
            Self::Readings => "/api/v1/sites/{site}/sensors/{sensor}/readings",
            Self::ReadingsCsv => "/api/v1/sites/{site}/sensors/{sensor}/readings.csv",
            Self::Alarms => "/api/v1/sites/{site}/alarms",
            Self::AlarmHistory => "/api/v1/sites/{site}/alarms/history",
            Self::Log => "/api/v1/sites/{site}/log",
        }
    }

    /// The query parameters that it knows.
    fn parameters(self) -> &'static [&'static str] {
        match self {
            Self::Description | Self::Sites | Self::Site | Self::Sensors | Self::Alarms => &[],
            Self::Readings => &["from", "to", "step", "limit", "after"],
            Self::ReadingsCsv => &["from", "to", "step"],
            Self::AlarmHistory | Self::Log => &["from", "to", "limit", "after"],
        }
    }

    /// The forms in which it answers, the one of preference first.
    fn forms(self) -> &'static [Form] {
        match self {
            Self::Description
            | Self::Sites
            | Self::Site
            | Self::Sensors
            | Self::Alarms
            | Self::AlarmHistory
            | Self::Log => &[Form::Json],
            Self::Readings => &[Form::Json, Form::Csv],
            Self::ReadingsCsv => &[Form::Csv],
        }
    }

    fn method<V: Views>(self) -> MethodRouter<Arc<Desk<V>>> {
        match self {
            Self::Description => get(description::<V>),
            Self::Sites => get(sites::sites::<V>),
            Self::Site => get(sites::site::<V>),
            Self::Sensors => get(sensors::sensors::<V>),
            Self::Readings => get(readings::readings::<V>),
            Self::ReadingsCsv => get(readings::as_csv::<V>),
            Self::Alarms => get(alarms::present::<V>),
            Self::AlarmHistory => get(alarms::history::<V>),
            Self::Log => get(log::log::<V>),
        }
    }
}

/// How an answer is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    Json,
    Csv,
}

impl Form {
    /// Its media type, without parameters.
    fn name(self) -> &'static str {
        match self {
            Self::Json => "application/json",
            Self::Csv => "text/csv",
        }
    }
}

/// The addresses of the interface.
pub(super) fn routes<V: Views>() -> Router<Arc<Desk<V>>> {
    Resource::ALL.into_iter().fold(Router::new(), |router, it| router.route(it.path(), it.method::<V>()))
}

async fn description<V: Views>(State(_): State<Arc<Desk<V>>>, request: Request) -> Result<Response, Fault> {
    let call = Call::new(Resource::Description, &request)?;
    Ok(answer::bytes(&call, DESCRIPTION.as_bytes().to_vec(), None))
}

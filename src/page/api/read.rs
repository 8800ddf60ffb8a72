//! Reads of the store for programs, and the record of one sensor.

use std::sync::Arc;
use std::time::Duration;

use jiff::tz::TimeZone;
use serde::{Serialize, Serializer};

use super::call::ApiCall;
use super::fault::ApiFault;
use super::sensors::place_id;
use super::sites::zone_name;
use crate::export::{BinOf, Span};
use crate::page::PageSource;
use crate::page::context::PageContext;
use crate::page::wait::{NoAnswer, answered};
use crate::store::{Filter, Reader, StoreError};

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

/// A sensor whose record is asked for.
#[derive(Clone, Debug, Serialize)]
pub(super) struct RecordedSensor {
    pub(super) site: String,
    pub(super) sensor: String,
    pub(super) place: String,
    pub(super) quantity: String,
    pub(super) unit: String,
    #[serde(rename = "time_zone", serialize_with = "serialize_zone")]
    pub(super) zone: TimeZone,
}

fn serialize_zone<S: Serializer>(zone: &TimeZone, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(zone_name(zone))
}

impl RecordedSensor {
    /// Finds the sensor of a call: one of the configuration, or one of earlier times that
    /// the record knows.
    pub(super) async fn find<V: PageSource>(call: &ApiCall<V>) -> Result<Self, ApiFault> {
        let (site, sensor) = (call.site().to_owned(), call.sensor().to_owned());
        let garden = Arc::clone(call.garden()?);
        let zone = garden.site.time_zone.clone();
        if let Some(it) = garden.sensors.iter().find(|it| it.id.as_str() == sensor) {
            let place = place_id(&garden, it).to_owned();
            let (quantity, unit) = (it.measures.name().to_owned(), it.measures.unit().to_owned());
            return Ok(Self { site, sensor, place, quantity, unit, zone });
        }
        let series = read(&call.context, Reader::series).await?.into_values();
        let of_sensor = series.filter(|it| it.site == site && it.sensor == sensor);
        let newest = of_sensor.max_by_key(|it| it.number).ok_or_else(|| {
            ApiFault::unknown("sensor", &sensor, garden.sensors.iter().map(|it| it.id.as_str()))
        })?;
        Ok(Self { site, sensor, place: newest.place, quantity: newest.quantity, unit: newest.unit, zone })
    }

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

    /// What names it in each row of bins.
    pub(super) fn bin_of(&self) -> BinOf<'_> {
        BinOf {
            site: &self.site,
            sensor: &self.sensor,
            place: &self.place,
            quantity: &self.quantity,
            unit: &self.unit,
            zone: &self.zone,
        }
    }
}

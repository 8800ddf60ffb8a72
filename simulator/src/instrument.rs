//! How good a sensor is: what a scenario says of its resolution, its noise, how
//! its readings wander, and where it stands.

use serde::Deserialize;

use crate::scenario::{ScenarioError, within};
use crate::school::{Quantity, School, Sensor};

/// `[[instrument]]`: one sensor, or all that measure something.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct InstrumentKeys {
    pub(crate) sensor: Option<String>,
    pub(crate) measures: Option<String>,
    pub(crate) resolution: Option<f64>,
    pub(crate) noise: Option<f64>,
    pub(crate) wanders: Option<f64>,
    pub(crate) wander_h: Option<f64>,
    pub(crate) km_off: Option<f64>,
}

/// Hours over which a wandering reading forgets where it was, where none is given.
const WANDER_H: f64 = 9.0;

/// A sensor's qualities, in its quantity's unit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Instrument {
    /// The smallest step of its numbers; `None`: as its calibration rounds them.
    pub(crate) resolution: Option<f64>,
    /// Spread of the noise; `None`: by chance within its quantity's.
    pub(crate) noise: Option<f64>,
    /// Spread of a slow wandering round the true value.
    pub(crate) wanders: f64,
    pub(crate) wander_h: f64,
    /// Kilometres from the garden; of a rain gauge.
    pub(crate) km_off: f64,
}

/// The furthest that a reading wanders, in its spreads.
pub(crate) const WANDERS_MOST: f64 = 2.5;

impl InstrumentKeys {
    pub(crate) fn check(&self) -> Result<(), ScenarioError> {
        let value = |key, given: Option<&String>, accepted| ScenarioError::Value {
            key,
            given: given.map_or_else(|| "nothing".to_owned(), |text| format!("{text:?}")),
            accepted,
        };
        match (&self.sensor, &self.measures) {
            (Some(_), None) => {}
            (None, Some(name)) if Quantity::from_name(name).is_some() => {}
            (None, Some(name)) => {
                return Err(value("instrument.measures", Some(name), "a quantity such as soil-moisture"));
            }
            (given, _) => {
                return Err(value(
                    "instrument.sensor",
                    given.as_ref(),
                    "given, or instrument.measures, not both",
                ));
            }
        }
        let above = "above 0 and up to 100";
        within("instrument.resolution", self.resolution.unwrap_or(1.0), 1e-6, 100.0, above)?;
        within("instrument.noise", self.noise.unwrap_or(0.0), 0.0, 100.0, "between 0 and 100")?;
        within("instrument.wanders", self.wanders.unwrap_or(0.0), 0.0, 100.0, "between 0 and 100")?;
        within("instrument.wander_h", self.wander_h.unwrap_or(1.0), 0.1, 1000.0, "between 0.1 and 1000")?;
        within("instrument.km_off", self.km_off.unwrap_or(0.0), 0.0, 20.0, "between 0 and 20")
    }

    fn is_of(&self, sensor: &Sensor) -> bool {
        self.sensor.as_ref().is_some_and(|id| *id == sensor.id)
            || self.measures.as_ref().and_then(|name| Quantity::from_name(name)) == Some(sensor.measures)
    }
}

/// Every sensor's qualities; of two entries for one key the later one holds.
pub(crate) fn instruments(school: &School, keys: &[InstrumentKeys]) -> Vec<Instrument> {
    let of = |sensor: &Sensor| {
        let mine = keys.iter().filter(|k| k.is_of(sensor));
        mine.fold(Instrument { wander_h: WANDER_H, ..Instrument::default() }, |it, k| Instrument {
            resolution: k.resolution.or(it.resolution),
            noise: k.noise.or(it.noise),
            wanders: k.wanders.unwrap_or(it.wanders),
            wander_h: k.wander_h.unwrap_or(it.wander_h),
            km_off: k.km_off.unwrap_or(it.km_off),
        })
    };
    school.sensors.iter().map(of).collect()
}

/// Ids that entries name and the school does not have.
pub(crate) fn unplaced(school: &School, keys: &[InstrumentKeys]) -> Vec<String> {
    keys.iter().filter_map(|k| k.sensor.clone()).filter(|id| school.sensor_of(id).is_none()).collect()
}

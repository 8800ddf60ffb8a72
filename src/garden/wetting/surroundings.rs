//! What soil and air were like about a wetting: whether soil may have thawed, and
//! whether the air was too dry for rain.
//!
//! Rain makes the air at the ground moist, and wet ground keeps it so. On an open record
//! of grassland soil beside gauges and hygrometers (eight stations, 1160 rises), 1.5 % of
//! the rises that rain made had less than 75 % of relative humidity throughout the two
//! hours after their onset, and no more than 15 points above the hour before; 85 % of the
//! hours by day without rain have that, and 45 % of those by night.
//!
//! Frozen soil looks dry to a probe, and wet again as it thaws: it may do so a day
//! after it froze, so the least temperature of a day counts, not the present one.

use std::borrow::Borrow;

use jiff::Timestamp;

use crate::garden::plan::Garden;
use crate::garden::sensor::extremes::HourlyExtremes;
use crate::model::{Place, Quantity, add_seconds};

/// Soil that was colder within the day may thaw, °C.
const THAW_SOIL_C: f64 = 2.5;
/// Soil that was colder within the day may be frozen, °C: ice hides its water from a
/// probe, which then reads too dry (Spaans and Baker 1996, Soil Sci. Soc. Am. J. 60, from
/// memory). The margin for a thermometer's error is ours.
const FROZEN_SOIL_C: f64 = 0.5;
/// Where no soil thermometer is: air that was colder within the day, °C.
const FROST_AIR_C: f64 = 0.0;
/// Air below this throughout is too dry for rain, % of relative humidity.
const DRY_AIR_PERCENT: f64 = 75.0;
/// Air that grows moister by as much may have been rained through, points of relative
/// humidity.
const MOISTER_POINTS: f64 = 15.0;
/// Time after a wetting's onset in which the air counts, and before it for how moist it
/// was, seconds.
const AFTER_S: i64 = 2 * 3600;
const BEFORE_S: i64 = 3600;

/// The least temperature of the day before a wetting, °C.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) enum Coldest {
    /// Of the bed's soil, else of the garden's.
    Soil(f64),
    /// Of the air: there is no soil thermometer.
    Air(f64),
}

impl Coldest {
    /// From each sensor's least value of the day, by its number.
    pub(crate) fn of(garden: &Garden, bed: u16, least: impl Fn(u16) -> Option<f64>) -> Option<Self> {
        Self::of_soil(garden, bed, &least)
            .or_else(|| coldest(garden, Quantity::AirTemperature, Place::Site, &least).map(Self::Air))
    }

    /// The same of soil alone.
    pub(crate) fn of_soil(garden: &Garden, bed: u16, least: impl Fn(u16) -> Option<f64>) -> Option<Self> {
        coldest(garden, Quantity::SoilTemperature, Place::Bed(bed), &least)
            .or_else(|| coldest(garden, Quantity::SoilTemperature, Place::Site, &least))
            .map(Self::Soil)
    }

    /// Whether soil may be frozen now, so that its probes read too dry.
    pub(crate) fn may_be_frozen(self) -> bool {
        matches!(self, Self::Soil(c) if c < FROZEN_SOIL_C)
    }

    /// Whether soil may have frozen within the day, and grow wetter by thawing.
    pub(crate) fn may_thaw(self) -> bool {
        match self {
            Self::Soil(c) => c < THAW_SOIL_C,
            Self::Air(c) => c < FROST_AIR_C,
        }
    }
}

/// The least of the sensors of a quantity at a place; of the site, of all.
fn coldest(
    garden: &Garden,
    measures: Quantity,
    place: Place,
    least: impl Fn(u16) -> Option<f64>,
) -> Option<f64> {
    let of_kind = (0u16..).zip(&garden.sensors).filter(|(_, s)| s.measures == measures);
    of_kind
        .filter(|(_, s)| place == Place::Site || s.place == place)
        .filter_map(|(i, _)| least(i))
        .reduce(f64::min)
}

/// The highest relative humidity within two hours after a wetting's onset, %.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) enum AirMoisture {
    /// The garden has no hygrometer.
    NotMeasured,
    /// It has one that was not heard all along.
    Silent,
    /// Too dry for rain.
    Dry { percent: f64 },
    /// It may have rained.
    Moist { percent: f64 },
}

impl AirMoisture {
    /// From each sensor's record, by its number, about a wetting's onset; the moistest
    /// decides.
    pub(crate) fn of<Extremes: Borrow<HourlyExtremes>>(
        garden: &Garden,
        onset: Timestamp,
        record: impl Fn(u16) -> Option<Extremes>,
    ) -> Self {
        let hygrometers = (0u16..)
            .zip(&garden.sensors)
            .filter(|(_, s)| s.measures == Quantity::RelativeHumidity && !matches!(s.place, Place::Tank(_)));
        let mut measured = false;
        let heard = hygrometers.inspect(|_| measured = true).filter_map(|(i, _)| {
            let record = record(i)?;
            let most = record.borrow().most_throughout(onset, add_seconds(onset, AFTER_S))?;
            let before = record.borrow().least(add_seconds(onset, -BEFORE_S), onset)?;
            Some((most, most < DRY_AIR_PERCENT && most - before < MOISTER_POINTS))
        });
        match heard.reduce(|(a, dry), (b, also)| (a.max(b), dry && also)) {
            None if measured => Self::Silent,
            None => Self::NotMeasured,
            Some((percent, true)) => Self::Dry { percent },
            Some((percent, false)) => Self::Moist { percent },
        }
    }

    /// Whether it was too dry for rain.
    pub(crate) fn is_dry(self) -> bool {
        matches!(self, Self::Dry { .. })
    }
}

//! Calibrations by a sensor's own equation: thermistors, platinum thermometers,
//! granular matrix sensors, alone or in a divider.

use jiff::tz::TimeZone;

use super::document::Want;
use super::range::Range;
use super::table::SettingsTable;
use super::value::SettingsItem;
use crate::calibration::granular_matrix::{SOIL_C, SOIL_C_STANDARD};
use crate::calibration::platinum::R0_OHM;
use crate::calibration::{
    Calibration, CalibrationError, Divider, GranularMatrix, Law, Platinum, Retention, Side, Thermistor,
};
use crate::model::Quantity;

const R25: Range = Range::from_to(Law::R25_OHM.0, Law::R25_OHM.1, "ohm at 25 °C");
const BETA: Range = Range::from_to(Law::BETA_K.0, Law::BETA_K.1, "kelvin");
const R0: Range = Range::from_to(R0_OHM.0, R0_OHM.1, "ohm at 0 °C");
const SERIES: Range = Range::from_to(Divider::SERIES_OHM.0, Divider::SERIES_OHM.1, "ohm");
const FULL_SCALE: Range =
    Range::from_to(Divider::FULL_SCALE.0, Divider::FULL_SCALE.1, "counts for the whole voltage");
const SOIL_TEMPERATURE: Range = Range::from_to(SOIL_C.0, SOIL_C.1, "°C");
const WATER_CONTENT: Range = Range::above_to(0.0, 1.0, "m3 of water in a m3 of soil");

const THERMISTOR: &str = "{ r25_ohm = 10000, beta_k = 3950 } or { steinhart_hart = [A, B, C] }; in a divider \
                          with series_ohm and full_scale beside";
const GRANULAR_MATRIX: &str = "a table, empty or with soil_temp_c, the soil's saturation, field_capacity and \
                               wilting_point where the bed's do not hold, and series_ohm and full_scale of a divider";
const CONSTANTS: &str = "three numbers [A, B, C]: 1/T = A + B ln R + C (ln R)^3, R in ohm, T in kelvin";

/// The sensor that is calibrated.
pub(super) struct CalibratedSensor<'s> {
    /// `None`: its quantity is itself at fault.
    pub(super) measures: Option<Quantity>,
    pub(super) zone: &'s TimeZone,
    /// What its bed's soil holds.
    pub(super) soil: Option<SoilWater>,
}

/// What a bed's soil holds, m³/m³.
#[derive(Clone, Copy)]
pub(super) struct SoilWater {
    pub(super) wilting_point: f64,
    pub(super) field_capacity: f64,
    /// `None`: the bed's file does not say.
    pub(super) saturation: Option<f64>,
    pub(super) potting_mix: bool,
}

impl CalibratedSensor<'_> {
    /// Whether a curve that returns a temperature is a temperature sensor's.
    pub(super) fn is_thermometer(&self, item: &SettingsItem<'_>) -> bool {
        self.suits(item, Quantity::is_temperature, "measures no temperature", "a calibration that gives a temperature only beside soil-temperature, water-temperature or air-temperature")
    }

    /// Whether the sensor measures what `suits`; another one is a fault.
    pub(super) fn suits(
        &self,
        item: &SettingsItem<'_>,
        suits: impl FnOnce(Quantity) -> bool,
        otherwise: &str,
        accepted: &str,
    ) -> bool {
        let suits = self.measures.is_none_or(suits);
        if !suits {
            item.fault(format!("{} for a sensor that {otherwise}", item.given()), accepted, None);
        }
        suits
    }
}

/// What was made, or the fault that it cannot be.
pub(super) fn made<T>(
    item: &SettingsItem<'_>,
    made: Result<T, CalibrationError>,
    accepted: &str,
) -> Option<T> {
    made.map_or_else(|e| item.faulty(e.to_string(), accepted, None), Some)
}

/// `thermistor = { ... }`.
pub(super) fn thermistor(item: &SettingsItem<'_>, sensor: &CalibratedSensor<'_>) -> Option<Calibration> {
    let suits = sensor.is_thermometer(item);
    let table = item.clone().table(THERMISTOR)?;
    let r25 = table.get("r25_ohm", Want::Value);
    let beta = table.get("beta_k", Want::Value);
    let constants = table.get("steinhart_hart", Want::List);
    let law = match (&r25, &beta, &constants) {
        (Some(r25), Some(beta), None) => match (r25.number(R25), beta.number(BETA)) {
            (Some(r25_ohm), Some(beta_k)) => made(beta, Law::beta(r25_ohm, beta_k), THERMISTOR),
            _ => None,
        },
        (None, None, Some(constants)) => law_of(constants),
        _ => table.faulty("", item.given(), THERMISTOR),
    };
    let divider = divider(&table);
    table.finish();
    Some(Calibration::thermistor(Thermistor::new(law?, divider?))).filter(|_| suits)
}

/// `steinhart_hart = [A, B, C]`, the raw number being a resistance.
pub(super) fn steinhart_hart(item: &SettingsItem<'_>, sensor: &CalibratedSensor<'_>) -> Option<Calibration> {
    let suits = sensor.is_thermometer(item);
    Some(Calibration::thermistor(Thermistor::new(law_of(item)?, None))).filter(|_| suits)
}

fn law_of(item: &SettingsItem<'_>) -> Option<Law> {
    let [a, b, c] = item.numbers(CONSTANTS)?;
    made(item, Law::steinhart_hart(a, b, c), CONSTANTS)
}

/// `platinum_r0_ohm = 100`.
pub(super) fn platinum(item: &SettingsItem<'_>, sensor: &CalibratedSensor<'_>) -> Option<Calibration> {
    let suits = sensor.is_thermometer(item);
    let platinum = made(item, Platinum::new(item.number(R0)?), &R0.to_string())?;
    Some(Calibration::platinum(platinum)).filter(|_| suits)
}

/// `granular_matrix = { ... }`. The soil is the bed's where it is not given.
pub(super) fn granular_matrix(item: &SettingsItem<'_>, sensor: &CalibratedSensor<'_>) -> Option<Calibration> {
    let suits = sensor.suits(
        item,
        |m| m == Quantity::SoilMoisture,
        "does not measure soil-moisture",
        "granular_matrix for soil moisture only: it turns resistance into water content",
    );
    let table = item.clone().table(GRANULAR_MATRIX)?;
    let number = |key, range: Range| table.get(key, Want::Value).map(|item| item.number(range));
    let soil_c = number("soil_temp_c", SOIL_TEMPERATURE).unwrap_or(Some(SOIL_C_STANDARD));
    // A bed whose soil is not known has a fault of its own.
    let bed = sensor.soil;
    let capacity = number("field_capacity", WATER_CONTENT).unwrap_or(bed.map(|soil| soil.field_capacity));
    let wilting = number("wilting_point", WATER_CONTENT).unwrap_or(bed.map(|soil| soil.wilting_point));
    let saturation = number("saturation", WATER_CONTENT).unwrap_or_else(|| {
        if bed.is_some_and(|soil| soil.saturation.is_none()) {
            table.missing(
                "saturation",
                "the soil's water content when all pores are full (m3/m3), here or at the bed: 1 - bulk density / 2.65, \
                 density in t/m3; 0.43 to 0.52 in most mineral soils",
            );
        }
        bed.and_then(|soil| soil.saturation)
    });
    let divider = divider(&table);
    table.finish();
    let soil = Retention::new(wilting?, capacity?, saturation?);
    let soil = made(item, soil, "wilting_point, field_capacity and saturation, each above the one before")?;
    let matrix = made(item, GranularMatrix::new(soil_c?, soil, divider?), GRANULAR_MATRIX)?;
    Some(Calibration::granular_matrix(matrix)).filter(|_| suits)
}

/// The divider of a table; `Some(None)` where none is given, `None` after a fault.
#[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
fn divider(table: &SettingsTable<'_>) -> Option<Option<Divider>> {
    const BOTH: &str =
        "series_ohm and full_scale together, or neither where the raw number is the resistance in ohm";
    let series = table.get("series_ohm", Want::Value);
    let full_scale = table.get("full_scale", Want::Value);
    let side = table.get("sensor_to", Want::Text);
    let (series, full_scale) = match (&series, &full_scale) {
        (Some(series), Some(full_scale)) => (series, full_scale),
        (None, None) => {
            return side
                .map_or(Some(None), |side| side.refused("sensor_to only beside series_ohm and full_scale"));
        }
        (Some(_), None) => return table.lacks("full_scale", BOTH),
        (None, Some(_)) => return table.lacks("series_ohm", BOTH),
    };
    let sides = [("ground", Side::Ground), ("supply", Side::Supply)];
    let side = side.map_or(Some(Side::Ground), |item| item.word(&sides));
    let (series_ohm, counts) = (series.number(SERIES), full_scale.number(FULL_SCALE));
    Some(Some(made(series, Divider::new(series_ohm?, counts?, side?), BOTH)?))
}

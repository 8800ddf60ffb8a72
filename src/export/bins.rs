//! Hours and days as rows.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::history::Bin;
use crate::model::Quantity;

/// The names of the columns. `start` and `end` are in UTC, `start_local` is the start
/// on the site's clock with its offset.
pub const BIN_COLUMNS: [&str; 16] = [
    "start",
    "start_local",
    "end",
    "site",
    "sensor",
    "place",
    "quantity",
    "unit",
    "readings",
    "good",
    "suspect",
    "bad",
    "mean",
    "min",
    "max",
    "total",
];

/// Whose bins they are.
#[derive(Clone, Debug)]
pub struct BinOf<'a> {
    pub site: &'a str,
    pub sensor: &'a str,
    pub place: &'a str,
    pub quantity: &'a str,
    pub unit: &'a str,
    /// The site's clock.
    pub zone: &'a TimeZone,
}

/// Whether a quantity's readings are amounts, so that a span of time has a total.
pub fn adds_up(quantity: &str) -> bool {
    match Quantity::from_name(quantity) {
        Some(Quantity::Rain | Quantity::WaterFlow) => true,
        Some(
            Quantity::SoilMoisture
            | Quantity::SoilTemperature
            | Quantity::WaterTemperature
            | Quantity::AirTemperature
            | Quantity::RelativeHumidity
            | Quantity::Ph
            | Quantity::DissolvedOxygen
            | Quantity::SolarRadiation
            | Quantity::WindSpeed,
        )
        | None => false,
    }
}

/// One bin. Mean, least and greatest are of the good readings, and empty where the
/// quantity adds up: then the total stands in their place.
pub fn bin_record(of: &BinOf<'_>, bin: &Bin) -> [String; 16] {
    let number = |number: Option<f64>| number.map(|number| number.to_string()).unwrap_or_default();
    let total = adds_up(of.quantity);
    let level = |level: Option<f64>| number(level.filter(|_| !total));
    [
        bin.start.to_string(),
        local(bin.start, of.zone),
        bin.end.to_string(),
        of.site.to_owned(),
        of.sensor.to_owned(),
        of.place.to_owned(),
        of.quantity.to_owned(),
        of.unit.to_owned(),
        bin.readings.to_string(),
        bin.good.to_string(),
        bin.suspect.to_string(),
        bin.bad.to_string(),
        level(bin.mean()),
        level(bin.range().map(|(min, _)| min)),
        level(bin.range().map(|(_, max)| max)),
        number((total && bin.good > 0).then_some(bin.sum)),
    ]
}

/// RFC 3339 on a clock, with its offset and without the zone's name.
fn local(at: Timestamp, zone: &TimeZone) -> String {
    at.display_with_offset(zone.to_offset(at)).to_string()
}

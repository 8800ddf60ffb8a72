//! Single readings as rows.

use crate::model::TimeFrom;
use crate::store::Row;

/// The names of the columns. `trug import` takes `time`, `sensor` and `raw`.
pub const READING_COLUMNS: [&str; 11] =
    ["time", "site", "sensor", "place", "quantity", "unit", "raw", "value", "flag", "late", "time_from"];

/// One reading. Its time is RFC 3339 in UTC, with milliseconds only where there are
/// some; its flag is the number of the QARTOD scheme.
pub fn reading_record(row: &Row<'_>) -> [String; 11] {
    let number = |number: f64| number.to_string();
    [
        row.at.to_string(),
        row.series.site.clone(),
        row.series.sensor.clone(),
        row.series.place.clone(),
        row.series.quantity.clone(),
        row.series.unit.clone(),
        number(row.raw),
        row.value.map(number).unwrap_or_default(),
        row.flag.number().to_string(),
        if row.late { "yes" } else { "no" }.to_owned(),
        match row.time_from {
            TimeFrom::Device => "device",
            TimeFrom::Arrival => "arrival",
        }
        .to_owned(),
    ]
}

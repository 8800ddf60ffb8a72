//! The month's tables: one row for each thing, one column for each figure.

mod compared;
mod readings;
mod tanks;
mod told;
mod water;

pub(super) use readings::daily_of;

use super::Contents;
use super::table::Table;

/// Where figures come from that several tables have.
const CALENDAR: &str = "the calendar";
const SETTINGS: &str = "the garden's settings";

/// The names of all tables, in the order of the files.
pub const NAMES: [&str; 12] = [
    "quality",
    "daily",
    "rain_days",
    "beds_daily",
    "wettings",
    "dryings",
    "tanks_daily",
    "comparison",
    "comparison_values",
    "log",
    "alarms",
    "readings_hourly",
];

/// Every table. One without a row has its columns nevertheless.
pub fn tables(contents: &Contents<'_>) -> Vec<Table> {
    let month = contents.month;
    vec![
        readings::quality(month),
        readings::daily(month),
        water::rain_days(month),
        water::beds_daily(month),
        water::wettings(month),
        water::dryings(month),
        tanks::daily(month),
        compared::outcomes(month),
        compared::values(month),
        told::log(month, contents.notes),
        told::alarms(month),
        readings::hourly(month),
    ]
}

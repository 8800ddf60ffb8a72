//! The water of the tanks, day by day.

use super::{CALENDAR, SETTINGS};
use crate::analysis::month::{Month, TankDay, TankMonth};
use crate::report::table::CellKind::{Date, Number, Text, Whole};
use crate::report::table::{Describe, Table};

const PROBE: &str = "the tank's water thermometer";

/// One row for each tank and day.
pub(super) fn daily(month: &Month) -> Table {
    const NO_GOOD: &str = "no good reading on that day";
    Describe::<(&TankMonth, &TankDay)>::new("tanks_daily", "The water of each tank on each day.")
        .column("date", "", Date, |(_, day)| day.date)
        .means("the day", CALENDAR)
        .column("tank", "", Text, |(tank, _)| tank.id.as_str())
        .means("the tank's id", SETTINGS)
        .column("tank_name", "", Text, |(tank, _)| tank.name.as_str())
        .means("its name", SETTINGS)
        .column("mean_c", "°C", Number(1), |(_, day)| day.mean_c)
        .means("mean temperature of the water", PROBE)
        .or_empty(NO_GOOD)
        .column("min_c", "°C", Number(1), |(_, day)| day.min_c)
        .means("lowest temperature", PROBE)
        .or_empty(NO_GOOD)
        .column("max_c", "°C", Number(1), |(_, day)| day.max_c)
        .means("highest temperature", PROBE)
        .or_empty(NO_GOOD)
        .column("swing_c", "°C", Number(1), |(_, day)| day.swing_c())
        .means("highest less lowest", PROBE)
        .or_empty(NO_GOOD)
        .column("cold_hours", "h", Whole, |(_, day)| day.hours_cold)
        .means("known hours whose mean was too cold for the fish", PROBE)
        .column("warm_hours", "h", Whole, |(_, day)| day.hours_warm)
        .means("known hours whose mean was too warm for the fish", PROBE)
        .column("known_hours", "h", Whole, |(_, day)| day.hours_known)
        .means("hours of the day that are known", PROBE)
        .rows(month.tanks.iter().flat_map(|tank| tank.days.iter().map(move |day| (tank, day))))
}

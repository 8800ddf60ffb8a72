//! The water of the tanks, day by day.

use super::{CALENDAR, SETTINGS};
use crate::analysis::month::{Month, TankDay, TankMonth};
use crate::report::table::{Describe, Table};

const PROBE: &str = "the tank's water thermometer";

/// One row for each tank and day.
pub(super) fn daily(month: &Month) -> Table {
    const NO_GOOD: &str = "no good reading on that day";
    Describe::<(&TankMonth, &TankDay)>::new("tanks_daily", "The water of each tank on each day.")
        .date(|(_, day)| day.date)
        .means("the day", CALENDAR)
        .text("tank", |(tank, _)| tank.id.as_str())
        .means("the tank's id", SETTINGS)
        .text("tank_name", |(tank, _)| &tank.name)
        .means("its name", SETTINGS)
        .number("mean_c", "°C", 1, |(_, day)| day.mean_c)
        .means("mean temperature of the water", PROBE)
        .or_empty(NO_GOOD)
        .number("min_c", "°C", 1, |(_, day)| day.min_c)
        .means("lowest temperature", PROBE)
        .or_empty(NO_GOOD)
        .number("max_c", "°C", 1, |(_, day)| day.max_c)
        .means("highest temperature", PROBE)
        .or_empty(NO_GOOD)
        .number("swing_c", "°C", 1, |(_, day)| day.swing_c())
        .means("highest less lowest", PROBE)
        .or_empty(NO_GOOD)
        .whole("cold_hours", "h", |(_, day)| day.hours_cold)
        .means("known hours whose mean was too cold for the fish", PROBE)
        .whole("warm_hours", "h", |(_, day)| day.hours_warm)
        .means("known hours whose mean was too warm for the fish", PROBE)
        .whole("known_hours", "h", |(_, day)| day.hours_known)
        .means("hours of the day that are known", PROBE)
        .rows(month.tanks.iter().flat_map(|tank| tank.days.iter().map(move |day| (tank, day))))
}

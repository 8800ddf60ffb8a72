//! The water of the tanks, day by day.

use crate::analysis::month::Month;
use crate::report::table::{Cell, Kind, Table, column};

const PROBE: &str = "the tank's water thermometer";

/// One row for each tank and day.
pub(super) fn daily(month: &Month) -> Table {
    const NO_GOOD: &str = "no good reading on that day";
    let columns = vec![
        column("date", "", Kind::Date, "the day", "the calendar"),
        column("tank", "", Kind::Text, "the tank's id", "the garden's settings"),
        column("tank_name", "", Kind::Text, "its name", "the garden's settings"),
        column("mean_c", "°C", Kind::Number(1), "mean temperature of the water", PROBE).or_empty(NO_GOOD),
        column("min_c", "°C", Kind::Number(1), "lowest temperature", PROBE).or_empty(NO_GOOD),
        column("max_c", "°C", Kind::Number(1), "highest temperature", PROBE).or_empty(NO_GOOD),
        column("swing_c", "°C", Kind::Number(1), "highest less lowest", PROBE).or_empty(NO_GOOD),
        column("cold_hours", "h", Kind::Whole, "known hours whose mean was too cold for the fish", PROBE),
        column("warm_hours", "h", Kind::Whole, "known hours whose mean was too warm for the fish", PROBE),
        column("known_hours", "h", Kind::Whole, "hours of the day that are known", PROBE),
    ];
    let rows = month.tanks.iter().flat_map(|tank| {
        tank.days.iter().map(move |day| {
            vec![
                Cell::Date(day.date),
                Cell::text(tank.id.as_str()),
                Cell::text(&tank.name),
                Cell::number(day.mean_c),
                Cell::number(day.min_c),
                Cell::number(day.max_c),
                Cell::number(day.swing_c()),
                Cell::whole(day.hours_cold),
                Cell::whole(day.hours_warm),
                Cell::whole(day.hours_known),
            ]
        })
    });
    Table { name: "tanks_daily", about: "The water of each tank on each day.", columns, rows: rows.collect() }
}

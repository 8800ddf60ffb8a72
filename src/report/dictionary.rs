//! What each column of each table means.

use super::table::{Column, Describe, Kind, Table};

/// One row for each column of each table.
pub(super) fn dictionary(tables: &[Table]) -> Table {
    Describe::<(&Table, &Column)>::new("dictionary", "What each column of each sheet means.")
        .text("table", |(table, _)| table.name)
        .text("column", |(_, column)| column.name.as_ref())
        .text("unit", |(_, column)| column.unit)
        .text("holds", |(_, column)| holds(column.kind))
        .text("meaning", |(_, column)| column.meaning.as_ref())
        .text("empty_means", |(_, it)| if it.missing.is_empty() { "never empty" } else { it.missing })
        .text("from", |(_, column)| column.from)
        .rows(tables.iter().flat_map(|table| table.columns.iter().map(move |column| (table, column))))
}

fn holds(kind: Kind) -> &'static str {
    match kind {
        Kind::Text => "text; an apostrophe before = + - @ keeps spreadsheets from running it",
        Kind::Whole => "whole number",
        Kind::Number(_) => "number, to a millionth",
        Kind::Date => "day, year-month-day",
        Kind::Local => "time on the garden's clock; an hour comes twice when the clock is put back",
        Kind::Utc => "time in UTC (ISO 8601); never comes twice",
    }
}

//! What each column of each table means.

use super::table::CellKind::Text;
use super::table::{CellKind, Column, Describe, Table};

/// One row for each column of each table.
pub(super) fn dictionary(tables: &[Table]) -> Table {
    Describe::<(&Table, &Column)>::new("dictionary", "What each column of each sheet means.")
        .column("table", "", Text, |(table, _)| table.name)
        .column("column", "", Text, |(_, column)| column.name.as_ref())
        .column("unit", "", Text, |(_, column)| column.unit)
        .column("holds", "", Text, |(_, column)| holds(column.kind))
        .column("meaning", "", Text, |(_, column)| column.meaning.as_ref())
        .column(
            "empty_means",
            "",
            Text,
            |(_, it)| if it.missing.is_empty() { "never empty" } else { it.missing },
        )
        .column("from", "", Text, |(_, column)| column.from)
        .rows(tables.iter().flat_map(|table| table.columns.iter().map(move |column| (table, column))))
}

fn holds(kind: CellKind) -> &'static str {
    match kind {
        CellKind::Text => "text; an apostrophe before = + - @ keeps spreadsheets from running it",
        CellKind::Whole => "whole number",
        CellKind::Number(_) => "number, to a millionth",
        CellKind::Date => "day, year-month-day",
        CellKind::Local => "time on the garden's clock; an hour comes twice when the clock is put back",
        CellKind::Utc => "time in UTC (ISO 8601); never comes twice",
    }
}

//! What each column of each table means.

use super::table::{Kind, Table};
use super::{ReportError, csv};

/// The names of the dictionary's own columns.
pub(super) const COLUMNS: [&str; 7] = ["table", "column", "unit", "holds", "meaning", "empty_means", "from"];

/// One line for each column of each table.
pub(super) fn lines(tables: &[Table]) -> impl Iterator<Item = Vec<String>> + '_ {
    tables.iter().flat_map(|table| {
        table.columns.iter().map(|column| {
            let never = if column.missing.is_empty() { "never empty" } else { column.missing };
            vec![
                table.name.to_owned(),
                column.name.to_string(),
                column.unit.to_owned(),
                holds(column.kind).to_owned(),
                column.meaning.to_string(),
                never.to_owned(),
                column.from.to_owned(),
            ]
        })
    })
}

/// The dictionary as a file.
pub(super) fn csv(tables: &[Table]) -> Result<Vec<u8>, ReportError> {
    let names = COLUMNS.map(str::to_owned).to_vec();
    csv::lines("dictionary", std::iter::once(names).chain(lines(tables)))
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

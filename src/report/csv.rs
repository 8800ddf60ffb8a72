//! A table as comma-separated values.

use jiff::tz::TimeZone;

use super::ReportError;
use super::table::{Cell, Table, written};

/// A table by RFC 4180: UTF-8, a first line with the names of the columns, lines ended
/// by CR and LF.
pub(super) fn bytes(table: &Table, zone: &TimeZone) -> Result<Vec<u8>, ReportError> {
    let failed = |source| ReportError::Csv { table: table.name.to_owned(), source };
    let mut out = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    out.write_record(table.columns.iter().map(|column| column.name.as_ref())).map_err(failed)?;
    for row in &table.rows {
        let fields = row.iter().zip(&table.columns).map(|(cell, column)| match cell {
            Cell::Text(text) => guarded(text),
            _ => written(cell, column.kind, zone),
        });
        out.write_record(fields).map_err(failed)?;
    }
    out.into_inner().map_err(|fault| failed(csv::Error::from(std::io::Error::other(fault.to_string()))))
}

/// Whether a spreadsheet that reads a text from a file may run it as a formula: it
/// begins with `=`, `+`, `-`, `@`, a tab or a line's end (OWASP on CSV injection, from
/// memory), or with a wide form of one of the signs.
pub(super) fn runs(text: &str) -> bool {
    text.trim_start_matches([' ', '\u{A0}'])
        .starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '\u{FF1D}', '\u{FF0B}', '\u{FF0D}', '\u{FF20}'])
}

/// A text that no spreadsheet runs: with an apostrophe before it where it would be.
fn guarded(text: &str) -> String {
    if runs(text) { format!("'{text}") } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::table::CellKind::{Number, Text};
    use crate::report::table::Describe;

    #[test]
    fn people_s_words_are_never_formulas_and_numbers_stay_numbers() {
        let table = Describe::<&str>::new("log", "")
            .column("note", "", Text, |text| text)
            .column("change_c", "°C", Number(1), |_| -1.5)
            .rows(["=1+1", "+61 8", "-cabbage", "@all", " =2", "two, \"three\"", "peas"]);
        let text = String::from_utf8(bytes(&table, &TimeZone::UTC).expect("CSV")).expect("UTF-8");
        assert_eq!(
            text,
            "note,change_c\r\n'=1+1,-1.5\r\n'+61 8,-1.5\r\n'-cabbage,-1.5\r\n'@all,-1.5\r\n' =2,-1.5\r\n\
             \"two, \"\"three\"\"\",-1.5\r\npeas,-1.5\r\n"
        );
    }
}

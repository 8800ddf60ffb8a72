//! The same rows as a spreadsheet.
//!
//! Rows go to a file on the way as they come (constant memory), so that a long record
//! needs no more memory than a short one.

use std::path::Path;

use jiff::Timestamp;
use jiff::civil::DateTime;
use rust_xlsxwriter::{Format, Workbook, XlsxError};

use super::ColumnKind as Kind;
use super::columns;
use crate::history::BinWidth;

/// Rows that a sheet can hold, without that of the column names. A sheet has 1,048,576
/// rows (the published limits of the program that the format comes from).
pub const SHEET_ROWS_MAX: u32 = 1_048_575;

/// Excel counts days from 30 December 1899; 1 January 1970 is day 25569.
const DAY_OF_1970: f64 = 25_569.0;
const DAY_S: f64 = 86_400.0;

/// A spreadsheet with one sheet, as it is filled.
pub struct ExportSheet {
    workbook: Workbook,
    columns: &'static [(&'static str, Kind)],
    moment: Format,
    rows: u32,
}

impl std::fmt::Debug for ExportSheet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ExportSheet").field("rows", &self.rows).finish_non_exhaustive()
    }
}

/// Why a row cannot be added.
#[derive(Debug, thiserror::Error)]
pub enum SheetError {
    #[error("a spreadsheet holds {SHEET_ROWS_MAX} rows, and this span has more")]
    Full,
    #[error("writing a spreadsheet")]
    Written(#[source] XlsxError),
}

impl ExportSheet {
    /// An empty sheet with the columns of a step. Times in UTC are named so.
    ///
    /// # Errors
    ///
    /// When no file can be made for the rows.
    pub fn new(step: BinWidth) -> Result<Self, SheetError> {
        let mut workbook = Workbook::new();
        let columns = columns(step);
        let head = Format::new().set_bold();
        let mut write = || -> Result<(), XlsxError> {
            let sheet = workbook.add_worksheet_with_constant_memory()?;
            sheet.set_name("readings")?;
            sheet.set_freeze_panes(1, 0)?;
            for (at, (column, kind)) in (0_u16..).zip(columns) {
                let width = if matches!(kind, Kind::Utc | Kind::Local) { 20.0 } else { 16.0 };
                sheet.set_column_width(at, width)?;
                let name = if *kind == Kind::Utc { format!("{column} (UTC)") } else { (*column).to_owned() };
                sheet.write_string_with_format(0, at, name, &head)?;
            }
            Ok(())
        };
        write().map_err(SheetError::Written)?;
        Ok(Self { workbook, columns, moment: Format::new().set_num_format("yyyy-mm-dd hh:mm:ss"), rows: 0 })
    }

    /// Adds a row in the columns' order.
    ///
    /// # Errors
    ///
    /// [`SheetError::Full`] where the sheet can hold no more.
    pub fn push(&mut self, record: &[String]) -> Result<(), SheetError> {
        if self.rows == SHEET_ROWS_MAX {
            return Err(SheetError::Full);
        }
        self.rows += 1;
        let row = self.rows;
        let sheet = self.workbook.worksheet_from_index(0).map_err(SheetError::Written)?;
        for (at, (text, (_, kind))) in (0_u16..).zip(record.iter().zip(self.columns)) {
            let number = match kind {
                _ if text.is_empty() => continue,
                Kind::Text => None,
                Kind::Number => text.parse().ok(),
                Kind::Utc => text.parse().ok().and_then(serial),
                Kind::Local => text.parse().ok().and_then(serial_local),
            };
            let written = match (kind, number) {
                (Kind::Utc | Kind::Local, Some(number)) => {
                    sheet.write_number_with_format(row, at, number, &self.moment)
                }
                (Kind::Number, Some(number)) => sheet.write_number(row, at, number),
                _ => sheet.write_string(row, at, text),
            };
            written.map_err(SheetError::Written)?;
        }
        Ok(())
    }

    /// Rows so far, without that of the column names.
    pub fn rows(&self) -> u32 {
        self.rows
    }

    /// Writes the file.
    ///
    /// # Errors
    ///
    /// When it cannot be written.
    pub fn save(mut self, path: &Path) -> Result<(), SheetError> {
        self.workbook.save(path).map_err(SheetError::Written)
    }
}

/// A moment as the days that a spreadsheet counts; `None` outside the years 1900 to
/// 9999, which it does not know.
fn serial(at: Timestamp) -> Option<f64> {
    let days = at.as_millisecond() as f64 / 1000.0 / DAY_S + DAY_OF_1970;
    // The first two months of 1900 are counted wrongly there, so they are left out.
    (61.0..2_958_466.0).contains(&days).then_some(days)
}

/// The same of what a clock shows.
fn serial_local(local: DateTime) -> Option<f64> {
    serial(jiff::tz::TimeZone::UTC.to_timestamp(local).ok()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Day 46129 is 17 April 2026: 1 January 2026 is day 46023 in the same count, and
    /// openpyxl's `to_excel` gives both.
    #[test]
    fn times_are_counted_as_spreadsheets_count_them() {
        let at = |text: &str| text.parse::<Timestamp>().expect("a time");
        assert_eq!(serial(at("2026-04-17T06:00:00Z")), Some(46_129.25));
        assert_eq!(serial(at("2026-01-01T00:00:00Z")), Some(46_023.0));
        assert_eq!(serial(at("1900-01-05T00:00:00Z")), None);
        let local: DateTime = "2026-04-17T15:30:00+09:30".parse().expect("a time with its offset");
        assert_eq!(serial_local(local), serial(at("2026-04-17T15:30:00Z")));
    }

    #[test]
    fn a_sheet_that_is_full_says_so() {
        let mut sheet = ExportSheet::new(BinWidth::Raw).expect("a sheet");
        let row = [String::new()];
        for _ in 0..SHEET_ROWS_MAX {
            sheet.push(&row).expect("there is room");
        }
        assert!(matches!(sheet.push(&row), Err(SheetError::Full)));
        assert_eq!(sheet.rows(), SHEET_ROWS_MAX);
    }
}

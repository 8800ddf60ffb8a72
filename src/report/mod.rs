//! The class month as files: a page for people, a spreadsheet, and plain tables with a
//! dictionary.
//!
//! Pure: a worked-out month in, bytes out. No present time stands in
//! any of them, so the same record and configuration give the same bytes; where the
//! month was not over when it was made, they say up to when it was known.

mod charts;
mod csv;
pub mod days;
mod dictionary;
mod drawing;
mod fingerprint;
mod glossary;
pub mod html;
mod lesson;
mod level;
mod pages;
mod sheet;
mod sheet_charts;
mod sheet_summary;
mod table;
mod tables;
pub mod term;
mod words;

use jiff::Timestamp;

use crate::analysis::month::Month;

pub use fingerprint::{Fingerprints, fingerprints};
pub use level::Level;
pub use pages::{FiguresPart, ReportPage};
pub use table::{Cell, CellKind, Column, Table, written};
pub use tables::{NAMES as TABLES, tables};
pub use words::month_name;

/// The first page for people.
pub const PAGE: &str = "report.html";
/// The spreadsheet.
pub const SPREADSHEET: &str = "month.xlsx";
/// What the columns of the tables mean.
pub const DICTIONARY: &str = "dictionary.csv";

/// What the files are made of.
#[derive(Clone, Copy, Debug)]
pub struct Contents<'a> {
    pub month: &'a Month,
    pub made: &'a Made,
    /// Whether the words that people wrote in the log are in it.
    pub notes: bool,
    /// For whom the first page is.
    pub level: Level,
}

/// From what and how the files were made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Made {
    /// Trug's version.
    pub version: String,
    /// The command that makes the files again.
    pub command: String,
    pub fingerprints: Fingerprints,
    /// Readings that went in, also those from before the month.
    pub readings: usize,
    /// The first moment of which readings were looked at.
    pub looked_from: Timestamp,
}

/// One file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReportFile {
    pub name: String,
    /// Its media type.
    pub media: &'static str,
    pub bytes: Vec<u8>,
}

/// Why the files could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    #[error("writing the table {table} as CSV")]
    Csv { table: String, source: ::csv::Error },
    #[error("writing {SPREADSHEET}")]
    Sheet {
        #[source]
        source: rust_xlsxwriter::XlsxError,
    },
}

/// Whether a report has a file of this name.
pub fn has_file(name: &str) -> bool {
    ReportPage::is_file(name)
        || term::has_file(name)
        || [SPREADSHEET, DICTIONARY].contains(&name)
        || name.strip_suffix(".csv").is_some_and(|table| TABLES.contains(&table))
}

/// Makes every file, the first page first.
///
/// # Errors
///
/// When a file cannot be put together, such as a text too long for a sheet's cell.
pub fn files(contents: &Contents<'_>) -> Result<Vec<ReportFile>, ReportError> {
    let tables = tables(contents);
    let dictionary = dictionary::dictionary(&tables);
    let file = |name: String, media, bytes| ReportFile { name, media, bytes };
    let pages = ReportPage::all(contents.level, contents.month.beds.len()).into_iter().map(|page| {
        let bytes = html::document(contents, page).into_string().into_bytes();
        file(page.file(contents.level), "text/html; charset=utf-8", bytes)
    });
    let xlsx = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";
    let mut files: Vec<ReportFile> = pages.collect();
    files.push(file(SPREADSHEET.to_owned(), xlsx, sheet::workbook(contents, &tables, &dictionary)?));
    for table in std::iter::once(&dictionary).chain(&tables) {
        let bytes = self::csv::bytes(table, &contents.month.time_zone)?;
        files.push(file(format!("{}.csv", table.name), "text/csv; charset=utf-8; header=present", bytes));
    }
    Ok(files)
}

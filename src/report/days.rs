//! A month of which only daily figures are kept, as files: a page, a spreadsheet, and each
//! sensor's days as a table.

use super::tables::daily_of;
use super::{DICTIONARY, PAGE, ReportError, ReportFile, SPREADSHEET, csv, dictionary, html, sheet, words};
use crate::analysis::month::DaysMonth;

/// The table.
pub const DAYS_TABLE: &str = "daily.csv";

/// What the files are made of.
#[derive(Clone, Copy, Debug)]
pub struct DaysContents<'a> {
    pub month: &'a DaysMonth,
    /// From when on there are single readings, in a sentence.
    pub single: &'a str,
    /// Whether the words that people wrote in the log are in it.
    pub notes: bool,
    /// The command that makes the files again, and Trug's version.
    pub command: &'a str,
    pub version: &'a str,
}

/// "Day by day: the garden in March 2026".
pub fn days_title(month: &DaysMonth) -> String {
    format!("Day by day: the garden in {}", words::month_name(month.which))
}

/// Whether a month of days has a file of this name.
pub fn has_days_file(name: &str) -> bool {
    [PAGE, SPREADSHEET, DAYS_TABLE, DICTIONARY].contains(&name)
}

/// Makes every file, the page first.
///
/// # Errors
///
/// When a file cannot be put together.
pub fn days_files(contents: &DaysContents<'_>) -> Result<Vec<ReportFile>, ReportError> {
    let month = contents.month;
    let tables = [daily_of(&month.sensors)];
    let dictionary = dictionary::dictionary(&tables);
    let file = |name: &str, media, bytes| ReportFile { name: name.to_owned(), media, bytes };
    let xlsx = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";
    let text = "text/csv; charset=utf-8; header=present";
    let end = month.until.unwrap_or(month.to);
    let title = days_title(month);
    let book = sheet::tables_alone((&title, &month.name), (&tables, &dictionary), end, &month.time_zone)?;
    Ok(vec![
        file(PAGE, "text/html; charset=utf-8", html::days_document(contents).into_string().into_bytes()),
        file(SPREADSHEET, xlsx, book),
        file(DAYS_TABLE, text, csv::bytes(&tables[0], &month.time_zone)?),
        file(DICTIONARY, text, csv::bytes(&dictionary, &month.time_zone)?),
    ])
}

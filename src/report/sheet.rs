//! The month as a spreadsheet (Office Open XML, ECMA-376): a summary to print, a sheet that
//! explains, charts, one sheet for each table, and the dictionary.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use rust_xlsxwriter::{
    DocProperties, ExcelDateTime, Format, FormatAlign, FormatBorder, Workbook, Worksheet, XlsxError,
};

use super::sheet_summary::SummaryFormats;
use super::table::{Cell, CellKind, Table, written};
use super::{Contents, DICTIONARY, PAGE, ReportError, csv, sheet_charts, sheet_summary, words};

/// Rows that a sheet holds (ECMA-376 programs), less the header.
const ROWS_MAX: usize = 1_048_575;
/// Letters that a cell holds.
const LETTERS_MAX: usize = 32_000;
/// Letters across a page on its side that can still be read.
const LETTERS_ACROSS: f64 = 190.0;
/// ISO A4, as the format numbers paper.
const A4: u8 = 9;

/// The formats of the cells.
struct Formats {
    title: Format,
    heading: Format,
    head: Format,
    /// Over numbers, which stand at the right.
    head_right: Format,
    text: Format,
    /// Text that would run as a formula if somebody edited it: marked as text.
    quoted: Format,
    wrapped: Format,
    whole: Format,
    numbers: [Format; 5],
    date: Format,
    time: Format,
}

impl Formats {
    fn new() -> Self {
        let numbers = ["0", "0.0", "0.00", "0.000", "0.0000"].map(|form| Format::new().set_num_format(form));
        let head = Format::new()
            .set_bold()
            .set_text_wrap()
            .set_align(FormatAlign::Top)
            .set_border_bottom(FormatBorder::Medium);
        Self {
            title: Format::new().set_bold().set_font_size(16),
            heading: Format::new().set_bold().set_font_size(12),
            head_right: head.clone().set_align(FormatAlign::Right),
            head,
            text: Format::new(),
            quoted: Format::new().set_quote_prefix(),
            wrapped: Format::new().set_text_wrap().set_align(FormatAlign::Top),
            whole: Format::new().set_num_format("0"),
            numbers,
            date: Format::new().set_num_format("yyyy-mm-dd").set_align(FormatAlign::Left),
            time: Format::new().set_num_format("yyyy-mm-dd hh:mm").set_align(FormatAlign::Left),
        }
    }
}

/// The whole spreadsheet. The same month gives the same bytes.
pub(super) fn workbook(
    contents: &Contents<'_>,
    tables: &[Table],
    dictionary: &Table,
) -> Result<Vec<u8>, ReportError> {
    book(contents, tables, dictionary).map_err(|source| ReportError::Sheet { source })
}

fn book(contents: &Contents<'_>, tables: &[Table], dictionary: &Table) -> Result<Vec<u8>, XlsxError> {
    let month = contents.month;
    let formats = Formats::new();
    let mut book = Workbook::new();
    // The end of the month, or what was known of it: never the present.
    let made = datetime(month.until.unwrap_or(month.to), &TimeZone::UTC)
        .map_or_else(|| ExcelDateTime::from_ymd(2000, 1, 1), Ok)?;
    book.set_properties(
        &DocProperties::new()
            .set_title(super::html::title(month))
            .set_subject(&month.name)
            .set_author(format!("trug {}", contents.made.version))
            .set_creation_datetime(&made),
    );
    let summary = SummaryFormats {
        title: &formats.title,
        heading: &formats.heading,
        head: &formats.head,
        head_right: &formats.head_right,
        text: &formats.text,
        quoted: &formats.quoted,
        wrapped: &formats.wrapped,
        whole: &formats.whole,
        tenths: &formats.numbers[1],
        hundredths: &formats.numbers[2],
    };
    sheet_summary::sheet(book.add_worksheet(), contents, sheet_charts::charts(tables), &summary)?;
    explain(book.add_worksheet(), contents, tables, dictionary, &formats)?;
    sheet_charts::sheet(book.add_worksheet(), contents, tables, &formats.title)?;
    for table in tables {
        fill(book.add_worksheet(), table, &month.time_zone, &formats)?;
    }
    let sheet = book.add_worksheet();
    sheet.set_name(dictionary.name)?;
    for ((at, column), width) in (0..).zip(&dictionary.columns).zip([18, 26, 9, 34, 60, 44, 40]) {
        sheet.write_string_with_format(0, at, column.name.as_ref(), &formats.head)?;
        sheet.set_column_width(at, width)?;
    }
    for (row, cells) in (1..).zip(&dictionary.rows) {
        for (at, cell) in (0..).zip(cells) {
            let text = written(cell, CellKind::Text, &TimeZone::UTC);
            sheet.write_string_with_format(row, at, text, &formats.wrapped)?;
        }
    }
    frame(sheet, 2)?;
    book.save_to_buffer()
}

/// A spreadsheet of tables alone, each a sheet, and their dictionary.
pub(super) fn tables_alone(
    (title, subject): (&str, &str),
    (tables, dictionary): (&[Table], &Table),
    made: Timestamp,
    zone: &TimeZone,
) -> Result<Vec<u8>, ReportError> {
    let book = || -> Result<Vec<u8>, XlsxError> {
        let formats = Formats::new();
        let mut book = Workbook::new();
        let made = datetime(made, &TimeZone::UTC).map_or_else(|| ExcelDateTime::from_ymd(2000, 1, 1), Ok)?;
        book.set_properties(
            &DocProperties::new().set_title(title).set_subject(subject).set_creation_datetime(&made),
        );
        for table in tables.iter().chain([dictionary]) {
            fill(book.add_worksheet(), table, zone, &formats)?;
        }
        book.save_to_buffer()
    };
    book().map_err(|source| ReportError::Sheet { source })
}

/// What every sheet of rows has: a header that stays, and a form to print in.
fn frame(sheet: &mut Worksheet, columns_kept: u16) -> Result<(), XlsxError> {
    sheet.set_freeze_panes(1, columns_kept)?;
    sheet.set_repeat_rows(0, 0)?;
    sheet.set_landscape();
    sheet.set_paper_size(A4);
    sheet.set_print_fit_to_pages(1, 0);
    sheet.set_footer("&L&A&RPage &P of &N");
    Ok(())
}

fn fill(sheet: &mut Worksheet, table: &Table, zone: &TimeZone, formats: &Formats) -> Result<(), XlsxError> {
    sheet.set_name(table.name)?;
    let last = u16::try_from(table.columns.len().saturating_sub(1)).unwrap_or(u16::MAX);
    for (at, column) in (0_u16..).zip(&table.columns) {
        let head = match column.kind {
            CellKind::Whole | CellKind::Number(_) => &formats.head_right,
            CellKind::Text | CellKind::Date | CellKind::Local | CellKind::Utc => &formats.head,
        };
        sheet.write_string_with_format(0, at, column.name.as_ref(), head)?;
        sheet.set_column_width(at, width(table, usize::from(at)))?;
    }
    for (row, cells) in (1_u32..).zip(table.rows.iter().take(ROWS_MAX)) {
        for ((at, cell), column) in (0_u16..).zip(cells).zip(&table.columns) {
            write(sheet, row, at, cell, column.kind, zone, formats)?;
        }
    }
    let rows = u32::try_from(table.rows.len().min(ROWS_MAX)).unwrap_or(u32::MAX);
    if rows > 0 {
        sheet.autofilter(0, 0, rows, last)?;
    }
    let letters: f64 = (0..table.columns.len()).map(|at| width(table, at)).sum();
    frame(sheet, 0)?;
    // A wide table goes over several pages beside each other rather than into tiny letters.
    sheet.set_print_fit_to_pages((letters / LETTERS_ACROSS).ceil().clamp(1.0, 9.0) as u16, 0);
    Ok(())
}

fn write(
    sheet: &mut Worksheet,
    row: u32,
    at: u16,
    cell: &Cell,
    kind: CellKind,
    zone: &TimeZone,
    formats: &Formats,
) -> Result<(), XlsxError> {
    match cell {
        Cell::Empty => {}
        Cell::Text(text) => {
            let format = if csv::runs(text) { &formats.quoted } else { &formats.text };
            let text: String = text.chars().take(LETTERS_MAX).collect();
            sheet.write_string_with_format(row, at, text, format)?;
        }
        Cell::Whole(count) => {
            sheet.write_number_with_format(row, at, *count as f64, &formats.whole)?;
        }
        Cell::Number(number) => {
            let decimals = if let CellKind::Number(decimals) = kind { decimals } else { 3 };
            let format = &formats.numbers[decimals.min(formats.numbers.len() - 1)];
            sheet.write_number_with_format(row, at, *number, format)?;
        }
        // Before 1900 a sheet has no dates.
        Cell::Date(it) => match date(*it) {
            Some(date) => drop(sheet.write_datetime_with_format(row, at, &date, &formats.date)?),
            None => drop(sheet.write_string(row, at, written(cell, kind, zone))?),
        },
        Cell::Moment(moment) => {
            let utc = TimeZone::UTC;
            let zone = if kind == CellKind::Local { zone } else { &utc };
            match datetime(*moment, zone) {
                Some(time) => sheet.write_datetime_with_format(row, at, &time, &formats.time)?,
                None => sheet.write_string(row, at, written(cell, kind, zone))?,
            };
        }
    }
    Ok(())
}

/// A day; `None` where sheets have no such day.
fn date(date: Date) -> Option<ExcelDateTime> {
    let (year, month) = (u16::try_from(date.year()).ok()?, u8::try_from(date.month()).ok()?);
    ExcelDateTime::from_ymd(year, month, u8::try_from(date.day()).ok()?).ok()
}

/// A moment as a clock of a zone shows it; `None` where sheets have no such day.
fn datetime(at: Timestamp, zone: &TimeZone) -> Option<ExcelDateTime> {
    let local = zone.to_datetime(at.round(jiff::Unit::Second).ok()?);
    let (hour, minute) = (u16::try_from(local.hour()).ok()?, u8::try_from(local.minute()).ok()?);
    date(local.date())?.and_hms(hour, minute, f64::from(local.second())).ok()
}

/// A column's width in letters: of its name and its texts, within bounds.
fn width(table: &Table, at: usize) -> f64 {
    let column = &table.columns[at];
    let by_kind = match column.kind {
        CellKind::Local | CellKind::Utc => 16,
        CellKind::Date => 11,
        CellKind::Text | CellKind::Whole | CellKind::Number(_) => 8,
    };
    let texts = table.rows.iter().map(|row| match &row[at] {
        Cell::Text(text) => text.chars().count(),
        _ => 0,
    });
    // A long name may break at its underscores only, which programs do not do.
    let name = column.name.chars().count() + 4;
    (texts.max().unwrap_or(0).max(by_kind).max(name).min(60) as f64) + 2.0
}

/// The first sheet: what the others are.
fn explain(
    sheet: &mut Worksheet,
    contents: &Contents<'_>,
    tables: &[Table],
    dictionary: &Table,
    formats: &Formats,
) -> Result<(), XlsxError> {
    let (month, made) = (contents.month, contents.made);
    sheet.set_name("about")?;
    sheet.set_column_width(0, 26)?;
    sheet.set_column_width(1, 86)?;
    sheet.set_column_width(2, 10)?;
    sheet.set_screen_gridlines(false);
    sheet.set_paper_size(A4);
    sheet.set_print_fit_to_pages(1, 0);
    sheet.write_string_with_format(0, 0, super::html::title(month), &formats.title)?;
    sheet.write_string(1, 0, &month.name)?;
    let mut row = 3;
    if let Some(until) = month.until {
        let until = words::full_moment(until, &month.time_zone);
        let text = format!("The month is not over: up to {until}.");
        sheet.write_string_with_format(2, 0, text, &formats.heading)?;
        row += 1;
    }
    let about = [
        format!("{PAGE} is the same month to read; {DICTIONARY} and the last sheet say what each column means."),
        "An empty cell is not known. It is never nought.".to_owned(),
        "Times ending in _local are on the garden's own clock; an hour comes twice when the clock is put back. Times \
         ending in _utc are universal time and never come twice."
            .to_owned(),
        "Units stand at the end of a column's name: _mm millimetres, _c degrees Celsius, _m3_m3 cubic metres of water in \
         a cubic metre of soil, _l litres."
            .to_owned(),
        "The sheet log holds people's words. Read them before you pass this file on.".to_owned(),
    ];
    for text in about {
        sheet.merge_range(row, 0, row, 1, &text, &formats.wrapped)?;
        sheet.set_row_height(row, if text.chars().count() > 105 { 32 } else { 16 })?;
        row += 1;
    }
    row += 1;
    for (at, head) in (0..).zip(["Sheet", "One row for each ...", "Rows"]) {
        sheet.write_string_with_format(row, at, head, &formats.head)?;
    }
    let link = |sheet: &mut Worksheet, row, name: &str| {
        let to = format!("internal:'{name}'!A1");
        sheet.write_url_with_text(row, 0, to.as_str(), name).map(drop)
    };
    row += 1;
    link(sheet, row, sheet_summary::NAME)?;
    sheet.write_string(row, 1, "The month in short, to print on two pages.")?;
    row += 1;
    link(sheet, row, sheet_charts::NAME)?;
    sheet.write_string(row, 1, "Charts of the month, made from the other sheets.")?;
    for table in tables {
        row += 1;
        link(sheet, row, table.name)?;
        let mut about = table.about.to_owned();
        if table.rows.len() > ROWS_MAX {
            about.push_str(" The sheet is full; all rows are in the CSV file.");
        }
        sheet.write_string_with_format(row, 1, about, &formats.wrapped)?;
        sheet.write_number_with_format(row, 2, table.rows.len() as f64, &formats.whole)?;
    }
    row += 1;
    link(sheet, row, dictionary.name)?;
    sheet.write_string(row, 1, dictionary.about)?;
    row += 2;
    sheet.write_string_with_format(row, 0, "How this was made", &formats.heading)?;
    let length = month.to.duration_since(month.from);
    let days = (length + SignedDuration::from_hours(12)).as_hours() / 24;
    let facts = [
        ("Month", format!("{}, {days} days", words::month_name(month.which))),
        ("Clock", month.time_zone.iana_name().unwrap_or("UTC offset").to_owned()),
        ("Readings used", made.readings.to_string()),
        ("SHA-256 of the readings", made.fingerprints.readings.clone()),
        ("SHA-256 of the settings", made.fingerprints.settings.clone()),
        ("SHA-256 of log and alarms", made.fingerprints.told.clone()),
        ("Made by", format!("trug {}", made.version)),
        ("Command", made.command.clone()),
    ];
    for (name, value) in facts {
        row += 1;
        sheet.write_string(row, 0, name)?;
        sheet.write_string_with_format(row, 1, value, &formats.wrapped)?;
    }
    Ok(())
}

//! The first sheet of the spreadsheet: the month in short, printed on two pages.

use rust_xlsxwriter::{Chart, Format, FormatAlign, Worksheet, XlsxError};

use super::{Contents, csv, html, words};
use crate::analysis::month::Month;
use crate::text::locale::figures::{
    FAHRENHEIT_IN_CELSIUS, KILOGRAMS_IN_POUND, LITRES_IN_GALLON, MILLIMETRES_IN_INCH,
};

/// The sheet's name.
pub(super) const NAME: &str = "summary";
/// Beds and tanks that it lists: more would not fit its first page.
const BEDS_MOST: usize = 16;
const TANKS_MOST: usize = 5;
/// Charts of its second page, pixels.
const CHARTS_MOST: usize = 3;
const CHART_WIDTH: u32 = 740;
const CHART_HEIGHT: u32 = 320;
const CHART_ROWS: u32 = 17;
/// Columns: names, then figures; at this scale they fit the width of A4. Gallons take two more.
const COLUMNS: u16 = 8;
const SCALE: u16 = 85;
const CUSTOMARY_COLUMNS: u16 = 10;
const CUSTOMARY_SCALE: u16 = 72;

/// The formats that it is written in.
pub(super) struct SummaryFormats<'a> {
    pub(super) title: &'a Format,
    pub(super) heading: &'a Format,
    pub(super) head: &'a Format,
    pub(super) head_right: &'a Format,
    pub(super) text: &'a Format,
    pub(super) quoted: &'a Format,
    pub(super) wrapped: &'a Format,
    pub(super) whole: &'a Format,
    pub(super) tenths: &'a Format,
    pub(super) hundredths: &'a Format,
}

/// Writes text that no program runs.
fn text(
    sheet: &mut Worksheet,
    (row, at): (u32, u16),
    text: &str,
    formats: &SummaryFormats<'_>,
) -> Result<(), XlsxError> {
    let format = if csv::runs(text) { formats.quoted } else { formats.text };
    sheet.write_string_with_format(row, at, text, format).map(drop)
}

/// Writes a number, or that it is not known.
fn figure(
    sheet: &mut Worksheet,
    (row, at): (u32, u16),
    number: Option<f64>,
    format: &Format,
) -> Result<(), XlsxError> {
    match number.filter(|number| number.is_finite()) {
        Some(number) => sheet.write_number_with_format(row, at, number, format).map(drop),
        None => {
            let right = Format::new().set_align(FormatAlign::Right);
            sheet.write_string_with_format(row, at, words::NOT_KNOWN, &right).map(drop)
        }
    }
}

/// A sentence across the sheet.
fn sentence(
    sheet: &mut Worksheet,
    row: u32,
    text: &str,
    formats: &SummaryFormats<'_>,
) -> Result<(), XlsxError> {
    sheet.merge_range(row, 0, row, COLUMNS - 1, text, formats.wrapped)?;
    sheet.set_row_height(row, if text.chars().count() > 100 { 31 } else { 16 }).map(drop)
}

/// Fills the sheet: what is to be known of the month on the first page, charts on the second.
pub(super) fn sheet(
    sheet: &mut Worksheet,
    contents: &Contents<'_>,
    charts: Vec<Chart>,
    formats: &SummaryFormats<'_>,
) -> Result<(), XlsxError> {
    let month = contents.month;
    sheet.set_name(NAME)?;
    sheet.set_screen_gridlines(false);
    // Letter where people have it, A4 elsewhere: the numbers are the format's own.
    let (paper, columns, scale) =
        if customary(month) { (1, CUSTOMARY_COLUMNS, CUSTOMARY_SCALE) } else { (9, COLUMNS, SCALE) };
    sheet.set_paper_size(paper);
    sheet.set_print_scale(scale);
    sheet.set_margins(0.5, 0.5, 0.5, 0.6, 0.3, 0.3);
    sheet.set_footer("&L&A&RPage &P of &N");
    sheet.set_column_width(0, 26)?;
    for at in 1..columns {
        sheet.set_column_width(at, 11)?;
    }
    sheet.write_string_with_format(0, 0, html::title(month), formats.title)?;
    text(sheet, (1, 0), &month.name, formats)?;
    let mut row = 3;
    if let Some(until) = month.until {
        let until = words::full_moment(until, &month.time_zone);
        sentence(sheet, 2, &month.local.text(&format!("The month is not over: up to {until}.")), formats)?;
    }
    sheet.write_string_with_format(row, 0, "What to do now", formats.heading)?;
    for step in month.action.steps.iter().chain([&month.action.why]) {
        row += 1;
        sentence(sheet, row, &month.local.text(step), formats)?;
    }
    row = facts(sheet, month, row + 2, formats)?;
    row = beds(sheet, month, row + 2, formats)?;
    row = tanks(sheet, month, row + 2, formats)?;
    row += 1;
    sheet.set_page_breaks(&[row])?;
    for chart in charts.into_iter().take(CHARTS_MOST) {
        let mut chart = chart;
        chart.set_width(CHART_WIDTH).set_height(CHART_HEIGHT);
        sheet.insert_chart(row, 0, &chart)?;
        row += CHART_ROWS;
    }
    sheet.set_print_area(0, 0, row, columns - 1)?;
    Ok(())
}

/// Whether gallons, inches and degrees Fahrenheit stand beside SI units.
fn customary(month: &Month) -> bool {
    month.local.locale().has_customary_units()
}

fn facts(
    sheet: &mut Worksheet,
    month: &Month,
    mut row: u32,
    formats: &SummaryFormats<'_>,
) -> Result<u32, XlsxError> {
    sheet.write_string_with_format(row, 0, "In short", formats.heading)?;
    let rain = month.rain.as_ref().map(|rain| rain.total_mm);
    let harvest = month.harvest_kg();
    let numbers = [
        ("Rain, mm", rain, formats.tenths, false),
        ("Rain, in", rain.map(|mm| mm / MILLIMETRES_IN_INCH), formats.hundredths, true),
        ("Harvest, kg", Some(harvest), formats.tenths, false),
        ("Harvest, lb", Some(harvest / KILOGRAMS_IN_POUND), formats.tenths, true),
    ];
    let shown = numbers.into_iter().filter(|it| customary(month) || !it.3);
    for (name, number, format, _) in shown {
        row += 1;
        sheet.write_string(row, 0, name)?;
        figure(sheet, (row, 1), number, format)?;
    }
    row += 1;
    sheet.write_string(row, 0, "Good readings")?;
    sheet.write_string(row, 1, html::readings_in_short(month))?;
    if let Some(it) = month.comparisons.first() {
        row += 1;
        sentence(sheet, row, &month.local.text(&it.plain), formats)?;
    }
    Ok(row)
}

fn beds(
    sheet: &mut Worksheet,
    month: &Month,
    mut row: u32,
    formats: &SummaryFormats<'_>,
) -> Result<u32, XlsxError> {
    if month.beds.is_empty() {
        sheet.write_string(row, 0, "This garden has no beds in its file.")?;
        return Ok(row);
    }
    let heads =
        ["Bed", "Area, m²", "Known days", "Dry days", "Moist days", "Wet days", "Needed, L", "Got, L"];
    let gallons: &[&str] = if customary(month) { &["Needed, gal", "Got, gal"] } else { &[] };
    for (at, head) in (0..).zip(heads.iter().chain(gallons).copied()) {
        let format = if at == 0 { formats.head } else { formats.head_right };
        sheet.write_string_with_format(row, at, head, format)?;
    }
    for bed in month.beds.iter().take(BEDS_MOST) {
        row += 1;
        let [_, _, moist, wet] = bed.days_in_bands().map(|band| f64::from(band.1));
        text(sheet, (row, 0), &bed.name, formats)?;
        figure(sheet, (row, 1), Some(bed.area_m2), formats.tenths)?;
        let days = [f64::from(bed.known_days()), f64::from(bed.dry_days()), moist, wet];
        for (at, days) in (2..).zip(days) {
            figure(sheet, (row, at), Some(days), formats.whole)?;
        }
        let litres = |mm: Option<f64>| mm.map(|mm| mm * bed.area_m2);
        let litres = [litres(bed.need_mm), litres(bed.got_mm)];
        let gallons = litres.map(|litres| litres.map(|litres| litres / LITRES_IN_GALLON));
        let gallons = gallons.into_iter().filter(|_| customary(month));
        for (at, water) in (6..).zip(litres.into_iter().chain(gallons)) {
            figure(sheet, (row, at), water, formats.whole)?;
        }
    }
    row += 1;
    let note = match month.beds.len().saturating_sub(BEDS_MOST) {
        0 => "Needed and got: only days of which both are known.".to_owned(),
        more => format!("{more} more beds are in the sheet beds_daily."),
    };
    sheet.write_string(row, 0, note)?;
    Ok(row)
}

fn tanks(
    sheet: &mut Worksheet,
    month: &Month,
    mut row: u32,
    formats: &SummaryFormats<'_>,
) -> Result<u32, XlsxError> {
    if month.tanks.is_empty() {
        return Ok(row);
    }
    let heads = ["Tank", "Known, h", "Too warm, h", "Too cold, h", "Swing, °C"];
    let fahrenheit: &[&str] = if customary(month) { &["Swing, °F"] } else { &[] };
    for (at, head) in (0..).zip(heads.iter().chain(fahrenheit).copied()) {
        let format = if at == 0 { formats.head } else { formats.head_right };
        sheet.write_string_with_format(row, at, head, format)?;
    }
    for tank in month.tanks.iter().take(TANKS_MOST) {
        row += 1;
        let sum = |pick: fn(&crate::analysis::month::TankDay) -> u32| -> f64 {
            f64::from(tank.days.iter().map(pick).sum::<u32>())
        };
        text(sheet, (row, 0), &tank.name, formats)?;
        let hours = [sum(|day| day.hours_known), sum(|day| day.hours_warm), sum(|day| day.hours_cold)];
        for (at, hours) in (1..).zip(hours) {
            figure(sheet, (row, at), Some(hours), formats.whole)?;
        }
        let swing = tank.widest.map(|it| it.1);
        figure(sheet, (row, 4), swing, formats.tenths)?;
        if customary(month) {
            figure(sheet, (row, 5), swing.map(|it| it * FAHRENHEIT_IN_CELSIUS), formats.tenths)?;
        }
    }
    Ok(row)
}

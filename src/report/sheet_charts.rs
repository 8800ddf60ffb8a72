//! Charts that a spreadsheet program draws from the sheets beside them.

use rust_xlsxwriter::{
    Chart, ChartAxis, ChartEmptyCells, ChartFont, ChartFormat, ChartLegendPosition, ChartLine,
    ChartLineDashType, ChartSeries, ChartType, Format, Worksheet, XlsxError,
};

use super::Contents;
use super::table::{Cell, Table};

/// The sheet's name.
pub(super) const NAME: &str = "charts";

/// Pixels.
const CHART_WIDTH: u32 = 900;
const CHART_HEIGHT: u32 = 330;
/// Rows of the sheet that a chart takes, of 20 pixels each, and one between.
const CHART_ROWS: u32 = 17;

/// Dashes that tell lines apart in black and white.
const DASHES: [ChartLineDashType; 4] = [
    ChartLineDashType::Solid,
    ChartLineDashType::Dash,
    ChartLineDashType::RoundDot,
    ChartLineDashType::LongDashDot,
];

/// Rows of one place within a table: the first and the last, the header being row 0.
type PlaceRows = (String, u32, u32);

/// Fills the sheet with charts of rain, beds and tanks.
pub(super) fn sheet(
    sheet: &mut Worksheet,
    contents: &Contents<'_>,
    tables: &[Table],
    title: &Format,
) -> Result<(), XlsxError> {
    sheet.set_name(NAME)?;
    sheet.set_screen_gridlines(false);
    sheet.set_paper_size(9);
    sheet.set_print_fit_to_pages(1, 0);
    sheet.write_string_with_format(0, 0, super::html::title(contents.month), title)?;
    let mut row = 2;
    for mut chart in charts(tables) {
        chart.set_width(CHART_WIDTH).set_height(CHART_HEIGHT);
        sheet.insert_chart(row, 0, &chart)?;
        row += CHART_ROWS;
    }
    if row == 2 {
        sheet.write_string(2, 0, "There is nothing to draw.")?;
    }
    Ok(())
}

/// A chart of the beds, one of the rain, and one of each tank, as far as there are figures.
pub(super) fn charts(tables: &[Table]) -> Vec<Chart> {
    let table = |name: &str| tables.iter().find(|table| table.name == name && !table.rows.is_empty());
    let mut charts = Vec::new();
    if let Some(beds) = table("beds_daily") {
        let (water, names) = (at(beds, "water_content_m3_m3"), places(beds, "bed_name"));
        let title = "Water in the beds, each day's mean";
        charts.push(lines(title, "m3/m3", "0.00", beds, &names, &[(water, "")]));
    }
    if let Some(rain) = table("rain_days") {
        let mut chart = Chart::new(ChartType::Column);
        titled(&mut chart, "Rain of each rain day, 9 am to 9 am", "mm", "0");
        let last = u32::try_from(rain.rows.len()).unwrap_or(u32::MAX);
        chart
            .add_series()
            .set_categories((rain.name, 1, 0, last, 0))
            .set_values((rain.name, 1, at(rain, "rain_mm"), last, at(rain, "rain_mm")))
            .set_name("rain")
            .set_gap(40);
        chart.legend().set_hidden();
        charts.push(chart);
    }
    if let Some(tanks) = table("tanks_daily") {
        for tank in places(tanks, "tank_name") {
            let columns = [
                (at(tanks, "max_c"), "warmest"),
                (at(tanks, "mean_c"), "mean"),
                (at(tanks, "min_c"), "coldest"),
            ];
            let title = format!("Water of {}, day by day", tank.0);
            let least = least(tanks, at(tanks, "min_c"), &tank);
            let mut chart = lines(&title, "°C", "0", tanks, &[tank], &columns);
            if let Some(least) = least {
                chart.y_axis().set_min((least - 1.0).floor());
            }
            charts.push(chart);
        }
    }
    charts
}

/// The number of a column; the first where there is none of that name.
fn at(table: &Table, name: &str) -> u16 {
    let at = table.columns.iter().position(|column| column.name == name).unwrap_or(0);
    u16::try_from(at).unwrap_or(0)
}

/// The least number of a column among the rows of a place.
fn least(table: &Table, column: u16, (_, first, last): &PlaceRows) -> Option<f64> {
    let rows = table.rows.get(*first as usize - 1..*last as usize)?;
    let numbers = rows.iter().filter_map(|row| match row.get(usize::from(column)) {
        Some(Cell::Number(number)) => Some(*number),
        _ => None,
    });
    numbers.min_by(f64::total_cmp)
}

/// The rows of each place; those of a place stand together.
fn places(table: &Table, column: &str) -> Vec<PlaceRows> {
    let at = usize::from(at(table, column));
    let mut found: Vec<PlaceRows> = Vec::new();
    for (row, cells) in (1_u32..).zip(&table.rows) {
        let name = if let Cell::Text(text) = &cells[at] { text.as_str() } else { "" };
        match found.last_mut() {
            Some((last, _, end)) if last == name => *end = row,
            _ => found.push((name.to_owned(), row, row)),
        }
    }
    found
}

/// A line for each place and column over the days in the first column.
fn lines(
    title: &str,
    unit: &str,
    form: &str,
    table: &Table,
    places: &[PlaceRows],
    columns: &[(u16, &str)],
) -> Chart {
    let mut chart = Chart::new(ChartType::Line);
    titled(&mut chart, title, unit, form);
    let all = places.iter().flat_map(|place| columns.iter().map(move |column| (place, column)));
    for (((name, first, last), (column, word)), dash) in all.zip(DASHES.into_iter().cycle()) {
        let mut series = ChartSeries::new();
        series
            .set_categories((table.name, *first, 0, *last, 0))
            .set_values((table.name, *first, *column, *last, *column))
            .set_name(if word.is_empty() { name.as_str() } else { word })
            .set_format(ChartFormat::new().set_line(ChartLine::new().set_width(2.0).set_dash_type(dash)));
        chart.push_series(&series);
    }
    chart.legend().set_position(ChartLegendPosition::Bottom);
    chart
}

fn titled(chart: &mut Chart, title: &str, unit: &str, form: &str) {
    chart.title().set_name(title).set_font(ChartFont::new().set_size(13));
    chart.set_alt_text(title);
    // Gaps are shown as gaps.
    chart.show_empty_cells_as(ChartEmptyCells::Gaps);
    let days: &mut ChartAxis = chart.x_axis();
    days.set_date_axis(true).set_num_format("d mmm").set_major_unit(3);
    chart.y_axis().set_name(unit).set_num_format(form);
}

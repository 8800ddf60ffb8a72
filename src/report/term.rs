//! A term or a year as files: a page to read, a spreadsheet, and plain tables.

use jiff::Timestamp;

use super::html;
use super::level::Level;
use super::pages::ReportPage;
use super::table::CellKind::{Number, Text, Whole};
use super::table::{Describe, Table};
use super::{DICTIONARY, ReportError, ReportFile, csv, dictionary, sheet, words};
use crate::analysis::month::{Term, TermBed, TermFigures, TermMonth, TermWater};

/// The spreadsheet.
pub const TERM_SPREADSHEET: &str = "term.xlsx";
/// The tables.
pub const TERM_TABLES: [&str; 3] = ["term_beds", "term_months", "term_beds_by_month"];

/// What the files of a term are made of.
#[derive(Clone, Copy, Debug)]
pub struct TermContents<'a> {
    pub term: &'a Term,
    /// For whom the first page is.
    pub level: Level,
    /// The command that makes the files again, and Trug's version.
    pub command: &'a str,
    pub version: &'a str,
}

/// Whether a term's files have one of this name that a month's have not.
pub(super) fn has_file(name: &str) -> bool {
    name == TERM_SPREADSHEET || name.strip_suffix(".csv").is_some_and(|table| TERM_TABLES.contains(&table))
}

/// The names of a term's files, for its first page of a level.
pub fn names(level: Level) -> Vec<String> {
    let pages = Level::ALL.map(|of| ReportPage::Lesson(of).file(level));
    let tables = TERM_TABLES.map(|name| format!("{name}.csv"));
    let rest = [TERM_SPREADSHEET.to_owned(), DICTIONARY.to_owned()];
    pages.into_iter().chain(rest).chain(tables).collect()
}

/// "The garden in 2026", "The garden from 28 April to 3 July 2026".
pub fn title(term: &Term) -> String {
    let (first, last) = (term.first, term.last);
    let whole_year = first.year() == last.year()
        && (first.month(), first.day()) == (1, 1)
        && (last.month(), last.day()) == (12, 31);
    if whole_year {
        return format!("The garden in {}", last.year());
    }
    let day =
        |date: jiff::civil::Date| format!("{} {}", date.day(), crate::text::spoken::month(date.month()));
    let year = if first.year() == last.year() { String::new() } else { format!(" {}", first.year()) };
    format!("The garden from {}{year} to {} {}", day(first), day(last), last.year())
}

/// Makes every file, the first page first.
///
/// # Errors
///
/// When a file cannot be put together.
pub fn files(contents: &TermContents<'_>) -> Result<Vec<ReportFile>, ReportError> {
    let term = contents.term;
    let tables = [beds(term), months(term), beds_by_month(term)];
    let dictionary = dictionary::dictionary(&tables);
    let file = |name: String, media, bytes| ReportFile { name, media, bytes };
    let mut files: Vec<ReportFile> = Level::ALL
        .into_iter()
        .map(|level| {
            let bytes = html::term_document(contents, level).into_string().into_bytes();
            file(ReportPage::Lesson(level).file(contents.level), "text/html; charset=utf-8", bytes)
        })
        .collect();
    files.sort_by_key(|file| file.name != super::PAGE);
    let end = term.until.unwrap_or_else(|| end_of(term));
    let xlsx = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";
    let book = sheet::tables_alone((&title(term), &term.name), (&tables, &dictionary), end, &term.time_zone)?;
    files.push(file(TERM_SPREADSHEET.to_owned(), xlsx, book));
    for table in std::iter::once(&dictionary).chain(&tables) {
        let bytes = csv::bytes(table, &term.time_zone)?;
        files.push(file(format!("{}.csv", table.name), "text/csv; charset=utf-8; header=present", bytes));
    }
    Ok(files)
}

/// The first moment after a term.
fn end_of(term: &Term) -> Timestamp {
    let after = term.last.tomorrow().unwrap_or(term.last);
    term.time_zone.to_timestamp(after.at(0, 0, 0, 0)).unwrap_or(Timestamp::UNIX_EPOCH)
}

const RECORD: &str = "readings, garden log, water meters and the timer's program";
const NOT_GIVEN: &str = "the litres of some watering are not known";
const NOT_NEEDED: &str = "on no day are weather, rain and waterings all known";

/// The columns of a bed's figures: `figures` and the bed's square metres of a row.
fn of_figures<'a, R: Copy + 'a>(
    table: Describe<'a, R>,
    figures: impl Fn(R) -> (&'a TermFigures, f64) + Copy + 'a,
) -> Describe<'a, R> {
    let litres = move |row: R, mm: fn(&TermWater) -> Option<f64>| {
        let (figures, area_m2) = figures(row);
        mm(&figures.water).map(|mm| mm * area_m2)
    };
    table
        .column("days", "d", Whole, move |row| figures(row).0.water.days)
        .means("days that have passed", "the calendar")
        .column("days_water_known", "d", Whole, move |row| figures(row).0.water.days_known)
        .means("days on which need, rain and waterings are all known: the litres are of these", RECORD)
        .column("given_l", "L", Number(0), move |row| litres(row, |water| water.given_mm))
        .means("water that was given, by log, meter or the timer's program", RECORD)
        .or_empty(NOT_GIVEN)
        .column("needed_l", "L", Number(0), move |row| litres(row, needed_mm))
        .means("water that the plants needed besides the rain", "the weather and the crop (FAO-56)")
        .or_empty(NOT_NEEDED)
        .column("dry_days", "d", Whole, move |row| figures(row).0.dry_days())
        .means("known days below the refill point", RECORD)
        .column("moist_days", "d", Whole, move |row| figures(row).0.bands[2].1)
        .means("known days between refill point and field capacity", RECORD)
        .column("wet_days", "d", Whole, move |row| figures(row).0.bands[3].1)
        .means("known days above field capacity", RECORD)
        .column("harvest_kg", "kg", Number(2), move |row| figures(row).0.harvest_kg)
        .means("what was harvested of the bed, by the log", "the garden's log")
}

/// What the plants needed besides the rain, mm; `None` where no day is known.
pub(super) fn needed_mm(water: &TermWater) -> Option<f64> {
    (water.days_known > 0).then(|| water.wanted_mm())
}

/// The need of a month's beds to be put beside what was given, litres: of the beds of which that
/// is known; of all where it is known of none.
pub(super) fn needed_beside_given_l(month: &TermMonth, beds: &[TermBed]) -> Option<f64> {
    let any = month.beds.iter().any(|bed| bed.water.given_mm.is_some());
    month.litres(beds, |water| needed_mm(water).filter(|_| !any || water.given_mm.is_some()))
}

/// What the timer gave less than by its first program, litres, where it was changed.
pub(super) fn saved_l(water: &TermWater) -> Option<f64> {
    water.timer_saved_l.filter(|_| water.timer_changed)
}

fn beds(term: &Term) -> Table {
    let table = Describe::<&TermBed>::new("term_beds", "Each bed over the whole time.")
        .column("bed", "", Text, |bed| bed.id.as_str())
        .means("the bed's id", "the garden's settings")
        .column("bed_name", "", Text, |bed| bed.name.as_str())
        .means("its name", "the garden's settings");
    of_figures(table, |bed: &TermBed| (&bed.figures, bed.area_m2))
        .column("saved_l", "L", Number(0), |bed| saved_l(&bed.figures.water))
        .means("what its timer gave less than by its program of the first day", "the timer's programs")
        .or_empty("the bed has no timer, or it was not changed")
        .rows(&term.beds)
}

fn months(term: &Term) -> Table {
    let litres = |month: &TermMonth, mm: fn(&TermWater) -> Option<f64>| month.litres(&term.beds, mm);
    Describe::<&TermMonth>::new("term_months", "Each month, all beds together.")
        .column("month", "", Text, |month| words::month_name(month.which))
        .means("the month, of its days that belong to the time", "the calendar")
        .column("rain_mm", "mm", Number(1), |month| month.rain_mm)
        .means("rain of its rain days; at least so much where days are not known", "the rain gauge")
        .or_empty("nothing is known of the rain")
        .column("rain_days_unknown", "d", Whole, |month| month.rain_unknown)
        .means("rain days of which not all is known", "the rain gauge")
        .column("given_l", "L", Number(0), move |month| litres(month, |water| water.given_mm))
        .means("water given to the beds of which it is known", RECORD)
        .or_empty(NOT_GIVEN)
        .column("needed_l", "L", Number(0), move |month| needed_beside_given_l(month, &term.beds))
        .means(
            "water that plants needed besides the rain, of the beds in given_l; of all where that is empty",
            RECORD,
        )
        .or_empty(NOT_NEEDED)
        .column("dry_days", "d", Whole, TermMonth::dry_days)
        .means("dry days of all beds together", RECORD)
        .or_empty("no day of any bed is known")
        .column("harvest_kg", "kg", Number(2), |month| month.harvest_kg)
        .means("what was harvested in the garden, by the log", "the garden's log")
        .rows(&term.months)
}

fn beds_by_month(term: &Term) -> Table {
    type Row<'a> = (&'a TermMonth, &'a TermBed, &'a TermFigures);
    let rows: Vec<Row<'_>> = term
        .months
        .iter()
        .flat_map(|month| term.beds.iter().zip(&month.beds).map(move |(bed, figures)| (month, bed, figures)))
        .collect();
    let table = Describe::<Row<'_>>::new("term_beds_by_month", "Each bed in each month.")
        .column("month", "", Text, |(month, ..)| words::month_name(month.which))
        .means("the month, of its days that belong to the time", "the calendar")
        .column("bed", "", Text, |(_, bed, _)| bed.id.as_str())
        .means("the bed's id", "the garden's settings")
        .column("bed_name", "", Text, |(_, bed, _)| bed.name.as_str())
        .means("its name", "the garden's settings");
    of_figures(table, |(_, bed, figures): Row<'_>| (figures, bed.area_m2)).rows(rows)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::month::WaterBand;
    use crate::model::{CalendarMonth, Id};

    /// Litres given to one bed are not put beside what two beds needed.
    #[test]
    fn given_and_needed_are_of_the_same_beds() {
        let figures = |given_mm, need_mm| TermFigures {
            water: TermWater {
                days: 30,
                days_known: 10,
                need_mm,
                rain_mm: 5.0,
                given_mm,
                unknown: None,
                timer_saved_l: None,
                timer_changed: false,
            },
            bands: WaterBand::ALL.map(|band| (band, 0)),
            harvest_kg: 0.0,
        };
        let bed = |id: &str, area_m2| TermBed {
            id: Id::new(id),
            name: id.to_owned(),
            area_m2,
            figures: figures(None, 0.0),
        };
        let beds = [bed("a", 2.0), bed("b", 3.0)];
        let month = |given_mm| TermMonth {
            which: CalendarMonth { year: 2026, month: 4 },
            rain_mm: None,
            rain_unknown: 0,
            harvest_kg: 0.0,
            beds: vec![figures(given_mm, 20.0), figures(None, 40.0)],
        };
        // 15 mm on 2 m²; and 35 mm on 3 m² beside it where nothing is known of what was given.
        assert_eq!(needed_beside_given_l(&month(Some(10.0)), &beds), Some(30.0));
        assert_eq!(needed_beside_given_l(&month(None), &beds), Some(135.0));
    }
}

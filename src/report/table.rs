//! Tables of figures, before they become a sheet or a file.
//!
//! Each table is described once: [`Describe`] takes column after column, with its name,
//! unit and decimals, what it means, where it is from, and how its cell comes from what
//! a row is made of. The CSV file, the sheet and the dictionary follow from that.

use std::borrow::Cow;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// A table: one row for each thing of one kind.
#[derive(Clone, Debug)]
pub struct Table {
    /// The file's name without its ending, and the sheet's: at most 31 letters.
    pub name: &'static str,
    /// What one row is.
    pub about: &'static str,
    pub columns: Vec<Column>,
    /// Each as long as `columns`.
    pub rows: Vec<Vec<Cell>>,
}

/// One column.
#[derive(Clone, Debug)]
pub struct Column {
    /// Lower case, words joined by `_`, the unit at the end.
    pub name: Cow<'static, str>,
    /// As people write it; empty where there is none.
    pub unit: &'static str,
    pub kind: CellKind,
    pub meaning: Cow<'static, str>,
    /// Why a cell is empty; empty text where none ever is.
    pub missing: &'static str,
    /// Where its figures come from.
    pub from: &'static str,
}

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CellKind {
    Text,
    /// A count.
    Whole,
    /// A number, shown with so many digits behind the point.
    Number(usize),
    /// A day of the site's calendar.
    Date,
    /// A moment on the site's clock.
    Local,
    /// The same moment in universal time.
    Utc,
}

/// One figure.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Not known.
    Empty,
    Text(String),
    Whole(i64),
    Number(f64),
    Date(Date),
    Moment(Timestamp),
}

/// Numbers are kept to a millionth: far finer than any sensor, and free of the last
/// digits that binary arithmetic adds.
const KEPT: f64 = 1e6;

/// A number that is not finite leaves its cell empty.
impl From<f64> for Cell {
    fn from(number: f64) -> Self {
        // Adding zero makes minus zero zero.
        if number.is_finite() { Self::Number((number * KEPT).round() / KEPT + 0.0) } else { Self::Empty }
    }
}

/// Control characters become spaces; an empty text leaves its cell empty.
impl From<&str> for Cell {
    fn from(text: &str) -> Self {
        let text: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        if text.is_empty() { Self::Empty } else { Self::Text(text) }
    }
}

impl From<String> for Cell {
    fn from(text: String) -> Self {
        text.as_str().into()
    }
}

impl From<bool> for Cell {
    fn from(it: bool) -> Self {
        if it { "yes" } else { "no" }.into()
    }
}

impl From<u32> for Cell {
    fn from(count: u32) -> Self {
        Self::Whole(count.into())
    }
}

impl From<usize> for Cell {
    fn from(count: usize) -> Self {
        Self::Whole(i64::try_from(count).unwrap_or(i64::MAX))
    }
}

impl From<Date> for Cell {
    fn from(date: Date) -> Self {
        Self::Date(date)
    }
}

impl From<Timestamp> for Cell {
    fn from(at: Timestamp) -> Self {
        Self::Moment(at)
    }
}

impl<T: Into<Self>> From<Option<T>> for Cell {
    fn from(it: Option<T>) -> Self {
        it.map_or(Self::Empty, Into::into)
    }
}

/// A cell as a plain file has it: numbers with a point, `2026-04-05`, `2026-04-05
/// 02:30:00` on the site's clock, `2026-04-04T16:00:00Z` in universal time; empty where
/// it is not known.
pub fn written(cell: &Cell, kind: CellKind, zone: &TimeZone) -> String {
    match cell {
        Cell::Empty => String::new(),
        Cell::Text(text) => text.clone(),
        Cell::Whole(count) => count.to_string(),
        Cell::Number(number) => number.to_string(),
        Cell::Date(date) => date.to_string(),
        Cell::Moment(at) => match kind {
            CellKind::Local => zone.to_datetime(*at).strftime("%Y-%m-%d %H:%M:%S").to_string(),
            _ => at.strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
        },
    }
}

/// A table as it is described: its columns, each with how a cell comes from what a row
/// is made of.
pub(super) struct Describe<'a, R> {
    name: &'static str,
    about: &'static str,
    columns: Vec<Column>,
    cells: Vec<Box<dyn Fn(R) -> Cell + 'a>>,
    /// The first of the columns that were added last.
    last: usize,
}

impl<'a, R: Copy + 'a> Describe<'a, R> {
    pub(super) fn new(name: &'static str, about: &'static str) -> Self {
        Self { name, about, columns: Vec::new(), cells: Vec::new(), last: 0 }
    }

    pub(super) fn column<C: Into<Cell>>(
        mut self,
        name: impl Into<Cow<'static, str>>,
        unit: &'static str,
        kind: CellKind,
        cell: impl Fn(R) -> C + 'a,
    ) -> Self {
        self.last = self.columns.len();
        let meaning = Cow::Borrowed("");
        self.columns.push(Column { name: name.into(), unit, kind, meaning, missing: "", from: "" });
        self.cells.push(Box::new(move |row| cell(row).into()));
        self
    }

    /// A moment's two columns, on the site's clock and in universal time.
    pub(super) fn moment<C: Into<Cell>>(self, name: &str, cell: impl Fn(R) -> C + Copy + 'a) -> Self {
        let first = self.columns.len();
        let both = self.column(format!("{name}_local"), "", CellKind::Local, cell);
        Self { last: first, ..both.column(format!("{name}_utc"), "", CellKind::Utc, cell) }
    }

    /// Says what the column means and where its figures come from.
    pub(super) fn means(mut self, meaning: &'static str, from: &'static str) -> Self {
        for column in &mut self.columns[self.last..] {
            column.from = from;
            column.meaning = match column.kind {
                CellKind::Local => format!("{meaning}, on the garden's clock").into(),
                CellKind::Utc => format!("{meaning}, in universal time").into(),
                _ => meaning.into(),
            };
        }
        self
    }

    /// Says why a cell of the column may be empty.
    pub(super) fn or_empty(mut self, missing: &'static str) -> Self {
        for column in &mut self.columns[self.last..] {
            column.missing = missing;
        }
        self
    }

    /// Adds columns that several tables share.
    pub(super) fn with(self, columns: impl FnOnce(Self) -> Self) -> Self {
        columns(self)
    }

    /// The table of these rows.
    pub(super) fn rows(self, rows: impl IntoIterator<Item = R>) -> Table {
        let row = |it: R| self.cells.iter().map(|cell| cell(it)).collect();
        Table {
            name: self.name,
            about: self.about,
            rows: rows.into_iter().map(row).collect(),
            columns: self.columns,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_free_of_binary_dust_and_never_nonsense() {
        assert_eq!(Cell::from(0.1 + 0.2), Cell::Number(0.3));
        assert_eq!(Cell::from(f64::NAN), Cell::Empty);
        assert_eq!(Cell::from(f64::INFINITY), Cell::Empty);
        assert_eq!(Cell::from(None::<f64>), Cell::Empty);
        let zone = TimeZone::UTC;
        assert_eq!(written(&Cell::from(-0.000_000_01), CellKind::Number(2), &zone), "0");
        assert_eq!(written(&Cell::from(1e300), CellKind::Number(2), &zone), 1e300.to_string());
    }

    /// Clocks in Adelaide went back on 5 April 2026 (IANA time zone database): the
    /// local half past two came twice.
    #[test]
    fn a_time_that_comes_twice_is_told_apart_in_universal_time() {
        let zone = TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database");
        let both = ["2026-04-04T16:00:00Z", "2026-04-04T17:00:00Z"].map(|at| {
            let cell = Cell::Moment(at.parse().expect("a time"));
            [CellKind::Local, CellKind::Utc].map(|kind| written(&cell, kind, &zone))
        });
        assert_eq!(both[0], ["2026-04-05 02:30:00", "2026-04-04T16:00:00Z"]);
        assert_eq!(both[1], ["2026-04-05 02:30:00", "2026-04-04T17:00:00Z"]);
    }
}

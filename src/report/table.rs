//! Tables of figures, before they become a sheet or a file.

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
    pub kind: Kind,
    pub meaning: Cow<'static, str>,
    /// Why a cell is empty; empty text where none ever is.
    pub missing: &'static str,
    /// Where its figures come from.
    pub from: &'static str,
}

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
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
/// digits that only come of binary arithmetic.
const KEPT: f64 = 1e6;

impl Cell {
    /// A number; empty where it is none or not finite.
    pub(super) fn number(number: impl Into<Option<f64>>) -> Self {
        match number.into() {
            // Adding zero makes minus nought nought.
            Some(number) if number.is_finite() => Self::Number((number * KEPT).round() / KEPT + 0.0),
            _ => Self::Empty,
        }
    }

    pub(super) fn whole(count: impl Into<i64>) -> Self {
        Self::Whole(count.into())
    }

    /// A text without control characters; empty where there is none.
    pub(super) fn text(text: impl AsRef<str>) -> Self {
        let text: String = text.as_ref().chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        if text.is_empty() { Self::Empty } else { Self::Text(text) }
    }

    pub(super) fn moment(at: impl Into<Option<Timestamp>>) -> Self {
        at.into().map_or(Self::Empty, Self::Moment)
    }
}

/// A cell as a plain file has it: numbers with a point, `2026-04-05`, `2026-04-05
/// 02:30:00` on the site's clock, `2026-04-04T16:00:00Z` in universal time; empty where
/// it is not known.
pub fn written(cell: &Cell, kind: Kind, zone: &TimeZone) -> String {
    match cell {
        Cell::Empty => String::new(),
        Cell::Text(text) => text.clone(),
        Cell::Whole(count) => count.to_string(),
        Cell::Number(number) => number.to_string(),
        Cell::Date(date) => date.to_string(),
        Cell::Moment(at) => match kind {
            Kind::Local => zone.to_datetime(*at).strftime("%Y-%m-%d %H:%M:%S").to_string(),
            _ => at.strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
        },
    }
}

/// A column without a missing value, to be filled in by the methods below.
pub(super) fn column(
    name: impl Into<Cow<'static, str>>,
    unit: &'static str,
    kind: Kind,
    meaning: impl Into<Cow<'static, str>>,
    from: &'static str,
) -> Column {
    Column { name: name.into(), unit, kind, meaning: meaning.into(), missing: "", from }
}

impl Column {
    /// Says why a cell may be empty.
    pub(super) fn or_empty(mut self, missing: &'static str) -> Self {
        self.missing = missing;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_free_of_binary_dust_and_never_nonsense() {
        assert_eq!(Cell::number(0.1 + 0.2), Cell::Number(0.3));
        assert_eq!(Cell::number(f64::NAN), Cell::Empty);
        assert_eq!(Cell::number(f64::INFINITY), Cell::Empty);
        assert_eq!(Cell::number(None), Cell::Empty);
        let zone = TimeZone::UTC;
        assert_eq!(written(&Cell::number(-0.000_000_01), Kind::Number(2), &zone), "0");
        assert_eq!(written(&Cell::number(1e300), Kind::Number(2), &zone), 1e300.to_string());
    }

    /// Clocks in Adelaide went back on 5 April 2026 (IANA time zone database): the
    /// local half past two came twice.
    #[test]
    fn a_time_that_comes_twice_is_told_apart_in_universal_time() {
        let zone = TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database");
        let both = ["2026-04-04T16:00:00Z", "2026-04-04T17:00:00Z"].map(|at| {
            let cell = Cell::Moment(at.parse().expect("a time"));
            [Kind::Local, Kind::Utc].map(|kind| written(&cell, kind, &zone))
        });
        assert_eq!(both[0], ["2026-04-05 02:30:00", "2026-04-04T16:00:00Z"]);
        assert_eq!(both[1], ["2026-04-05 02:30:00", "2026-04-04T17:00:00Z"]);
    }
}

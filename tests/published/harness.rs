//! Reading a table of published values, and holding our own against it.

use std::collections::BTreeMap;
use std::fmt;

use serde_json::Value as Json;

/// The rows of a table of `tests/published/`.
pub(crate) fn table(name: &str) -> Vec<Row> {
    let path = format!("{}/tests/published/{name}", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::Reader::from_path(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let rows: Vec<Row> = reader.deserialize().map(|row| Row(row.unwrap())).collect();
    assert!(!rows.is_empty(), "{path} is empty");
    rows
}

/// A row as header and cell. Its column `source` says where it is from.
#[derive(Clone, Debug)]
pub(crate) struct Row(BTreeMap<String, String>);

impl Row {
    pub(crate) fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column} in {:?}", self.0))
    }

    pub(crate) fn number(&self, column: &str) -> f64 {
        self.text(column).parse().unwrap_or_else(|e| panic!("{column} of {:?}: {e}", self.0))
    }

    /// The number of a cell; `None` where it is empty.
    pub(crate) fn maybe(&self, column: &str) -> Option<f64> {
        (!self.text(column).is_empty()).then(|| self.number(column))
    }

    pub(crate) fn json(&self, column: &str) -> Json {
        serde_json::from_str(self.text(column)).unwrap_or_else(|e| panic!("{column} of {:?}: {e}", self.0))
    }

    /// Half a unit in the last digit that is printed.
    pub(crate) fn tolerance(&self, column: &str) -> f64 {
        let decimals = self.text(column).split_once('.').map_or(0, |(_, d)| d.len());
        0.5 * 10_f64.powi(-i32::try_from(decimals).unwrap())
    }
}

/// What was checked against one table, and how it went.
pub(crate) struct Checks {
    pub(crate) table: &'static str,
    sources: BTreeMap<String, usize>,
    /// The check that came nearest to its tolerance, or farthest beyond it.
    worst: Option<Worst>,
    faults: Vec<String>,
}

#[derive(Clone, Copy)]
struct Worst {
    error: f64,
    tolerance: f64,
}

impl Worst {
    /// Exact checks count as nothing when they hold and as endless when not.
    fn part(self) -> f64 {
        if self.error > 0.0 { self.error / self.tolerance } else { 0.0 }
    }
}

impl Checks {
    pub(crate) fn of(table: &'static str) -> Self {
        Self { table, sources: BTreeMap::new(), worst: None, faults: Vec::new() }
    }

    /// `got` is within `tolerance` of `expected`, both in the row's own unit.
    pub(crate) fn near(&mut self, row: &Row, what: &str, got: f64, expected: f64, tolerance: f64) {
        let now = Worst { error: (got - expected).abs(), tolerance };
        // Rounding of binary numbers is no error of ours: 0.15 - 0.1 is not 0.05.
        if now.error.is_nan() || now.error > tolerance + 1e-12 * expected.abs() {
            self.faults.push(format!(
                "{}: {what}: got {got}, printed {expected}, tolerance {tolerance} ({})",
                self.table,
                row.text("source")
            ));
        }
        if self.worst.is_none_or(|worst| now.part() >= worst.part()) {
            self.worst = Some(now);
        }
        self.count(row);
    }

    /// `got` is what the column prints, to half a unit in its last digit.
    pub(crate) fn printed(&mut self, row: &Row, column: &str, got: f64) {
        self.near(row, column, got, row.number(column), row.tolerance(column));
    }

    /// Both are the same.
    pub(crate) fn same<T: PartialEq + fmt::Debug>(&mut self, row: &Row, what: &str, got: &T, expected: &T) {
        if got != expected {
            self.faults.push(format!(
                "{}: {what}: got {got:?}, printed {expected:?} ({})",
                self.table,
                row.text("source")
            ));
        }
        self.count(row);
    }

    fn count(&mut self, row: &Row) {
        *self.sources.entry(row.text("source").to_owned()).or_default() += 1;
    }

    /// Checks that were made.
    pub(crate) fn count_all(&self) -> usize {
        self.sources.values().sum()
    }

    /// What went wrong; a table of which nothing was checked is wrong too.
    pub(crate) fn faults(&self) -> Vec<String> {
        let mut faults = self.faults.clone();
        if self.sources.is_empty() {
            faults.push(format!("{}: nothing was checked", self.table));
        }
        faults
    }
}

/// One line of the table that people read, and the sources below it.
impl fmt::Display for Checks {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (error, tolerance) = match self.worst {
            None => ("-".to_owned(), "exact".to_owned()),
            Some(w) if w.tolerance > 0.0 => (format!("{:.1e}", w.error), format!("{:.1e}", w.tolerance)),
            Some(w) => (format!("{:.1e}", w.error), "exact".to_owned()),
        };
        let verdict = if self.faults().is_empty() { "holds" } else { "FAILS" };
        write!(f, "{:<34}{:>7}  {error:>9}  {tolerance:>9}  {verdict}", self.table, self.count_all())?;
        for (source, checks) in &self.sources {
            write!(f, "\n    {checks:>5}  {source}")?;
        }
        Ok(())
    }
}

//! Quarter hours: made of the readings when they are over, and again when a reading
//! comes late or a flag is changed.
//!
//! Three things keep them equal to the readings at any moment:
//! - a reading or a changed flag of a time before [`Quarters::until`] marks its quarter
//!   as stale in its own transaction; every read takes a stale quarter, and what is
//!   not before that time, from the readings;
//! - that time moves on in the transaction that writes the last of the quarters before
//!   it; a mark goes in the transaction that writes its quarter again;
//! - while a scan goes on over several steps, readings that come for its time are
//!   marked as if it were done. A scan lives in memory: a crash forgets it, and it is
//!   begun again.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::sync::LazyLock;

use jiff::Timestamp;
use rusqlite::{CachedStatement, Connection, ToSql, Transaction, TransactionBehavior, params};

use super::counters::set_counter;
use super::{columns, query};
use crate::history::{Bin, Point, QUARTER_MS, quarter_of};

/// Where the time is kept before which the quarters are there.
const UNTIL: &str = "quarters_until";

/// How long after its end a quarter is made, milliseconds: most of what comes late has
/// come by then. Common practice of our own, without a source.
const WAIT_MS: i64 = 600_000;

/// Readings that one step reads, and quarters that one writes, at most.
#[derive(Clone, Copy, Debug)]
pub(super) struct QuarterStep {
    read_max: i64,
    write_max: usize,
}

impl QuarterStep {
    /// Some milliseconds: others wait meanwhile.
    pub(super) const SMALL: Self = Self { read_max: 6_000, write_max: 1_000 };
    /// A tenth of a second: nobody waits, and fewer transactions are less work.
    pub(super) const LARGE: Self = Self { read_max: 100_000, write_max: 40_000 };
}

/// What the writer knows of the quarters.
#[derive(Debug)]
pub(super) struct Quarters {
    /// Those before this time are there; `None` before the first.
    until: Option<i64>,
    /// There may be stale ones.
    stale: bool,
    /// The scan that goes on.
    scan: Option<QuarterScan>,
}

/// Readings that are being put into quarters.
#[derive(Debug)]
struct QuarterScan {
    /// Of stale quarters: the series that are stale. `None`: all.
    only: Option<BTreeSet<u32>>,
    /// Series whose readings changed while it went on.
    touched: BTreeSet<u32>,
    /// The key of the last reading that was taken.
    at: i64,
    series: i64,
    /// Where it ends. It moves on while quarters are found to be over.
    end: i64,
    /// Everything up to `end` was read.
    read: bool,
    /// Some was written.
    begun: bool,
    bins: BTreeMap<(u32, i64), Bin>,
}

/// The end of the quarters that are over at `now`.
pub(super) fn bound(now: Timestamp) -> i64 {
    quarter_of(now.as_millisecond().saturating_sub(WAIT_MS))
}

/// What is there to do about the quarters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum QuarterProgress {
    /// Every quarter that is over is there.
    Done,
    /// There is more to do.
    More,
}

impl Quarters {
    pub(super) fn open(connection: &Connection) -> rusqlite::Result<Self> {
        let stale = query::one(connection, "SELECT EXISTS (SELECT 1 FROM quarter_stale)", [])?;
        Ok(Self { until: until(connection)?, stale, scan: None })
    }

    /// The time before which a reading has to be marked.
    fn marked_before(&self) -> Option<i64> {
        let scanned = self.scan.as_ref().map(|scan| scan.end);
        self.until.max(scanned)
    }

    /// Notes that a series has another reading or flag at a time.
    pub(super) fn touch(
        &mut self,
        transaction: &Transaction<'_>,
        at: i64,
        series: u32,
    ) -> rusqlite::Result<()> {
        if self.marked_before().is_none_or(|before| at >= before) {
            return Ok(());
        }
        let start = quarter_of(at);
        transaction
            .prepare_cached(
                "INSERT INTO quarter_stale (start, series) VALUES (?1, ?2) ON CONFLICT DO NOTHING",
            )?
            .execute(params![start, series])?;
        self.stale = true;
        if let Some(scan) = &mut self.scan
            && scan.only.is_some()
            && (scan.end - QUARTER_MS..scan.end).contains(&start)
        {
            scan.touched.insert(series);
        }
        Ok(())
    }
}

/// How a quarter is written where there is none.
const ADD: &str = "INSERT OR IGNORE INTO quarter
                       (series, start, readings, good, suspect, bad, sum, min, max, last, last_at)
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)";

/// Quarters that one statement writes.
const RUN: usize = 16;

/// Writes so many, in the place of those that are there.
static REPLACE_RUN: LazyLock<String> = LazyLock::new(|| {
    let rows = vec!["(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"; RUN].join(", ");
    format!(
        "INSERT OR REPLACE INTO quarter (series, start, readings, good, suspect, bad, sum, min, max, last, last_at)
         VALUES {rows}"
    )
});

/// Sets the values of a row of quarters; `row` is its place in the statement.
fn bind(statement: &mut CachedStatement<'_>, row: usize, series: u32, bin: &Bin) -> rusqlite::Result<()> {
    let good = bin.good > 0;
    let columns: [&dyn ToSql; 11] = [
        &series,
        &bin.start.as_millisecond(),
        &bin.readings,
        &bin.good,
        &bin.suspect,
        &bin.bad,
        &bin.sum,
        &good.then_some(bin.min),
        &good.then_some(bin.max),
        &good.then_some(bin.last),
        &good.then_some(bin.last_at.as_millisecond()),
    ];
    (1 + row * columns.len()..).zip(columns).try_for_each(|(at, it)| statement.raw_bind_parameter(at, it))
}

fn add(statement: &mut CachedStatement<'_>, series: u32, bin: &Bin) -> rusqlite::Result<usize> {
    bind(statement, 0, series, bin)?;
    statement.raw_execute()
}

impl Quarters {
    /// Notes that a series has the readings of a quarter back, which were packed.
    pub(super) fn unpacked(
        &mut self,
        transaction: &Transaction<'_>,
        series: u32,
        quarter: &Bin,
    ) -> rusqlite::Result<()> {
        let start = quarter.start.as_millisecond();
        // Where a scan goes on, or others of the quarter stood in the table, it is made again.
        if self.scan.is_some()
            || self.until.is_none_or(|until| start >= until)
            || add(&mut transaction.prepare_cached(ADD)?, series, quarter)? == 0
        {
            self.touch(transaction, start, series)?;
        }
        Ok(())
    }
}

/// The time before which the quarters are there.
pub(super) fn until(connection: &Connection) -> rusqlite::Result<Option<i64>> {
    query::one(connection, "SELECT max(value) FROM counter WHERE name = ?1", [UNTIL])
}

impl Quarters {
    /// Whether every quarter before `bound` is there, as far as is known without asking
    /// the file.
    pub(super) fn is_done(&self, bound: i64) -> bool {
        self.scan.is_none() && !self.stale && self.until.is_some_and(|until| until >= bound)
    }

    /// Does one step.
    pub(super) fn step(
        &mut self,
        connection: &mut Connection,
        bound: i64,
        size: QuarterStep,
    ) -> rusqlite::Result<QuarterProgress> {
        let mut scan = match self.scan.take() {
            Some(scan) => scan,
            None => match self.next_scan(connection, bound)? {
                Some(scan) => scan,
                None => return Ok(QuarterProgress::Done),
            },
        };
        if !scan.read {
            scan.read_on(connection, size.read_max)?;
        }
        if scan.read {
            let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            scan.write(&transaction, size.write_max)?;
            let done = scan.bins.is_empty();
            if done && scan.only.is_none() {
                set_counter(&transaction, UNTIL, scan.end)?;
            } else if done {
                scan.unmark(&transaction)?;
            }
            transaction.commit()?;
            if done {
                if scan.only.is_none() {
                    self.until = Some(scan.end);
                }
                return Ok(QuarterProgress::More);
            }
        }
        self.scan = Some(scan);
        Ok(QuarterProgress::More)
    }

    /// What to do next: quarters that are over, or the oldest that is stale.
    fn next_scan(&mut self, connection: &Connection, bound: i64) -> rusqlite::Result<Option<QuarterScan>> {
        let edge = |end: &str| -> rusqlite::Result<Option<i64>> {
            query::one(connection, &format!("SELECT {end}(at) FROM reading"), [])
        };
        // Not beyond the last reading: what comes next is then not late.
        let end = edge("max")?.map(|last| bound.min(quarter_of(last)));
        let from = match self.until {
            Some(until) => Some(until),
            None => edge("min")?.map(quarter_of),
        };
        if let (Some(from), Some(end)) = (from, end)
            && from < end
        {
            return Ok(Some(QuarterScan::new(from, end, None)));
        }
        if !self.stale {
            return Ok(None);
        }
        let start: Option<i64> = query::one(connection, "SELECT min(start) FROM quarter_stale", [])?;
        let Some(start) = start else {
            self.stale = false;
            return Ok(None);
        };
        let sql = "SELECT series FROM quarter_stale WHERE start = ?1";
        let only = query::list(connection, sql, [start], |row| row.get(0))?.into_iter().collect();
        // A mark beyond the time that is done waits for it, with what is read there.
        if self.until.is_none_or(|until| start >= until) {
            return Ok(None);
        }
        Ok(Some(QuarterScan::new(start, start + QUARTER_MS, Some(only))))
    }
}

impl QuarterScan {
    fn new(from: i64, end: i64, only: Option<BTreeSet<u32>>) -> Self {
        let (at, series) = (from, -1);
        Self {
            only,
            touched: BTreeSet::new(),
            at,
            series,
            end,
            read: false,
            begun: false,
            bins: BTreeMap::new(),
        }
    }

    /// Reads at most `read_max` readings on. Where the last of them is not in the
    /// quarter of the first, the scan ends before the quarter that is cut.
    fn read_on(&mut self, connection: &Connection, read_max: i64) -> rusqlite::Result<()> {
        let mut select = connection.prepare_cached(
            "SELECT at, series, raw, value, flag, late FROM reading
             WHERE (at, series) > (?1, ?2) AND at < ?3 ORDER BY at, series LIMIT ?4",
        )?;
        let mut rows = select.query(params![self.at, self.series, self.end, read_max])?;
        let mut count = 0;
        while let Some(row) = rows.next()? {
            count += 1;
            (self.at, self.series) = (row.get(0)?, row.get(1)?);
            let Ok(series) = u32::try_from(self.series) else { continue };
            if self.only.as_ref().is_some_and(|only| !only.contains(&series)) {
                continue;
            }
            // What cannot be understood is said when the readings themselves are read.
            if let Ok(point) = query::understood(point(row))? {
                let start = quarter_of(self.at);
                let bin = self.bins.entry((series, start)).or_insert_with(|| empty(start));
                bin.add(&point);
            }
        }
        if count < read_max {
            self.read = true;
            return Ok(());
        }
        let cut = quarter_of(self.at);
        if self.only.is_none() && self.bins.keys().any(|&(_, start)| start < cut) {
            self.bins.retain(|&(_, start), _| start < cut);
            self.end = cut;
            self.read = true;
        } else {
            // One quarter that takes several steps.
            self.end = self.end.min(cut.saturating_add(QUARTER_MS));
        }
        Ok(())
    }

    /// Writes at most `write_max` quarters. Of stale ones the old row goes first: all of
    /// their readings may have gone.
    fn write(&mut self, transaction: &Transaction<'_>, write_max: usize) -> rusqlite::Result<()> {
        let mut delete =
            transaction.prepare_cached("DELETE FROM quarter WHERE series = ?1 AND start = ?2")?;
        for series in self.only.iter().flatten().filter(|_| !self.begun) {
            delete.execute(params![series, self.end - QUARTER_MS])?;
        }
        self.begun = true;
        let mut insert = transaction.prepare_cached(&ADD.replace("OR IGNORE", "OR REPLACE"))?;
        let mut insert_run = transaction.prepare_cached(&REPLACE_RUN)?;
        let mut left = write_max;
        while left >= RUN && self.bins.len() >= RUN {
            for (row, ((series, _), bin)) in (0..RUN).zip(std::iter::from_fn(|| self.bins.pop_first())) {
                bind(&mut insert_run, row, series, &bin)?;
            }
            insert_run.raw_execute()?;
            left -= RUN;
        }
        for _ in 0..left {
            let Some(((series, _), bin)) = self.bins.pop_first() else { break };
            add(&mut insert, series, &bin)?;
        }
        Ok(())
    }

    /// Takes the marks away of what was made again and has not changed meanwhile.
    fn unmark(&self, transaction: &Transaction<'_>) -> rusqlite::Result<()> {
        let mut delete =
            transaction.prepare_cached("DELETE FROM quarter_stale WHERE start = ?1 AND series = ?2")?;
        let start = self.end - QUARTER_MS;
        for series in self.only.iter().flatten().filter(|series| !self.touched.contains(*series)) {
            delete.execute(params![start, series])?;
        }
        Ok(())
    }
}

pub(super) fn empty(start: i64) -> Bin {
    let time = |ms| Timestamp::from_millisecond(ms).unwrap_or(Timestamp::MAX);
    Bin::empty(time(start), time(start.saturating_add(QUARTER_MS)))
}

/// From the columns at, series, raw, value, flag, late.
pub(super) fn point(row: &rusqlite::Row<'_>) -> rusqlite::Result<Point> {
    Ok(Point {
        at: columns::time(row, 0)?,
        raw: row.get(2)?,
        value: row.get(3)?,
        flag: row.get(4)?,
        late: row.get(5)?,
    })
}

/// A quarter as it is kept.
#[derive(Clone, Copy, Debug)]
pub(super) struct QuarterRow {
    /// Milliseconds since 1970-01-01 UTC.
    pub(super) start: i64,
    readings: u32,
    good: u32,
    suspect: u32,
    bad: u32,
    sum: f64,
    min: f64,
    max: f64,
    last: f64,
    last_at: i64,
}

impl QuarterRow {
    /// Counts all of it in a bin that holds it.
    pub(super) fn add_to(&self, bin: &mut Bin) {
        bin.readings += self.readings;
        bin.good += self.good;
        bin.suspect += self.suspect;
        bin.bad += self.bad;
        bin.sum += self.sum;
        if self.good > 0 {
            bin.min = bin.min.min(self.min);
            bin.max = bin.max.max(self.max);
            let last_at = columns::timestamp(self.last_at).unwrap_or(bin.start);
            if last_at >= bin.last_at {
                (bin.last, bin.last_at) = (self.last, last_at);
            }
        }
    }
}

/// Calls `each` with the quarters of a series with `from` <= start < `to` that are there, oldest
/// first.
pub(super) fn read(
    connection: &Connection,
    series: u32,
    from: i64,
    to: i64,
    mut each: impl FnMut(&QuarterRow),
) -> rusqlite::Result<()> {
    let sql = "SELECT start, readings, good, suspect, bad, sum, min, max, last, last_at FROM quarter
               WHERE series = ?1 AND start >= ?2 AND start < ?3 ORDER BY start";
    query::each(connection, sql, params![series, from, to], |row| {
        let mut quarter = QuarterRow {
            start: row.get(0)?,
            readings: row.get(1)?,
            good: row.get(2)?,
            suspect: row.get(3)?,
            bad: row.get(4)?,
            sum: row.get(5)?,
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
            last: f64::NAN,
            last_at: 0,
        };
        if quarter.good > 0 {
            (quarter.min, quarter.max, quarter.last) = (row.get(6)?, row.get(7)?, row.get(8)?);
            quarter.last_at = row.get(9)?;
        }
        each(&quarter);
        Ok(ControlFlow::Continue(()))
    })
}

/// The stale quarters of some series with `from` <= start < `to`, by series and start.
pub(super) fn stale(
    connection: &Connection,
    from: i64,
    to: i64,
    series: &BTreeSet<u32>,
) -> rusqlite::Result<BTreeSet<i64>> {
    let sql = "SELECT start, series FROM quarter_stale WHERE start >= ?1 AND start < ?2";
    let marks = query::list(connection, sql, [from, to], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(marks.into_iter().filter(|(_, number)| series.contains(number)).map(|(start, _)| start).collect())
}

/// Good readings of some series in the quarters with `from` <= start < `to`, without
/// those that are stale.
pub(super) fn good(
    connection: &Connection,
    series: &BTreeSet<u32>,
    (from, to): (i64, i64),
    stale: &BTreeSet<i64>,
) -> rusqlite::Result<u64> {
    let sql = "SELECT coalesce(sum(good), 0) FROM quarter WHERE series = ?1 AND start >= ?2 AND start < ?3";
    let mut sum = 0_i64;
    for number in series {
        let between = |from: i64, to: i64| query::one::<i64>(connection, sql, params![number, from, to]);
        sum += between(from, to)?;
        for start in stale {
            sum -= between(*start, start + QUARTER_MS)?;
        }
    }
    Ok(sum.unsigned_abs())
}

/// A time before which there is no reading of some series.
pub(super) fn none_before(connection: &Connection, series: &BTreeSet<u32>) -> rusqlite::Result<i64> {
    let Some(mut first) = until(connection)? else { return Ok(i64::MIN) };
    for table in ["quarter", "quarter_stale"] {
        let sql = format!("SELECT min(start) FROM {table} WHERE series = ?1");
        for number in series {
            let found: Option<i64> = query::one(connection, &sql, [number])?;
            first = found.map_or(first, |found| found.min(first));
        }
    }
    Ok(first)
}

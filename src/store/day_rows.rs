//! Days of the site's calendar that stay when their single readings go.
//!
//! A reading counts either where it stands or in its day's row, never in both: it is
//! added to the row in the transaction that takes it away. So what a day came to is its
//! row and the readings of it that are still there, at any moment.

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

use crate::history::{Bin, Point};
use crate::quality::Flag;

// It stands below the columns of other tables: series are found with it.

fn millis(at: Timestamp) -> i64 {
    at.as_millisecond()
}

/// The longest day of a site's clock, ms: 25 hours, and one for a zone that was put right.
const LONGEST_DAY_MS: i64 = 26 * 3_600_000;

/// What a day came to.
#[derive(Clone, Debug)]
pub(super) struct DaySummary {
    /// Counts, sum, least, greatest and last of what could be believed.
    pub(super) bin: Bin,
    /// The first good reading: when, and its value.
    first: Option<(i64, f64)>,
    /// Readings with each flag, in the order of [`Flag::ALL`].
    flags: [u32; Flag::ALL.len()],
    late: u32,
    /// The first and the last reading of any flag: when, and its raw number. Between these two
    /// times nothing can be told new from what is in the row already.
    seen: Option<[(i64, f64); 2]>,
}

impl DaySummary {
    pub(super) fn empty(start: Timestamp, end: Timestamp) -> Self {
        let bin = Bin::empty(start, end);
        Self { bin, first: None, flags: [0; Flag::ALL.len()], late: 0, seen: None }
    }

    pub(super) fn add(&mut self, point: &Point) {
        let at = millis(point.at);
        self.bin.add(point);
        if let Some(good) = point.good()
            && self.first.is_none_or(|(first, _)| at < first)
        {
            self.first = Some((at, good));
        }
        if let Some(count) = Flag::ALL.iter().position(|flag| *flag == point.flag) {
            self.flags[count] += 1;
        }
        self.late += u32::from(point.late);
        let here = (at, point.raw);
        self.seen = Some(self.seen.map_or([here; 2], |[first, last]| {
            [if at < first.0 { here } else { first }, if at >= last.0 { here } else { last }]
        }));
    }

    /// Counts all of another one of the same day that has other readings.
    fn put_together(&mut self, other: &Self) {
        self.bin.merge(&other.bin);
        self.first = [self.first, other.first].into_iter().flatten().min_by_key(|it| it.0);
        for (own, more) in self.flags.iter_mut().zip(other.flags) {
            *own += more;
        }
        self.late += other.late;
        let seen = || [self.seen, other.seen].into_iter().flatten();
        let (first, last) = (seen().map(|it| it[0]), seen().map(|it| it[1]));
        let ends = first.min_by_key(|it| it.0).zip(last.max_by_key(|it| it.0));
        self.seen = ends.map(|(first, last)| [first, last]);
    }

    /// The times of its first and last reading, milliseconds.
    pub(super) fn seen(&self) -> Option<(i64, i64)> {
        self.seen.map(|[first, last]| (first.0, last.0))
    }
}

/// The columns that [`write`] fills and [`read_row`] reads.
const COLUMNS: &str = "start, until, readings, good, suspect, bad, sum, min, max, last, last_at, first, first_at, \
                       passed, unchecked, suspected, failed, missing, late, seen_from, seen_to, raw_first, raw_last";

/// Adds to a day's row, or begins one.
pub(super) fn merge(
    transaction: &Transaction<'_>,
    series: u32,
    start: i64,
    fresh: impl FnOnce() -> DaySummary,
    readings: &[Point],
) -> rusqlite::Result<DaySummary> {
    let sql = format!("SELECT {COLUMNS} FROM day_summary WHERE series = ?1 AND start = ?2");
    let known = transaction.prepare_cached(&sql)?.query_row(params![series, start], read_row).optional()?;
    let mut day = known.unwrap_or_else(fresh);
    for reading in readings {
        day.add(reading);
    }
    write(transaction, series, &day)?;
    Ok(day)
}

fn write(transaction: &Transaction<'_>, series: u32, day: &DaySummary) -> rusqlite::Result<()> {
    let sql = format!(
        "INSERT OR REPLACE INTO day_summary (series, {COLUMNS}) VALUES
         (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23, ?24)"
    );
    let DaySummary { bin, first, flags, late, seen } = day;
    let good = bin.good > 0;
    transaction.prepare_cached(&sql)?.execute(params![
        series,
        millis(bin.start),
        millis(bin.end),
        bin.readings,
        bin.good,
        bin.suspect,
        bin.bad,
        bin.sum,
        good.then_some(bin.min),
        good.then_some(bin.max),
        good.then_some(bin.last),
        good.then_some(millis(bin.last_at)),
        first.map(|it| it.1),
        first.map(|it| it.0),
        flags[0],
        flags[1],
        flags[2],
        flags[3],
        flags[4],
        late,
        seen.map(|it| it[0].0),
        seen.map(|it| it[1].0),
        seen.map(|it| it[0].1),
        seen.map(|it| it[1].1),
    ])?;
    Ok(())
}

/// From [`COLUMNS`].
fn read_row(row: &Row<'_>) -> rusqlite::Result<DaySummary> {
    let time = |ms: i64| Timestamp::from_millisecond(ms).unwrap_or(Timestamp::MIN);
    let mut bin = Bin::empty(time(row.get(0)?), time(row.get(1)?));
    (bin.readings, bin.good, bin.suspect, bin.bad) = (row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?);
    bin.sum = row.get(6)?;
    if bin.good > 0 {
        (bin.min, bin.max, bin.last) = (row.get(7)?, row.get(8)?, row.get(9)?);
        bin.last_at = time(row.get(10)?);
    }
    let first: (Option<i64>, Option<f64>) = (row.get(12)?, row.get(11)?);
    let mut flags = [0; Flag::ALL.len()];
    for (flag, column) in flags.iter_mut().zip(13..) {
        *flag = row.get(column)?;
    }
    let seen: Option<[i64; 2]> = Option::zip(row.get(19)?, row.get(20)?).map(|(from, to)| [from, to]);
    let raw: Option<[f64; 2]> = Option::zip(row.get(21)?, row.get(22)?).map(|(from, to)| [from, to]);
    Ok(DaySummary {
        bin,
        first: first.0.zip(first.1),
        flags,
        late: row.get(18)?,
        seen: seen.zip(raw).map(|([from, to], [first, last])| [(from, first), (to, last)]),
    })
}

/// Calls `each` with the days of a series that may touch `from` <= time < `to`, oldest first.
pub(super) fn read(
    connection: &Connection,
    series: u32,
    (from, to): (i64, i64),
    mut each: impl FnMut(&Bin),
) -> rusqlite::Result<()> {
    let sql = format!(
        "SELECT {COLUMNS} FROM day_summary WHERE series = ?1 AND start > ?2 AND start < ?3 ORDER BY start"
    );
    let mut select = connection.prepare_cached(&sql)?;
    let mut rows = select.query(params![series, from.saturating_sub(LONGEST_DAY_MS), to])?;
    while let Some(row) = rows.next()? {
        each(&read_row(row)?.bin);
    }
    Ok(())
}

/// Good readings in the days of a series with `from` <= start < `to`.
pub(super) fn good(connection: &Connection, series: u32, (from, to): (i64, i64)) -> rusqlite::Result<u64> {
    let sql =
        "SELECT coalesce(sum(good), 0) FROM day_summary WHERE series = ?1 AND start >= ?2 AND start < ?3";
    let good: i64 = connection.prepare_cached(sql)?.query_row(params![series, from, to], |row| row.get(0))?;
    Ok(good.unsigned_abs())
}

/// The first reading of a series that is in a day's row, milliseconds.
pub(super) fn first_of(connection: &Connection, series: u32) -> rusqlite::Result<Option<i64>> {
    // A day that begins later may hold none that is earlier.
    let sql = "SELECT min(seen_from) FROM
               (SELECT seen_from FROM day_summary WHERE series = ?1 ORDER BY start LIMIT 2)";
    connection.prepare_cached(sql)?.query_row([series], |row| row.get(0))
}

/// Whether a reading of this time may be in a day's row already: it lies between the first
/// and the last that are.
pub(super) fn holds(connection: &Connection, series: u32, at: i64) -> rusqlite::Result<bool> {
    connection
        .prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM day_summary
             WHERE series = ?1 AND start > ?2 AND start <= ?3 AND seen_from <= ?3 AND seen_to >= ?3)",
        )?
        .query_row(params![series, at.saturating_sub(LONGEST_DAY_MS), at], |row| row.get(0))
}

/// All readings that are in days' rows.
pub(super) fn readings(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("SELECT coalesce(sum(readings), 0) FROM day_summary", [], |row| row.get(0))
}

/// Moves the days of one series to another. A day that both have is put together where none
/// of one's readings lies between the other's, so that nothing can be in both; else it stays
/// where it is. Returns how many were moved.
pub(super) fn move_to(transaction: &Transaction<'_>, from: u32, to: u32) -> rusqlite::Result<usize> {
    const APART: &str = "NOT EXISTS (SELECT 1 FROM reading WHERE reading.at >= day_summary.seen_from
                                     AND reading.at <= day_summary.seen_to AND reading.series = ?2)
                     AND NOT EXISTS (SELECT 1 FROM block WHERE block.series = ?2
                                     AND block.start <= day_summary.seen_to
                                     AND block.last_at >= day_summary.seen_from)";
    let sql = format!(
        "UPDATE day_summary SET series = ?2 WHERE series = ?1 AND {APART}
         AND NOT EXISTS (SELECT 1 FROM day_summary AS own WHERE own.series = ?2
                         AND own.start < day_summary.until AND own.until > day_summary.start)"
    );
    let mut moved = transaction.execute(&sql, params![from, to])?;
    let sql = format!(
        "SELECT {COLUMNS} FROM day_summary WHERE series = ?1 AND {APART}
         AND EXISTS (SELECT 1 FROM day_summary AS own WHERE own.series = ?2 AND own.start = day_summary.start
                     AND (own.seen_to < day_summary.seen_from OR own.seen_from > day_summary.seen_to))"
    );
    let days: Vec<DaySummary> = transaction
        .prepare_cached(&sql)?
        .query_map(params![from, to], read_row)?
        .collect::<rusqlite::Result<_>>()?;
    for day in days {
        let start = millis(day.bin.start);
        let mut both = merge(transaction, to, start, || DaySummary::empty(day.bin.start, day.bin.end), &[])?;
        both.put_together(&day);
        write(transaction, to, &both)?;
        moved += transaction
            .execute("DELETE FROM day_summary WHERE series = ?1 AND start = ?2", params![from, start])?;
    }
    Ok(moved)
}

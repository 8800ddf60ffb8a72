//! Single readings that are older than they are to be kept go into their day's figures
//! ([`super::day_rows`]), oldest first, in small transactions.
//!
//! A step takes away at most [`STEP_MAX`] readings and adds each to its day in the same
//! transaction, so a crash between two steps leaves every reading counted once. Days are
//! those of the site's own clock, and only whole ones are begun: what is kept begins at a
//! midnight. Quarter hours go with their readings; one that is cut in two by the end of a
//! step is marked as stale, and made again of what is left. Packed readings go first, a block in
//! a step; what has to stay of one is packed again.
//!
//! What stays: readings that a server has still to get or has refused (their day's figures
//! are then the row and these); those of a site that is in no garden's file, whose midnights
//! are not known; alarms, the log, notes and messages. What a replay or an import had noted of
//! a reading goes with it; such an import cannot be taken back any more.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp, ToSpan};
use rusqlite::{Connection, Transaction, params};

use super::block_bytes::RowColumns;
use super::block_rows::{self, BlockHead};
use super::columns::{millis, timestamp};
use super::day_rows;
use super::quarter_rows::{self, Quarters};
use super::query;
use crate::garden::plan::Garden;
use crate::history::{BinWidth, Point, bin_of, quarter_of};

/// Readings that one step looks at, at most: some milliseconds.
const STEP_MAX: i64 = 6_000;

/// Rows in the queue for other servers from which on it is waited for: to look for readings
/// in it would take too long.
pub(super) const QUEUE_MAX: i64 = 100_000;

/// For how long the clock must have gone on without a step before anything goes by it.
const STEADY: SignedDuration = SignedDuration::from_hours(1);

/// A step of the clock between two calls that is none.
const JUMP: SignedDuration = SignedDuration::from_mins(10);

/// What is there to do about old readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ThinProgress {
    /// Nothing, for now.
    Done,
    /// There is more to do. So many readings went into their days' figures.
    More { readings: u64 },
}

/// What the writer knows about readings that go.
#[derive(Debug, Default)]
pub(super) struct Thinning {
    /// For how many whole days before today single readings are kept; `None`: for ever.
    keep_days: Option<u32>,
    /// Each site's clock.
    zones: HashMap<String, TimeZone>,
    /// The first time that may not go, of each series; found again when a day is over.
    cutoffs: HashMap<u32, SeriesCutoff>,
    /// The sites' cutoffs as they were when it was last looked.
    of: Vec<(String, i64)>,
    /// The key of the last reading that was looked at; `None`: all were.
    cursor: Option<(i64, i64)>,
    /// From which series and time on packed readings are to be looked at; `None`: all were.
    packed: Option<(u32, i64)>,
    /// The quarter hour in which it was last looked.
    looked: Option<i64>,
    /// Since when the clock has gone on, and when it was last asked.
    clock: Option<(Timestamp, Timestamp)>,
}

#[derive(Clone, Debug)]
struct SeriesCutoff {
    site: String,
    before: i64,
}

/// What one step has found.
#[derive(Default)]
pub(super) struct ThinStep {
    /// The readings of each day.
    days: BTreeMap<(u32, i64), Vec<Point>>,
    keys: Vec<(i64, u32)>,
    /// Quarter hours of which readings go, and those of which some stay.
    quarters: BTreeSet<(u32, i64)>,
    cut: BTreeSet<(u32, i64)>,
    last: Option<(i64, i64)>,
    whole: bool,
    /// Of a step that looked at packed readings: where they go on.
    packed: Option<(u32, i64)>,
}

impl Thinning {
    pub(super) fn keep(&mut self, days: Option<u32>, gardens: &[Garden]) {
        let zones = gardens.iter().map(|it| (it.site.id.to_string(), it.site.time_zone.clone())).collect();
        *self = Self { keep_days: days, zones, ..Self::default() };
    }

    /// A reading of this time was stored: it may be one that goes at once.
    pub(super) fn stored(&mut self, at: i64) {
        if self.of.iter().any(|(_, cutoff)| at < *cutoff) {
            self.cursor = Some(self.cursor.map_or((at, -1), |cursor| cursor.min((at, -1))));
        }
    }

    /// Whether the clock may be believed: a wrong one would take away too much.
    pub(super) fn is_steady(&mut self, now: Timestamp) -> bool {
        let (since, last) = self.clock.unwrap_or((now, now));
        let jumped = now.duration_since(last).abs() > JUMP;
        let since = if jumped { now } else { since };
        self.clock = Some((since, now));
        now.duration_since(since) >= STEADY
    }

    /// Finds the cutoffs of `now`; begins again where they have moved on.
    pub(super) fn look(&mut self, connection: &Connection, now: Timestamp) -> rusqlite::Result<()> {
        let Some(keep) = self.keep_days else { return Ok(()) };
        let quarter = Some(quarter_of(millis(now)));
        if self.looked == quarter {
            return Ok(());
        }
        self.looked = quarter;
        // A clock that is ahead of every reading takes nothing away.
        let newest: Option<i64> =
            query::one(connection, "SELECT max(at) FROM reading WHERE at <= ?1", [millis(now)])?;
        let now = newest.and_then(timestamp).unwrap_or(now);
        let mut of: Vec<(String, i64)> = self
            .zones
            .iter()
            .filter_map(|(site, zone)| {
                let day = zone.to_datetime(now).date().checked_sub(i64::from(keep).days()).ok()?;
                Some((site.clone(), millis(zone.to_timestamp(day.at(0, 0, 0, 0)).ok()?)))
            })
            .collect();
        of.sort();
        if of == self.of {
            return Ok(());
        }
        let sql = "SELECT id, site FROM series";
        let series: Vec<(u32, String)> =
            query::list(connection, sql, [], |row| Ok((row.get(0)?, row.get(1)?)))?;
        self.cutoffs = series
            .into_iter()
            .filter_map(|(number, site)| {
                let before = of.iter().find(|it| it.0 == site)?.1;
                Some((number, SeriesCutoff { site, before }))
            })
            .collect();
        (self.of, self.cursor, self.packed) = (of, Some((i64::MIN, -1)), Some((0, i64::MIN)));
        Ok(())
    }

    /// Whether any are to go.
    pub(super) fn is_on(&self) -> bool {
        self.keep_days.is_some()
    }

    /// Whether there may be something to do.
    pub(super) fn has_more(&self) -> bool {
        self.cursor.is_some() || self.packed.is_some()
    }

    /// Does a step: adds readings to their days and takes them away.
    pub(super) fn step(
        &self,
        transaction: &Transaction<'_>,
        quarters: &mut Quarters,
    ) -> rusqlite::Result<ThinStep> {
        if let Some(from) = self.packed
            && let Some(head) = self.next_block(transaction, from)?
        {
            return self.packed_step(transaction, &head);
        }
        let Some(after) = self.cursor else { return Ok(ThinStep { whole: true, ..ThinStep::default() }) };
        let step = self.read(transaction, after)?;
        self.add(transaction, &step)?;
        step.take_away(transaction)?;
        for (series, start) in step.cut.intersection(&step.quarters) {
            quarters.touch(transaction, *start, *series)?;
        }
        Ok(step)
    }

    /// A step was committed.
    pub(super) fn done(&mut self, step: &ThinStep) -> ThinProgress {
        let readings = step.keys.len() as u64;
        self.packed = step.packed;
        if self.packed.is_some() {
            return ThinProgress::More { readings };
        }
        self.cursor = step.last.filter(|_| !step.whole);
        if step.whole && readings == 0 { ThinProgress::Done } else { ThinProgress::More { readings } }
    }

    /// Does a step with the next packed readings.
    fn packed_step(&self, transaction: &Transaction<'_>, head: &BlockHead) -> rusqlite::Result<ThinStep> {
        let next = (head.series, head.last_at.saturating_add(1));
        let mut step = ThinStep { packed: Some(next), ..ThinStep::default() };
        let rows = match block_rows::read(transaction, head)? {
            Ok(rows) => rows,
            Err(fault) => {
                block_rows::set_aside(transaction, head, &fault)?;
                return Ok(step);
            }
        };
        let Some(cutoff) = self.cutoffs.get(&head.series) else { return Ok(step) };
        let Some(zone) = self.zones.get(&cutoff.site) else { return Ok(step) };
        let held = held(transaction, head.start, head.last_at)?;
        let mut stay = RowColumns::default();
        for row in rows.rows() {
            let point = query::understood(row.point())?;
            match point {
                Ok(point) if row.at < cutoff.before && !held.contains(&(row.at, head.series)) => {
                    let day = millis(bin_of(point.at, BinWidth::Day, zone).0);
                    step.days.entry((head.series, day)).or_default().push(point);
                    step.keys.push((row.at, head.series));
                }
                _ => stay.push(&row),
            }
        }
        if !step.keys.is_empty() {
            self.add(transaction, &step)?;
            block_rows::remove(transaction, head.number)?;
            block_rows::write_all(transaction, head.series, &stay)?;
            step.forget(transaction)?;
        }
        Ok(step)
    }

    /// The next block from a series and time on that holds readings that may go.
    fn next_block(
        &self,
        connection: &Connection,
        mut from: (u32, i64),
    ) -> rusqlite::Result<Option<BlockHead>> {
        loop {
            let Some(head) = block_rows::next(connection, from)? else { return Ok(None) };
            if self.cutoffs.get(&head.series).is_some_and(|cutoff| head.start < cutoff.before) {
                return Ok(Some(head));
            }
            let Some(next) = head.series.checked_add(1) else { return Ok(None) };
            from = (next, i64::MIN);
        }
    }

    /// Reads what comes next.
    fn read(&self, transaction: &Transaction<'_>, after: (i64, i64)) -> rusqlite::Result<ThinStep> {
        let before = self.of.iter().map(|it| it.1).max().unwrap_or(i64::MIN);
        let mut step = ThinStep::default();
        let mut rows: Vec<((i64, u32), Result<Point, String>)> = Vec::new();
        let mut select = transaction.prepare_cached(
            "SELECT at, series, raw, value, flag, late FROM reading
             WHERE (at, series) > (?1, ?2) AND at < ?3 ORDER BY at, series LIMIT ?4",
        )?;
        let mut found = select.query(params![after.0, after.1, before, STEP_MAX])?;
        while let Some(row) = found.next()? {
            let key = (row.get(0)?, row.get(1)?);
            rows.push((key, query::understood(quarter_rows::point(row))?));
        }
        step.whole = i64::try_from(rows.len()).unwrap_or(STEP_MAX) < STEP_MAX;
        let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Ok(step) };
        step.last = Some((last.0.0, i64::from(last.0.1)));
        let held = held(transaction, first.0.0, last.0.0)?;
        let last_quarter = quarter_of(last.0.0);
        for ((at, series), point) in rows {
            let goes = self.cutoffs.get(&series).filter(|it| at < it.before && !held.contains(&(at, series)));
            let quarter = (series, quarter_of(at));
            // One that this program does not understand stays as it is.
            let (Some(cutoff), Ok(point)) = (goes, point) else {
                step.cut.insert(quarter);
                continue;
            };
            let Some(zone) = self.zones.get(&cutoff.site) else { continue };
            let day = millis(bin_of(point.at, BinWidth::Day, zone).0);
            step.days.entry((series, day)).or_default().push(point);
            step.keys.push((at, series));
            step.quarters.insert(quarter);
            if quarter.1 == last_quarter && !step.whole {
                step.cut.insert(quarter);
            }
        }
        Ok(step)
    }

    /// Adds the readings of a step to their days.
    fn add(&self, transaction: &Transaction<'_>, step: &ThinStep) -> rusqlite::Result<()> {
        let mut mark = transaction.prepare_cached(
            "INSERT INTO thinned (site, until, first_at, last_at) VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (site) DO UPDATE SET until = max(until, excluded.until),
                 first_at = min(first_at, excluded.first_at), last_at = max(last_at, excluded.last_at)",
        )?;
        for ((series, start), points) in &step.days {
            let Some(cutoff) = self.cutoffs.get(series) else { continue };
            let (Some(zone), Some(first)) = (self.zones.get(&cutoff.site), points.first()) else { continue };
            let fresh = || {
                let (from, to) = bin_of(first.at, BinWidth::Day, zone);
                day_rows::DaySummary::empty(from, to)
            };
            let day = day_rows::merge(transaction, *series, *start, fresh, points)?;
            if let Some((from, to)) = day.seen() {
                mark.execute(params![cutoff.site, millis(day.bin.end), from, to])?;
            }
        }
        Ok(())
    }
}

/// Readings of a span that a server has still to get, or has refused.
fn held(connection: &Connection, from: i64, to: i64) -> rusqlite::Result<HashSet<(i64, u32)>> {
    let mut held = HashSet::new();
    for table in ["forward_queue", "forward_refused"] {
        let sql = format!("SELECT at, series FROM {table} WHERE at >= ?1 AND at <= ?2");
        held.extend(query::list(connection, &sql, [from, to], |row| Ok((row.get(0)?, row.get(1)?)))?);
    }
    Ok(held)
}

impl ThinStep {
    /// Takes the readings away, with what was noted of them elsewhere.
    fn take_away(&self, transaction: &Transaction<'_>) -> rusqlite::Result<()> {
        let mut delete = transaction.prepare_cached("DELETE FROM reading WHERE at = ?1 AND series = ?2")?;
        for (at, series) in &self.keys {
            delete.execute(params![at, series])?;
        }
        let mut quarter =
            transaction.prepare_cached("DELETE FROM quarter WHERE series = ?1 AND start = ?2")?;
        for (series, start) in &self.quarters {
            quarter.execute(params![series, start])?;
        }
        self.forget(transaction)
    }

    /// Takes away what was noted elsewhere of the readings that go.
    fn forget(&self, transaction: &Transaction<'_>) -> rusqlite::Result<()> {
        let (Some(first), Some(last)) = (self.keys.first(), self.keys.last()) else { return Ok(()) };
        let mut before =
            transaction.prepare_cached("DELETE FROM reading_before WHERE at = ?1 AND series = ?2")?;
        for (at, series) in &self.keys {
            before.execute(params![at, series])?;
        }
        let gone: HashSet<(i64, u32)> = self.keys.iter().copied().collect();
        let imports: Vec<i64> =
            query::list(transaction, "SELECT number FROM import_batch WHERE undone_at IS NULL", [], |row| {
                row.get(0)
            })?;
        let noted = "SELECT at, series FROM import_reading WHERE import = ?1 AND at >= ?2 AND at <= ?3";
        let mut forget = transaction
            .prepare_cached("DELETE FROM import_reading WHERE import = ?1 AND at = ?2 AND series = ?3")?;
        let mut count =
            transaction.prepare_cached("UPDATE import_batch SET thinned = thinned + ?2 WHERE number = ?1")?;
        for import in imports {
            let of_it: Vec<(i64, u32)> =
                query::list(transaction, noted, params![import, first.0, last.0], |row| {
                    Ok((row.get(0)?, row.get(1)?))
                })?;
            let mut rows = 0;
            for (at, series) in of_it.iter().filter(|key| gone.contains(*key)) {
                rows += forget.execute(params![import, at, series])?;
            }
            if rows > 0 {
                count.execute(params![import, i64::try_from(rows).unwrap_or(i64::MAX)])?;
            }
        }
        Ok(())
    }
}

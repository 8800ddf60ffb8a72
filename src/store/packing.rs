//! Readings of past days are packed ([`super::block_bytes`]), oldest first, in small
//! transactions, and unpacked where something has to change one of them.
//!
//! A step takes at most [`STEP_MAX`] readings out of the table and puts them into blocks in the
//! same transaction, so a crash between two steps leaves every reading in one of both. Their
//! quarter hours go with them: of packed readings a chart takes the readings themselves, which
//! are read faster than rows of quarter hours. A day that has passed is packed by the rows that
//! a step finds, so many small blocks of a series come out; further steps join them, and then
//! look through all blocks.
//!
//! What comes late stands beside the blocks as a row, and is put into its block on the next day.

#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, HashMap};

use jiff::Timestamp;
use rusqlite::{Connection, Transaction, params};

use super::block_bytes::{BrokenBlock, PlainRow, RowColumns};
use super::block_rows::{self, BLOCK_MAX, BlockHead};
use super::columns::{millis, timestamp};
use super::quarter_rows::Quarters;
use super::query;
use super::reject_rows;
use crate::garden::record::Reject;
use crate::history::quarter_of;

/// Readings that one step packs, at most: some milliseconds.
const STEP_MAX: usize = 6_000;

/// Blocks that one step reads to put what came late into them, at most.
const LATE_MAX: usize = 8;

/// Readings in the blocks that one step joins, at most, and blocks that it looks at.
const JOIN_MAX: usize = 4 * BLOCK_MAX;
const HEADS_MAX: i64 = 2_000;

/// Blocks that one step looks through.
const LOOK_MAX: i64 = 64;

const DAY_MS: i64 = 86_400_000;

/// How old a day has to be when it is packed, by the newest reading: most of what comes late has
/// come, and rules that change a flag afterwards have done so.
const SETTLED_MS: i64 = DAY_MS;

/// Blocks of which the times are held for what comes late.
const KNOWN_MAX: usize = 256;

/// What is there to do about readings that are not packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PackProgress {
    /// Nothing, for now.
    Done,
    /// There is more to do. So many readings were packed.
    More { readings: u64 },
}

/// What the writer knows of packed readings.
#[derive(Debug)]
pub(super) struct Packing {
    /// No packed reading is later.
    until: i64,
    /// Readings before this time are to be packed; found again each quarter of an hour.
    before: i64,
    looked: Option<i64>,
    work: PackWork,
    /// The highest number of a block that was looked through; `None`: all were.
    seen: Option<i64>,
    known: HashMap<i64, RowColumns>,
}

/// What comes next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum PackWork {
    Rest,
    /// Readings behind this key.
    Pack((i64, i64)),
    /// Blocks from this series and start on.
    Join((i64, i64)),
}

/// What a step came to.
#[derive(Debug)]
pub(super) struct PackStep {
    packed: u64,
    work: PackWork,
    seen: Option<i64>,
}

impl Packing {
    pub(super) fn open(connection: &Connection) -> rusqlite::Result<Self> {
        let (before, looked, work) = (i64::MIN, None, PackWork::Rest);
        Ok(Self { until: until(connection)?, before, looked, work, seen: Some(0), known: HashMap::new() })
    }

    /// Brings it up to date after something else wrote, or a write failed.
    pub(super) fn settle(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        self.known.clear();
        self.until = until(connection)?;
        Ok(())
    }

    /// The time after which no reading is packed.
    pub(super) fn until(&self) -> i64 {
        self.until
    }

    /// The raw number of a packed reading.
    pub(super) fn raw_of(
        &mut self,
        transaction: &Transaction<'_>,
        series: u32,
        at: i64,
    ) -> rusqlite::Result<Option<f64>> {
        if at > self.until {
            return Ok(None);
        }
        let Some(head) = block_rows::covering(transaction, series, at)? else { return Ok(None) };
        if !self.known.contains_key(&head.number) {
            if self.known.len() >= KNOWN_MAX {
                self.known.clear();
            }
            match block_rows::read(transaction, &head)? {
                Ok(rows) => drop(self.known.insert(head.number, rows)),
                Err(fault) => block_rows::set_aside(transaction, &head, &fault)?,
            }
        }
        let rows = self.known.get(&head.number);
        Ok(rows.and_then(|rows| rows.times().binary_search(&at).ok().map(|index| rows.row(index).raw)))
    }

    /// Makes sure that a reading, if it is there, stands in the table.
    pub(super) fn unpack(
        &mut self,
        transaction: &Transaction<'_>,
        series: u32,
        at: i64,
        quarters: &mut Quarters,
    ) -> rusqlite::Result<()> {
        if at <= self.until
            && let Some(head) = block_rows::covering(transaction, series, at)?
        {
            self.known.clear();
            block_rows::unpack(transaction, &head, Some(quarters))?;
        }
        Ok(())
    }

    /// Finds what is to be packed at `now`; begins again where another day is over.
    pub(super) fn look(&mut self, connection: &Connection, now: Timestamp) -> rusqlite::Result<()> {
        let quarter = Some(quarter_of(millis(now)));
        if self.looked == quarter {
            return Ok(());
        }
        self.looked = quarter;
        // A clock that is ahead of every reading packs nothing early.
        let newest: Option<i64> =
            query::one(connection, "SELECT max(at) FROM reading WHERE at <= ?1", [millis(now)])?;
        let Some(newest) = newest else { return Ok(()) };
        let before = newest.saturating_sub(SETTLED_MS).div_euclid(DAY_MS).saturating_mul(DAY_MS);
        if before != self.before {
            (self.before, self.work, self.seen) = (before, PackWork::Pack((i64::MIN, -1)), Some(0));
        }
        Ok(())
    }

    pub(super) fn has_more(&self) -> bool {
        self.work != PackWork::Rest || self.seen.is_some()
    }

    /// Does a step.
    pub(super) fn step(
        &mut self,
        transaction: &Transaction<'_>,
        quarters: &mut Quarters,
    ) -> rusqlite::Result<PackStep> {
        self.known.clear();
        match self.work {
            PackWork::Pack(after) => {
                let slice = PackSlice::read(transaction, after, self.before)?;
                let (packed, work) = slice.pack(transaction, quarters)?;
                self.until = self.until.max(slice.last.map_or(i64::MIN, |last| last.0));
                Ok(PackStep { packed, work, seen: self.seen })
            }
            PackWork::Join(from) => {
                Ok(PackStep { packed: 0, work: join(transaction, from)?, seen: self.seen })
            }
            PackWork::Rest => {
                let Some(seen) = self.seen else {
                    return Ok(PackStep { packed: 0, work: PackWork::Rest, seen: None });
                };
                let (last, broken) = block_rows::look(transaction, seen, LOOK_MAX)?;
                for (head, fault) in broken {
                    block_rows::set_aside(transaction, &head, &fault)?;
                }
                Ok(PackStep { packed: 0, work: PackWork::Rest, seen: last })
            }
        }
    }
}

impl Packing {
    /// A step was committed.
    pub(super) fn done(&mut self, step: &PackStep) -> PackProgress {
        (self.work, self.seen) = (step.work, step.seen);
        PackProgress::More { readings: step.packed }
    }
}

fn until(connection: &Connection) -> rusqlite::Result<i64> {
    let until: Option<i64> = query::one(connection, "SELECT max(last_at) FROM block", [])?;
    Ok(until.unwrap_or(i64::MIN))
}

/// Readings that go to one place.
struct PackGroup {
    /// The block whose span they lie in.
    block: Option<BlockHead>,
    /// The first time that does not go there.
    end: i64,
    rows: RowColumns,
}

/// The readings that a step takes.
struct PackSlice {
    after: (i64, i64),
    /// The key of the last of them.
    last: Option<(i64, i64)>,
    /// There are no others.
    whole: bool,
    groups: BTreeMap<u32, Vec<PackGroup>>,
    count: usize,
}

impl PackSlice {
    fn read(connection: &Connection, after: (i64, i64), before: i64) -> rusqlite::Result<Self> {
        let mut select = connection.prepare_cached(
            "SELECT at, series, raw, value, flag, tests, time_from, late FROM reading
             WHERE (at, series) > (?1, ?2) AND at < ?3 ORDER BY at, series LIMIT ?4",
        )?;
        let limit = i64::try_from(STEP_MAX).unwrap_or(i64::MAX);
        let mut found = select.query(params![after.0, after.1, before, limit])?;
        let mut rows: Vec<(u32, PlainRow)> = Vec::new();
        while let Some(row) = found.next()? {
            rows.push((row.get(1)?, PlainRow::read(row)?));
        }
        let mut slice =
            Self { after, last: None, whole: rows.len() < STEP_MAX, groups: BTreeMap::new(), count: 0 };
        // Not beyond a whole quarter of an hour: what is left of one would be made again.
        if let Some((_, last)) = rows.last().filter(|_| !slice.whole) {
            let cut = quarter_of(last.at);
            if rows.first().is_some_and(|(_, first)| quarter_of(first.at) < cut) {
                rows.retain(|(_, row)| row.at < cut);
            }
        }
        let mut late = 0;
        for (series, row) in rows {
            if !slice.add(connection, series, &row, &mut late)? {
                slice.whole = false;
                break;
            }
            slice.last = Some((row.at, i64::from(series)));
            slice.count += 1;
        }
        Ok(slice)
    }

    /// Adds a reading; returns whether it could: too many blocks would have to be read.
    fn add(
        &mut self,
        connection: &Connection,
        series: u32,
        row: &PlainRow,
        late: &mut usize,
    ) -> rusqlite::Result<bool> {
        let groups = self.groups.entry(series).or_default();
        if groups.last().is_none_or(|group| row.at >= group.end) {
            let block = block_rows::covering(connection, series, row.at)?;
            let end = match &block {
                Some(_) if *late >= LATE_MAX => return Ok(false),
                Some(block) => {
                    *late += 1;
                    block.last_at.saturating_add(1)
                }
                None => block_rows::next_start(connection, series, row.at)?.unwrap_or(i64::MAX),
            };
            groups.push(PackGroup { block, end, rows: RowColumns::default() });
        }
        if let Some(group) = groups.last_mut() {
            group.rows.push(row);
        }
        Ok(true)
    }

    /// Packs them and takes them out of the table.
    fn pack(
        &self,
        transaction: &Transaction<'_>,
        quarters: &mut Quarters,
    ) -> rusqlite::Result<(u64, PackWork)> {
        let next = if self.whole { PackWork::Join((-1, i64::MIN)) } else { self.work() };
        let Some(last) = self.last else { return Ok((0, next)) };
        for (&series, groups) in &self.groups {
            for group in groups {
                match &group.block {
                    None => block_rows::write_all(transaction, series, &group.rows)?,
                    Some(head) => put_in(transaction, head, &group.rows)?,
                }
            }
        }
        let gone = transaction
            .prepare_cached(
                "DELETE FROM reading WHERE at >= ?1 AND at <= ?3
                 AND (at, series) > (?1, ?2) AND (at, series) <= (?3, ?4)",
            )?
            .execute(params![self.after.0, self.after.1, last.0, last.1])?;
        if gone != self.count {
            return Err(rusqlite::Error::StatementChangedRows(gone));
        }
        self.quarters(transaction, quarters)?;
        Ok((self.count as u64, next))
    }

    fn work(&self) -> PackWork {
        PackWork::Pack(self.last.unwrap_or(self.after))
    }

    /// Takes away the quarter hours of which nothing else is there; others are made again.
    fn quarters(&self, transaction: &Transaction<'_>, quarters: &mut Quarters) -> rusqlite::Result<()> {
        let mut counts: BTreeMap<(u32, i64), u32> = BTreeMap::new();
        for (&series, groups) in &self.groups {
            for at in groups.iter().flat_map(|group| group.rows.times()) {
                *counts.entry((series, quarter_of(*at))).or_default() += 1;
            }
        }
        let mut delete = transaction
            .prepare_cached("DELETE FROM quarter WHERE series = ?1 AND start = ?2 AND readings = ?3")?;
        for ((series, start), count) in counts {
            if delete.execute(params![series, start, count])? == 0 {
                quarters.touch(transaction, start, series)?;
            }
        }
        Ok(())
    }
}

/// Puts readings into the block whose span they lie in.
fn put_in(transaction: &Transaction<'_>, head: &BlockHead, more: &RowColumns) -> rusqlite::Result<()> {
    let known = match block_rows::read(transaction, head)? {
        Ok(known) => known,
        Err(fault) => {
            block_rows::set_aside(transaction, head, &fault)?;
            return block_rows::write_all(transaction, head.series, more);
        }
    };
    let mut both = RowColumns::default();
    let mut more = more.rows().peekable();
    for row in known.rows() {
        while let Some(earlier) = more.next_if(|it| it.at < row.at) {
            both.push(&earlier);
        }
        both.push(&row);
        if let Some(again) = more.next_if(|it| it.at == row.at)
            && !again.is(&row)
        {
            reject_second(transaction, head.series, &row, &again)?;
        }
    }
    more.for_each(|row| both.push(&row));
    block_rows::remove(transaction, head.number)?;
    block_rows::write_all(transaction, head.series, &both)
}

/// No reading is in both places; where a damaged file says so, the packed one stays.
fn reject_second(
    transaction: &Transaction<'_>,
    series: u32,
    there: &PlainRow,
    again: &PlainRow,
) -> rusqlite::Result<()> {
    let topic =
        query::list::<String>(transaction, "SELECT topic FROM series WHERE id = ?1", [series], |row| {
            row.get(0)
        })?;
    let at = timestamp(there.at).unwrap_or(Timestamp::MIN);
    let reject = Reject {
        at,
        topic: topic.into_iter().next().unwrap_or_default(),
        payload: again.raw.to_string().into_bytes(),
        reason: format!("{} for {at} was in the record beside {}, which stays", again.raw, there.raw),
    };
    reject_rows::add(transaction, std::slice::from_ref(&reject))
}

/// Joins blocks that lie beside each other and are small together. Returns what comes next.
fn join(transaction: &Transaction<'_>, from: (i64, i64)) -> rusqlite::Result<PackWork> {
    let sql = format!(
        "SELECT {} FROM block WHERE (series, start) >= (?1, ?2) ORDER BY series, start LIMIT ?3",
        block_rows::HEAD
    );
    let heads = query::list(transaction, &sql, params![from.0, from.1, HEADS_MAX], BlockHead::read)?;
    let whole = i64::try_from(heads.len()).unwrap_or(HEADS_MAX) < HEADS_MAX;
    let mut read = 0;
    let mut rest = heads.as_slice();
    while let Some(first) = rest.first() {
        let mut readings = 0;
        let together = rest
            .iter()
            .take_while(|head| {
                readings += head.readings as usize;
                head.series == first.series && readings <= BLOCK_MAX
            })
            .count()
            .max(1);
        // The last ones of those that were looked at may go on behind them.
        if together == rest.len() && !whole && rest.len() < heads.len() {
            return Ok(PackWork::Join((i64::from(first.series), first.start)));
        }
        if together > 1 {
            if read >= JOIN_MAX {
                return Ok(PackWork::Join((i64::from(first.series), first.start)));
            }
            read += join_these(transaction, &rest[..together])?;
        }
        rest = &rest[together..];
    }
    let next = heads.last().map(|last| (i64::from(last.series), last.last_at.saturating_add(1)));
    Ok(next.filter(|_| !whole).map_or(PackWork::Rest, PackWork::Join))
}

fn join_these(transaction: &Transaction<'_>, heads: &[BlockHead]) -> rusqlite::Result<usize> {
    let mut all = RowColumns::default();
    let mut broken: Vec<(&BlockHead, BrokenBlock)> = Vec::new();
    for head in heads {
        match block_rows::read(transaction, head)? {
            Ok(rows) => {
                rows.rows().for_each(|row| all.push(&row));
                block_rows::remove(transaction, head.number)?;
            }
            Err(fault) => broken.push((head, fault)),
        }
    }
    for (head, fault) in broken {
        block_rows::set_aside(transaction, head, &fault)?;
    }
    block_rows::write(transaction, heads[0].series, &all)?;
    Ok(all.len())
}

//! Packed readings in their table: found, read, written, and unpacked again.
//!
//! What changes or takes away one reading of a block unpacks the block first, so that it finds
//! a row as any other. A block that cannot be read goes aside, where a person may look at it,
//! and a reject says which readings it held; the others are not touched by it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};
use tracing::warn;

use super::block_bytes::{BrokenBlock, FORMAT, PlainRow, RowColumns};
use super::columns::{meaning, timestamp};
use super::quarter_rows::{self, Quarters};
use super::query;
use crate::garden::record::Reading;
use crate::history::{Bin, Point, is_good, quarter_of};
use crate::model::SensorIx;
use crate::quality::{Flag, Tests};

/// Readings in a block, at most: days of a sensor that speaks each minute.
pub(super) const BLOCK_MAX: usize = 4_096;

/// What a block is, without its bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct BlockHead {
    pub(super) number: i64,
    pub(super) series: u32,
    /// The times of its first and its last reading, milliseconds.
    pub(super) start: i64,
    pub(super) last_at: i64,
    pub(super) readings: u32,
    /// Those that could be believed.
    pub(super) good: u32,
}

/// The columns of [`BlockHead::read`]; all of them are in the index `block_of`.
pub(super) const HEAD: &str = "number, series, start, last_at, readings, good";

impl BlockHead {
    /// From [`HEAD`].
    pub(super) fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            number: row.get(0)?,
            series: row.get(1)?,
            start: row.get(2)?,
            last_at: row.get(3)?,
            readings: row.get(4)?,
            good: row.get(5)?,
        })
    }
}

impl PlainRow {
    /// From the columns at, series, raw, value, flag, tests, `time_from`, late.
    pub(super) fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            at: row.get(0)?,
            raw: row.get(2)?,
            value: row.get(3)?,
            flag: row.get(4)?,
            tests: row.get(5)?,
            time_from: row.get(6)?,
            late: row.get(7)?,
        })
    }

    pub(super) fn time(&self) -> rusqlite::Result<Timestamp> {
        meaning::<super::columns::Moment>(0, self.at).map(|it| it.0)
    }

    pub(super) fn flag(&self) -> rusqlite::Result<Flag> {
        meaning(4, self.flag)
    }

    /// As a reading of a sensor.
    pub(super) fn reading(&self, sensor: SensorIx) -> rusqlite::Result<Reading> {
        Ok(Reading {
            sensor,
            at: self.time()?,
            raw: self.raw,
            value: self.value,
            flag: self.flag()?,
            tests: Tests(meaning(5, self.tests)?),
            time_from: meaning(6, self.time_from)?,
            late: self.late != 0,
        })
    }

    pub(super) fn point(&self) -> rusqlite::Result<Point> {
        Ok(Point {
            at: self.time()?,
            raw: self.raw,
            value: self.value,
            flag: self.flag()?,
            late: self.late != 0,
        })
    }

    /// Whether it has a value that can be believed.
    pub(super) fn is_good(&self) -> bool {
        self.value.is_some() && self.flag().is_ok_and(is_good)
    }
}

/// A CRC-32 over all that is kept of a block but its series, by which it may change its name.
fn checksum(start: i64, last_at: i64, (readings, good): (u32, u32), format: i64, packed: &[u8]) -> u32 {
    let mut sum = flate2::Crc::new();
    for number in [start, last_at, i64::from(readings), i64::from(good), format] {
        sum.update(&number.to_le_bytes());
    }
    sum.update(packed);
    sum.sum()
}

/// The readings of a block, or why it cannot be read.
pub(super) fn read(
    connection: &Connection,
    head: &BlockHead,
) -> rusqlite::Result<Result<RowColumns, BrokenBlock>> {
    connection.prepare_cached("SELECT format, checksum, packed FROM block WHERE number = ?1")?.query_row(
        [head.number],
        |row| {
            let (format, sum): (i64, i64) = (row.get(0)?, row.get(1)?);
            Ok(unpacked(head, format, sum, row.get_ref(2)?.as_blob()?))
        },
    )
}

fn unpacked(head: &BlockHead, format: i64, sum: i64, packed: &[u8]) -> Result<RowColumns, BrokenBlock> {
    whole(head, format, sum, packed)?;
    let columns = RowColumns::unpack(packed, head.readings as usize)?;
    if columns.times().first() != Some(&head.start) || columns.times().last() != Some(&head.last_at) {
        return Err(BrokenBlock::Part("the times of its ends"));
    }
    Ok(columns)
}

/// Whether a block's bytes are those that were written.
fn whole(head: &BlockHead, format: i64, sum: i64, packed: &[u8]) -> Result<(), BrokenBlock> {
    if i64::from(checksum(head.start, head.last_at, (head.readings, head.good), format, packed)) != sum {
        return Err(BrokenBlock::Checksum);
    }
    if format == FORMAT { Ok(()) } else { Err(BrokenBlock::Format(format)) }
}

/// The readings of a block; one that cannot be read is left out, and said in the program's own log.
pub(super) fn read_or_warn(
    connection: &Connection,
    head: &BlockHead,
) -> rusqlite::Result<Option<RowColumns>> {
    let read = read(connection, head)?;
    Ok(read
        .map_err(|reason| {
            let from = timestamp(head.start).map(|at| at.to_string());
            warn!(%reason, readings = head.readings, series = head.series, from, "packed readings are left out");
        })
        .ok())
}

/// Blocks that cannot be read, and why.
pub(super) type BrokenBlocks = Vec<(BlockHead, BrokenBlock)>;

/// Looks at the blocks with a number above `after`, at most `limit`. Returns the highest number,
/// and those that cannot be read.
pub(super) fn look(
    connection: &Connection,
    after: i64,
    limit: i64,
) -> rusqlite::Result<(Option<i64>, BrokenBlocks)> {
    let sql = format!(
        "SELECT {HEAD}, format, checksum, packed FROM block WHERE number > ?1 ORDER BY number LIMIT ?2"
    );
    let mut broken = Vec::new();
    let mut last = None;
    let mut select = connection.prepare_cached(&sql)?;
    let mut rows = select.query([after, limit])?;
    while let Some(row) = rows.next()? {
        let head = BlockHead::read(row)?;
        last = Some(head.number);
        if let Err(fault) = whole(&head, row.get(6)?, row.get(7)?, row.get_ref(8)?.as_blob()?) {
            broken.push((head, fault));
        }
    }
    Ok((last, broken))
}

/// Writes a block of readings that are in no other one.
pub(super) fn write(transaction: &Transaction<'_>, series: u32, rows: &RowColumns) -> rusqlite::Result<()> {
    let (Some(&start), Some(&last_at)) = (rows.times().first(), rows.times().last()) else { return Ok(()) };
    let count = |number: usize| u32::try_from(number).expect("a block has few readings");
    let (readings, good) = (count(rows.len()), count(rows.count_of(PlainRow::is_good)));
    let packed = rows.pack();
    let sum = checksum(start, last_at, (readings, good), FORMAT, &packed);
    transaction
        .prepare_cached(
            "INSERT INTO block (series, start, last_at, readings, good, format, checksum, packed)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        )?
        .execute(params![series, start, last_at, readings, good, FORMAT, sum, packed])?;
    Ok(())
}

/// Writes readings in as many blocks of about one size as they need.
pub(super) fn write_all(
    transaction: &Transaction<'_>,
    series: u32,
    rows: &RowColumns,
) -> rusqlite::Result<()> {
    let blocks = rows.len().div_ceil(BLOCK_MAX).max(1);
    for block in 0..blocks {
        let place = |block: usize| rows.len() * block / blocks;
        let mut part = RowColumns::default();
        for index in place(block)..place(block + 1) {
            part.push(&rows.row(index));
        }
        write(transaction, series, &part)?;
    }
    Ok(())
}

pub(super) fn remove(transaction: &Transaction<'_>, number: i64) -> rusqlite::Result<()> {
    transaction.prepare_cached("DELETE FROM block WHERE number = ?1")?.execute([number])?;
    Ok(())
}

/// The block of a series whose span holds a time.
pub(super) fn covering(connection: &Connection, series: u32, at: i64) -> rusqlite::Result<Option<BlockHead>> {
    let sql =
        format!("SELECT {HEAD} FROM block WHERE series = ?1 AND start <= ?2 ORDER BY start DESC LIMIT 1");
    let found =
        connection.prepare_cached(&sql)?.query_row(params![series, at], BlockHead::read).optional()?;
    Ok(found.filter(|head| head.last_at >= at))
}

/// The first time of the first block of a series that begins after `at`.
pub(super) fn next_start(connection: &Connection, series: u32, at: i64) -> rusqlite::Result<Option<i64>> {
    query::one(
        connection,
        "SELECT min(start) FROM block WHERE series = ?1 AND start > ?2",
        params![series, at],
    )
}

/// The first block from a series and time on.
pub(super) fn next(connection: &Connection, from: (u32, i64)) -> rusqlite::Result<Option<BlockHead>> {
    let sql =
        format!("SELECT {HEAD} FROM block WHERE (series, start) >= (?1, ?2) ORDER BY series, start LIMIT 1");
    connection.prepare_cached(&sql)?.query_row(params![from.0, from.1], BlockHead::read).optional()
}

/// What is wrong with packed readings; `None`: all can be read.
pub(super) fn fault(connection: &Connection) -> rusqlite::Result<Option<String>> {
    let (mut after, mut broken) = (0, Vec::new());
    while let (Some(last), more) = look(connection, after, 1000)? {
        after = last;
        broken.extend(more);
    }
    let readings: u64 = broken.iter().map(|(head, _)| u64::from(head.readings)).sum();
    Ok(broken.first().map(|(_, first)| format!("{readings} packed readings cannot be read: {first}")))
}

/// The series that have blocks.
pub(super) fn all_series(connection: &Connection) -> rusqlite::Result<Vec<u32>> {
    let mut all = Vec::new();
    let mut next = connection.prepare_cached("SELECT min(series) FROM block WHERE series > ?1")?;
    let mut last = -1_i64;
    while let Some(series) = next.query_row([last], |row| row.get::<_, Option<u32>>(0))? {
        all.push(series);
        last = i64::from(series);
    }
    Ok(all)
}

/// The blocks of a series that may hold readings with `from` <= time < `to`, oldest first.
pub(super) fn heads(
    connection: &Connection,
    series: u32,
    (from, to): (i64, i64),
) -> rusqlite::Result<Vec<BlockHead>> {
    let sql = format!(
        "SELECT {HEAD} FROM block WHERE series = ?1 AND start < ?3 AND start >=
            coalesce((SELECT max(start) FROM block WHERE series = ?1 AND start <= ?2), ?2) ORDER BY start"
    );
    let mut heads = query::list(connection, &sql, params![series, from, to], BlockHead::read)?;
    heads.retain(|head| head.last_at >= from);
    Ok(heads)
}

/// How many readings of a series with `from` <= time < `to` are packed, and the time of the last.
pub(super) fn count(
    connection: &Connection,
    series: u32,
    (from, to): (i64, i64),
) -> rusqlite::Result<(u64, Option<i64>)> {
    let (mut count, mut last) = (0, None);
    for head in heads(connection, series, (from, to))? {
        if from <= head.start && head.last_at < to {
            count += u64::from(head.readings);
            last = Some(head.last_at);
        } else if let Some(columns) = read_or_warn(connection, &head)? {
            let places = columns.within(from, to);
            count += places.len() as u64;
            last = places.last().map(|index| columns.times()[index]).or(last);
        }
    }
    Ok((count, last))
}

/// How many readings are packed.
pub(super) fn readings(connection: &Connection) -> rusqlite::Result<i64> {
    query::one(connection, "SELECT coalesce(sum(readings), 0) FROM block", [])
}

/// The times of the first and the last reading, packed or not.
pub(super) fn ends(connection: &Connection) -> rusqlite::Result<Option<(i64, i64)>> {
    let end = |sql: &str| query::one::<Option<i64>>(connection, sql, []);
    let first = [end("SELECT min(at) FROM reading")?, end("SELECT min(start) FROM block")?];
    let last = [end("SELECT max(at) FROM reading")?, end("SELECT max(last_at) FROM block")?];
    Ok(first.into_iter().flatten().min().zip(last.into_iter().flatten().max()))
}

/// Puts the readings of a block back where others are, and takes it away. `quarters` are told;
/// `None`: their marks are set for whoever reads them next.
pub(super) fn unpack(
    transaction: &Transaction<'_>,
    head: &BlockHead,
    mut quarters: Option<&mut Quarters>,
) -> rusqlite::Result<()> {
    let rows = match read(transaction, head)? {
        Ok(rows) => rows,
        Err(fault) => return set_aside(transaction, head, &fault),
    };
    let mut insert = transaction.prepare_cached(
        "INSERT INTO reading (at, series, raw, value, flag, tests, time_from, late)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT DO NOTHING",
    )?;
    let mut mark = transaction
        .prepare_cached("INSERT INTO quarter_stale (start, series) VALUES (?1, ?2) ON CONFLICT DO NOTHING")?;
    let mut bins: BTreeMap<i64, Bin> = BTreeMap::new();
    for row in rows.rows() {
        let PlainRow { at, raw, value, flag, tests, time_from, late } = row;
        insert.execute(params![at, head.series, raw, value, flag, tests, time_from, late])?;
        let start = quarter_of(at);
        let bin = bins.entry(start).or_insert_with(|| quarter_rows::empty(start));
        if let Ok(point) = query::understood(row.point())? {
            bin.add(&point);
        }
    }
    for (start, bin) in &bins {
        match &mut quarters {
            Some(quarters) if bin.readings > 0 => quarters.unpacked(transaction, head.series, bin)?,
            Some(_) => {}
            None => drop(mark.execute(params![start, head.series])?),
        }
    }
    remove(transaction, head.number)
}

/// Moves a block that cannot be read to where others are not looked for, and says so among the
/// rejects.
pub(super) fn set_aside(
    transaction: &Transaction<'_>,
    head: &BlockHead,
    fault: &BrokenBlock,
) -> rusqlite::Result<()> {
    let found = fault.to_string();
    transaction.execute(
        "INSERT INTO block_aside (series, start, last_at, readings, good, format, checksum, packed, found)
         SELECT series, start, last_at, readings, good, format, checksum, packed, ?2 FROM block WHERE number = ?1",
        params![head.number, found],
    )?;
    remove(transaction, head.number)?;
    let names = transaction
        .prepare_cached("SELECT site || '/' || sensor, topic FROM series WHERE id = ?1")?
        .query_row([head.series], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?)))
        .optional()?;
    let (sensor, topic) = names.unwrap_or_else(|| (format!("series {}", head.series), String::new()));
    let time = |at: i64| timestamp(at).unwrap_or(Timestamp::MIN);
    let (from, to) = (time(head.start), time(head.last_at));
    let reason = format!(
        "the record lost {} packed readings of {sensor} from {from} to {to}: {found}; their bytes are kept in the \
         table block_aside, and a backup of before has the readings",
        head.readings
    );
    warn!(reason, "packed readings are set aside");
    // By itself: what adds other rejects reads them as well, and so stands above this room.
    transaction
        .execute(
            "INSERT INTO reject (at, topic, payload, reason) VALUES (?1, ?2, x'', ?3)",
            params![head.last_at, topic, reason],
        )
        .map(drop)
}

//! Readings where they stand and packed ones, as one list in order of time and series.
//!
//! Whoever reads readings of a span reads them here. A block is unpacked when the list comes to
//! its first reading, and let go behind its last, so one of each series is held at a time.

use std::cmp::Reverse;
use std::collections::{BTreeSet, BinaryHeap};
use std::ops::{ControlFlow, Range};

use rusqlite::Connection;

use super::block_bytes::{PlainRow, RowColumns};
use super::block_rows::{self, BlockHead};

/// Series of which whole blocks are held; of more, only what lies in a part of the span.
const HELD_MAX: usize = 256;

/// That part: six hours, in milliseconds.
const PART_MS: i64 = 6 * 3_600_000;

/// Which readings are read.
#[derive(Clone, Copy, Debug)]
pub(super) struct RowSpan<'a> {
    /// Milliseconds; the end does not belong to it.
    pub(super) from: i64,
    pub(super) to: i64,
    /// `None`: of every series.
    pub(super) series: Option<&'a BTreeSet<u32>>,
    pub(super) newest_first: bool,
}

impl RowSpan<'_> {
    /// Every series, oldest first.
    pub(super) fn all(from: i64, to: i64) -> Self {
        Self { from, to, series: None, newest_first: false }
    }

    /// What is sorted by: the order of times and series, or the other way round.
    fn key(&self, at: i64, series: u32) -> (i64, i64) {
        let key = (at, i64::from(series));
        if self.newest_first { (!key.0, !key.1) } else { key }
    }

    /// The key of the first reading that a block may give.
    fn first(&self, head: &BlockHead) -> (i64, i64) {
        self.key(if self.newest_first { head.last_at } else { head.start }, head.series)
    }

    fn sql(&self) -> String {
        // Numbers of our own stand in the text: SQLite passes over neighbours' rows itself.
        let only = self.series.map_or(String::new(), |series| {
            let numbers: Vec<String> = series.iter().map(u32::to_string).collect();
            format!("AND series IN ({})", numbers.join(", "))
        });
        let order = if self.newest_first { "at DESC, series DESC" } else { "at, series" };
        format!(
            "SELECT at, series, raw, value, flag, tests, time_from, late FROM reading
             WHERE at >= ?1 AND at < ?2 {only} ORDER BY {order}"
        )
    }

    /// The blocks that may hold some, the first to be read at the end.
    fn heads(&self, connection: &Connection) -> rusqlite::Result<Vec<BlockHead>> {
        let mut all = Vec::new();
        let series = match self.series {
            Some(wanted) => wanted.iter().copied().collect(),
            None => block_rows::all_series(connection)?,
        };
        for series in series {
            all.extend(block_rows::heads(connection, series, (self.from, self.to))?);
        }
        all.sort_by_key(|head| Reverse(self.first(head)));
        Ok(all)
    }
}

/// Calls `each` with the series and the reading of each reading of a span until it breaks. All
/// are of one moment.
pub(super) fn each(
    connection: &Connection,
    span: RowSpan<'_>,
    mut each: impl FnMut(u32, &PlainRow) -> rusqlite::Result<ControlFlow<()>>,
) -> rusqlite::Result<()> {
    let alone = connection.is_autocommit();
    let _moment = alone.then(|| connection.unchecked_transaction()).transpose()?;
    let heads = span.heads(connection)?;
    let series: BTreeSet<u32> = heads.iter().map(|head| head.series).collect();
    if series.len() <= HELD_MAX {
        return merge(connection, span, heads, &mut each).map(drop);
    }
    // The parts lie within the blocks; before and behind them there are rows alone.
    let first = heads.iter().map(|head| head.start).min().unwrap_or(span.from).clamp(span.from, span.to);
    let last = heads.iter().map(|head| head.last_at).max().unwrap_or(span.to).saturating_add(1);
    let last = last.clamp(first, span.to);
    let mut parts = vec![(span.from, first)];
    while let Some(&(_, end)) = parts.last()
        && end < last
    {
        parts.push((end, end.saturating_add(PART_MS).min(last)));
    }
    parts.push((last, span.to));
    if span.newest_first {
        parts.reverse();
    }
    for (from, to) in parts {
        let part = RowSpan { from, to, ..span };
        let of_it = heads.iter().filter(|head| head.start < to && head.last_at >= from).copied().collect();
        if merge(connection, part, of_it, &mut each)?.is_break() {
            break;
        }
    }
    Ok(())
}

/// A block that is being read.
struct OpenBlock {
    series: u32,
    columns: RowColumns,
    /// The places that are still to come.
    places: Range<usize>,
}

fn merge(
    connection: &Connection,
    span: RowSpan<'_>,
    mut heads: Vec<BlockHead>,
    each: &mut impl FnMut(u32, &PlainRow) -> rusqlite::Result<ControlFlow<()>>,
) -> rusqlite::Result<ControlFlow<()>> {
    let mut select = connection.prepare_cached(&span.sql())?;
    let mut rows = select.query([span.from, span.to])?;
    let mut open = OpenBlocks { span, heap: BinaryHeap::new(), blocks: Vec::new(), free: Vec::new() };
    loop {
        let row = match rows.next()? {
            Some(row) => Some((row.get::<_, u32>(1)?, PlainRow::read(row)?)),
            None => None,
        };
        let until = row.as_ref().map(|(series, row)| span.key(row.at, *series));
        while let Some((series, packed)) = open.next(connection, &mut heads, until)? {
            if each(series, &packed)?.is_break() {
                return Ok(ControlFlow::Break(()));
            }
        }
        let Some((series, row)) = row else { return Ok(ControlFlow::Continue(())) };
        if each(series, &row)?.is_break() {
            return Ok(ControlFlow::Break(()));
        }
    }
}

struct OpenBlocks<'a> {
    span: RowSpan<'a>,
    /// The next reading of each block, and the block's place.
    heap: BinaryHeap<Reverse<((i64, i64), usize)>>,
    blocks: Vec<OpenBlock>,
    /// Places in the list of blocks that were read.
    free: Vec<usize>,
}

impl OpenBlocks<'_> {
    /// The next reading that comes before the key `until`.
    fn next(
        &mut self,
        connection: &Connection,
        heads: &mut Vec<BlockHead>,
        until: Option<(i64, i64)>,
    ) -> rusqlite::Result<Option<(u32, PlainRow)>> {
        loop {
            let next = self.heap.peek().map(|Reverse((key, _))| *key);
            let head = heads.last().map(|head| self.span.first(head));
            if let Some(head_key) = head
                && next.is_none_or(|next| head_key <= next)
                && until.is_none_or(|until| head_key <= until)
            {
                let head = heads.pop().expect("it was looked at");
                if let Some(columns) = block_rows::read_or_warn(connection, &head)? {
                    self.add(head.series, columns);
                }
                continue;
            }
            let Some(key) = next.filter(|key| until.is_none_or(|until| *key < until)) else {
                return Ok(None);
            };
            let Some(Reverse((_, place))) = self.heap.pop() else { return Ok(None) };
            let block = &mut self.blocks[place];
            debug_assert_eq!(key.1, self.span.key(0, block.series).1, "the heap keeps each block's own key");
            let index = if self.span.newest_first { block.places.next_back() } else { block.places.next() };
            let index = index.expect("a block with nothing left is not in the heap");
            let found = (block.series, block.columns.row(index));
            self.wait(place);
            return Ok(Some(found));
        }
    }

    fn add(&mut self, series: u32, mut columns: RowColumns) {
        let places = columns.within(self.span.from, self.span.to);
        columns.keep(places.clone());
        let block = OpenBlock { series, columns, places: 0..places.len() };
        let place = match self.free.pop() {
            Some(place) => {
                self.blocks[place] = block;
                place
            }
            None => {
                self.blocks.push(block);
                self.blocks.len() - 1
            }
        };
        self.wait(place);
    }

    /// Puts a block's next reading among those that come.
    fn wait(&mut self, place: usize) {
        let block = &mut self.blocks[place];
        let next =
            if self.span.newest_first { block.places.end.checked_sub(1) } else { Some(block.places.start) };
        match next.filter(|_| !block.places.is_empty()) {
            Some(next) => {
                let key = self.span.key(block.columns.times()[next], block.series);
                self.heap.push(Reverse((key, place)));
            }
            None => {
                block.columns = RowColumns::default();
                self.free.push(place);
            }
        }
    }
}

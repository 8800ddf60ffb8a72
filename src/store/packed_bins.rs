//! Packed readings added up in bins, column by column: a year of them is a million or two.
//!
//! They are added up by quarter hours first, as others are, so that a sum is the same to the
//! last bit.

use jiff::Timestamp;
use rusqlite::Connection;

use super::bin_span::BinSpan;
use super::block_bytes::{PlainRow, RowColumns};
use super::block_rows;
use super::columns::timestamp;
use crate::history::{Bin, Point, QUARTER_MS, quarter_of};

/// What a reading counts as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum CountsAs {
    Good,
    /// Suspect or bad: see [`Bin::add`].
    Other,
    /// It cannot be understood; that is said when the readings themselves are read.
    Nothing,
}

/// The quarter hour that is being added up.
struct OpenQuarter {
    start: i64,
    /// Its bin.
    bin: (Timestamp, Timestamp),
    sum: Bin,
    /// The time of the last good reading.
    last_at: i64,
}

/// Adds the packed readings of a series with `from` <= time < `to` to the bins of a sensor.
pub(super) fn add(
    connection: &Connection,
    series: u32,
    (from, to): (i64, i64),
    sensor: usize,
    span: &mut BinSpan<'_>,
) -> rusqlite::Result<()> {
    let mut open = None;
    for head in block_rows::heads(connection, series, (from, to))? {
        if let Some(columns) = block_rows::read_or_warn(connection, &head)? {
            add_block(&columns, (from, to), sensor, span, &mut open);
        }
    }
    end(open.take(), sensor, span);
    Ok(())
}

fn add_block(
    columns: &RowColumns,
    (from, to): (i64, i64),
    sensor: usize,
    span: &mut BinSpan<'_>,
    open: &mut Option<OpenQuarter>,
) {
    let kinds: Vec<(CountsAs, Option<Point>)> = columns.one_of_each_kind().map(|row| kind(&row)).collect();
    let (times, values, which) = columns.numbers();
    for index in columns.within(from, to) {
        let (at, value) = (times[index], values[index]);
        let Some((counts_as, Some(like))) = kinds.get(which[index] as usize) else { continue };
        if !open.as_ref().is_some_and(|it| (it.start..it.start + QUARTER_MS).contains(&at)) {
            end(open.take(), sensor, span);
            *open = begin(at, span);
        }
        let Some(quarter) = open else {
            // One that lies in two bins, and single readings.
            let Some(time) = timestamp(at) else { continue };
            let bin = span.edges.bin_of(time);
            let point = Point { at: time, value: like.value.map(|_| value), ..*like };
            span.with(sensor, bin, |bin| bin.add(&point));
            continue;
        };
        if *counts_as == CountsAs::Good {
            let sum = &mut quarter.sum;
            sum.readings += 1;
            sum.good += 1;
            sum.sum += value;
            sum.min = sum.min.min(value);
            sum.max = sum.max.max(value);
            (sum.last, quarter.last_at) = (value, at);
        } else {
            quarter.sum.add(like);
        }
    }
}

/// What readings of a kind count as, and one that is like them but for its time and numbers.
fn kind(row: &PlainRow) -> (CountsAs, Option<Point>) {
    match row.point() {
        Ok(point) if point.good().is_some() => (CountsAs::Good, Some(point)),
        Ok(point) => (CountsAs::Other, Some(point)),
        Err(_) => (CountsAs::Nothing, None),
    }
}

fn begin(at: i64, span: &mut BinSpan<'_>) -> Option<OpenQuarter> {
    let start = quarter_of(at);
    let (from, to) = timestamp(start).zip(timestamp(start + QUARTER_MS))?;
    let bin = span.holds(start)?;
    Some(OpenQuarter { start, bin, sum: Bin::empty(from, to), last_at: i64::MIN })
}

fn end(open: Option<OpenQuarter>, sensor: usize, span: &mut BinSpan<'_>) {
    let Some(OpenQuarter { bin, mut sum, last_at, .. }) = open else { return };
    if sum.good > 0 {
        sum.last_at = timestamp(last_at).unwrap_or(sum.start);
    }
    span.with(sensor, bin, |bin| bin.merge(&sum));
}

/// Adds the good packed readings of a series to the counts of the stretches between `edges`.
pub(super) fn count(
    connection: &Connection,
    series: u32,
    edges: &[i64],
    counts: &mut [u64],
) -> rusqlite::Result<()> {
    let (Some(&from), Some(&to)) = (edges.first(), edges.last()) else { return Ok(()) };
    // The stretch that begins last at or before a time.
    let of = |at: i64| edges.partition_point(|edge| *edge <= at).checked_sub(1);
    for head in block_rows::heads(connection, series, (from, to))? {
        if let Some(stretch) = of(head.start).filter(|it| of(head.last_at) == Some(*it))
            && let Some(count) = counts.get_mut(stretch)
        {
            *count += u64::from(head.good);
        } else if let Some(columns) = block_rows::read_or_warn(connection, &head)? {
            let good: Vec<bool> = columns.one_of_each_kind().map(|row| row.is_good()).collect();
            let (times, _, which) = columns.numbers();
            for (at, which) in times.iter().zip(which) {
                if good.get(*which as usize) == Some(&true)
                    && let Some(count) = of(*at).and_then(|stretch| counts.get_mut(stretch))
                {
                    *count += 1;
                }
            }
        }
    }
    Ok(())
}

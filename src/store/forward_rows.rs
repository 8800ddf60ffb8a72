//! Readings that go to other servers, packed ones too.

use std::collections::BTreeMap;

use rusqlite::{Connection, params};

use super::block_bytes::PlainRow;
use super::block_rows;
use super::columns::time;
use super::records::ForwardRow;

/// A reading as it is sent.
pub(super) fn plain(seq: i64, series: u32, row: &PlainRow) -> rusqlite::Result<ForwardRow> {
    let (at, flag) = (row.time()?, row.flag()?);
    Ok(ForwardRow { seq, series, at, raw: row.raw, value: row.value, flag })
}

/// The readings of a list, such as the queue, with a number above `after`, at most `limit`. The
/// statement has these two as its first parameters and a text as its third, and the columns
/// number, time, series, and the reading's raw number, value and flag, which are empty where it
/// is packed or gone. One that is gone is left out.
pub(super) fn of_list(
    connection: &Connection,
    sql: &str,
    mut after: i64,
    limit: u32,
    text: &str,
) -> rusqlite::Result<Vec<ForwardRow>> {
    let mut rows = Vec::new();
    while rows.len() < limit as usize {
        let (known, listed) = (rows.len(), limit - rows.len() as u32);
        // Times and numbers, by series: each block is read once.
        let mut packed: BTreeMap<u32, Vec<(i64, i64)>> = BTreeMap::new();
        let mut found = 0;
        let mut select = connection.prepare_cached(sql)?;
        let mut list = select.query(params![after, listed, text])?;
        while let Some(row) = list.next()? {
            let (seq, series) = (row.get(0)?, row.get(2)?);
            (after, found) = (seq, found + 1);
            match row.get(3)? {
                Some(raw) => {
                    let (at, value, flag) = (time(row, 1)?, row.get(4)?, row.get(5)?);
                    rows.push(ForwardRow { seq, at, series, raw, value, flag });
                }
                None => packed.entry(series).or_default().push((row.get(1)?, seq)),
            }
        }
        for (series, wanted) in packed {
            of_blocks(connection, series, wanted, &mut rows)?;
        }
        rows[known..].sort_by_key(|row| row.seq);
        if found < listed {
            break;
        }
    }
    Ok(rows)
}

/// Adds the packed readings of these times and numbers.
fn of_blocks(
    connection: &Connection,
    series: u32,
    mut wanted: Vec<(i64, i64)>,
    rows: &mut Vec<ForwardRow>,
) -> rusqlite::Result<()> {
    wanted.sort_unstable();
    let mut rest = wanted.as_slice();
    while let Some(&(at, _)) = rest.first() {
        let Some(head) = block_rows::covering(connection, series, at)? else {
            rest = &rest[1..];
            continue;
        };
        let (here, after) = rest.split_at(rest.partition_point(|(at, _)| *at <= head.last_at));
        rest = after;
        let Some(columns) = block_rows::read_or_warn(connection, &head)? else { continue };
        for &(at, seq) in here {
            if let Ok(index) = columns.times().binary_search(&at) {
                rows.push(plain(seq, series, &columns.row(index))?);
            }
        }
    }
    Ok(())
}

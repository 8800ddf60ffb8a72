//! Writing readings: the part that runs thousands of times a second.

#[cfg(test)]
mod tests;

use std::sync::LazyLock;

use rusqlite::{ToSql, Transaction, params};

use super::columns::{millis, time_from_number};
use super::packing::Packing;
use super::quarter_rows::Quarters;
use super::queue_rows::ForwardQueue;
use super::records::Committed;
use super::series::SeriesMap;
use super::thinning::Thinning;
use super::{day_rows, query, reject_rows};
use crate::garden::record::{Reading, Reflag, Reject};

/// Readings that one statement adds where all of them are new.
const RUN: usize = 64;

/// Notes a reading of the running import.
const NOTE_IMPORTED: &str = "INSERT INTO import_reading (import, at, series) VALUES (?1, ?2, ?3)";

/// The same of all readings between two keys, each of which came with it.
const NOTE_RUN: &str = "INSERT OR FAIL INTO import_reading (import, at, series)
                        SELECT ?1, at, series FROM reading WHERE (at, series) >= (?2, ?3) AND (at, series) <= (?4, ?5)";

/// Adds what is new, and counts what is not.
///
/// A reading that is there already with another raw number is not taken: the
/// first one stays, and a reject tells of the second.
pub(super) fn add(
    transaction: &Transaction<'_>,
    readings: &[Reading],
    map: &SeriesMap,
    at: jiff::Timestamp,
    (quarters, thinning, packing, import): (&mut Quarters, &mut Thinning, &mut Packing, Option<i64>),
    mut forwarding: Option<&mut ForwardQueue>,
    committed: &mut Committed,
) -> rusqlite::Result<()> {
    let thinned_until: Option<i64> = query::one(transaction, "SELECT max(until) FROM thinned", [])?;
    let mut insert = transaction.prepare_cached(
        "INSERT INTO reading (at, series, raw, value, flag, tests, time_from, late)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT DO NOTHING",
    )?;
    let mut queue = forwarding.is_some().then(|| ForwardQueue::statement(transaction)).transpose()?;
    let mut imported = import.map(|_| transaction.prepare_cached(NOTE_IMPORTED)).transpose()?;
    for run in readings.chunks(RUN) {
        // Before these times readings may stand elsewhere than in the table.
        let first = run.iter().map(|it| millis(it.at)).min().unwrap_or(i64::MIN);
        let all_new = first > packing.until()
            && thinned_until.is_none_or(|until| first >= until)
            && add_run(transaction, run, map, import)?;
        for reading in run {
            let (time, series) = (millis(reading.at), series_of(map, reading.sensor));
            if !all_new {
                if let Some(there) = packing.raw_of(transaction, series, time)? {
                    if is_other(there, reading.raw) {
                        committed.conflicting += 1;
                        reject_conflict(transaction, reading, series, there, at)?;
                    } else {
                        committed.repeated += 1;
                    }
                    continue;
                }
                if thinned_until.is_some_and(|until| time < until)
                    && day_rows::holds(transaction, series, time)?
                    && !is_there(transaction, time, series)?
                {
                    committed.summarised += 1;
                    reject_summarised(transaction, reading, series, at)?;
                    continue;
                }
                if insert.execute(columns_of(reading, time, series))? == 0 {
                    if let Some(there) = other_raw(transaction, time, series, reading.raw)? {
                        committed.conflicting += 1;
                        reject_conflict(transaction, reading, series, there, at)?;
                    } else {
                        committed.repeated += 1;
                    }
                    continue;
                }
                if let Some(imported) = &mut imported {
                    imported.execute(params![import, time, series])?;
                }
            }
            committed.stored += 1;
            quarters.touch(transaction, time, series)?;
            thinning.stored(time);
            if let (Some(queue), Some(forwarding)) = (&mut queue, forwarding.as_deref_mut()) {
                forwarding.push(queue, time, series)?;
            }
        }
    }
    Ok(())
}

/// What is written of a reading, in the order of the table.
type ReadingColumns = (i64, u32, f64, Option<f64>, u8, u32, i64, bool);

fn columns_of(reading: &Reading, time: i64, series: u32) -> ReadingColumns {
    let Reading { raw, value, flag, tests, time_from, late, .. } = *reading;
    (time, series, raw, value, flag.number(), tests.0, time_from_number(time_from), late)
}

/// Adds a whole run of readings by one statement, where none of them can be there: nothing
/// stands between the first and the last key, and no two are the same. Returns whether it has.
fn add_run(
    transaction: &Transaction<'_>,
    run: &[Reading],
    map: &SeriesMap,
    import: Option<i64>,
) -> rusqlite::Result<bool> {
    if run.len() < RUN {
        return Ok(false);
    }
    let mut sorted: Vec<((i64, u32), &Reading)> =
        run.iter().map(|it| ((millis(it.at), series_of(map, it.sensor)), it)).collect();
    sorted.sort_by_key(|(key, _)| *key);
    if sorted.windows(2).any(|two| two[0].0 == two[1].0) {
        return Ok(false);
    }
    let ((from, first), (to, last)) = (sorted[0].0, sorted[RUN - 1].0);
    let between =
        "SELECT EXISTS (SELECT 1 FROM reading WHERE (at, series) >= (?1, ?2) AND (at, series) <= (?3, ?4))";
    if query::one(transaction, between, params![from, first, to, last])? {
        return Ok(false);
    }
    static INSERT: LazyLock<String> = LazyLock::new(|| {
        // Where one fails, so does the whole transaction: no page is copied to take the others back.
        let rows = vec!["(?, ?, ?, ?, ?, ?, ?, ?)"; RUN].join(", ");
        format!(
            "INSERT OR FAIL INTO reading (at, series, raw, value, flag, tests, time_from, late) VALUES {rows}"
        )
    });
    let mut insert = transaction.prepare_cached(&INSERT)?;
    let mut place = 0;
    for ((time, series), reading) in sorted {
        let (at, of, raw, value, flag, tests, time_from, late) = columns_of(reading, time, series);
        let columns: [&dyn ToSql; 8] = [&at, &of, &raw, &value, &flag, &tests, &time_from, &late];
        for column in columns {
            place += 1;
            insert.raw_bind_parameter(place, column)?;
        }
    }
    insert.raw_execute()?;
    if import.is_some() {
        transaction.prepare_cached(NOTE_RUN)?.execute(params![import, from, first, to, last])?;
    }
    Ok(true)
}

/// Changes the flags of stored readings. One whose flag (not only its tests)
/// changes is forwarded again.
pub(super) fn reflag(
    transaction: &Transaction<'_>,
    reflags: &[Reflag],
    map: &SeriesMap,
    (quarters, packing): (&mut Quarters, &mut Packing),
    forwarding: Option<&mut ForwardQueue>,
) -> rusqlite::Result<()> {
    for it in reflags {
        packing.unpack(transaction, series_of(map, it.sensor), millis(it.at), quarters)?;
    }
    let Some(forwarding) = forwarding else {
        let mut both = transaction
            .prepare_cached("UPDATE reading SET flag = ?3, tests = ?4 WHERE at = ?1 AND series = ?2")?;
        for it in reflags {
            let (time, series) = (millis(it.at), series_of(map, it.sensor));
            both.execute(params![time, series, it.flag.number(), it.tests.0])?;
            quarters.touch(transaction, time, series)?;
        }
        return Ok(());
    };
    let mut queue = ForwardQueue::statement(transaction)?;
    let mut flag = transaction.prepare_cached(
        "UPDATE reading SET flag = ?3, tests = ?4 WHERE at = ?1 AND series = ?2 AND flag <> ?3",
    )?;
    let mut tests =
        transaction.prepare_cached("UPDATE reading SET tests = ?3 WHERE at = ?1 AND series = ?2")?;
    for it in reflags {
        let (time, series) = (millis(it.at), series_of(map, it.sensor));
        if flag.execute(params![time, series, it.flag.number(), it.tests.0])? == 1 {
            forwarding.push(&mut queue, time, series)?;
            quarters.touch(transaction, time, series)?;
        } else {
            tests.execute(params![time, series, it.tests.0])?;
        }
    }
    Ok(())
}

fn series_of(map: &SeriesMap, sensor: crate::model::SensorIx) -> u32 {
    map.series(sensor).expect("every sensor number was checked before the transaction began")
}

fn is_there(transaction: &Transaction<'_>, time: i64, series: u32) -> rusqlite::Result<bool> {
    transaction
        .prepare_cached("SELECT EXISTS (SELECT 1 FROM reading WHERE at = ?1 AND series = ?2)")?
        .query_row(params![time, series], |row| row.get(0))
}

/// The raw number that is there, where it is another one.
fn other_raw(
    transaction: &Transaction<'_>,
    time: i64,
    series: u32,
    raw: f64,
) -> rusqlite::Result<Option<f64>> {
    let there: f64 = transaction
        .prepare_cached("SELECT raw FROM reading WHERE at = ?1 AND series = ?2")?
        .query_row(params![time, series], |row| row.get(0))?;
    Ok(is_other(there, raw).then_some(there))
}

fn is_other(there: f64, raw: f64) -> bool {
    // Adding zero turns -0 into 0: SQLite keeps no sign of a zero.
    (there + 0.0).to_bits() != (raw + 0.0).to_bits()
}

fn reject_conflict(
    transaction: &Transaction<'_>,
    reading: &Reading,
    series: u32,
    there: f64,
    at: jiff::Timestamp,
) -> rusqlite::Result<()> {
    let why = format!(
        "already has the reading {there} for {}; {} for the same time was not taken",
        reading.at, reading.raw
    );
    reject_reading(transaction, reading, series, &why, at)
}

/// Whether it is in its day's figures already is not known any more: it would count twice.
fn reject_summarised(
    transaction: &Transaction<'_>,
    reading: &Reading,
    series: u32,
    at: jiff::Timestamp,
) -> rusqlite::Result<()> {
    let why = format!(
        "has only daily figures for {}, with readings from before and after it; {} was not taken, since it may be \
         in them already",
        reading.at, reading.raw
    );
    reject_reading(transaction, reading, series, &why, at)
}

fn reject_reading(
    transaction: &Transaction<'_>,
    reading: &Reading,
    series: u32,
    why: &str,
    at: jiff::Timestamp,
) -> rusqlite::Result<()> {
    let (sensor, topic): (String, String) = transaction
        .prepare_cached("SELECT site || '/' || sensor, topic FROM series WHERE id = ?1")?
        .query_row([series], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let payload = reading.raw.to_string().into_bytes();
    let reject = Reject { at, topic, payload, reason: format!("{sensor} {why}") };
    reject_rows::add(transaction, std::slice::from_ref(&reject))
}

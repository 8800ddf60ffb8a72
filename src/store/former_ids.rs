//! A sensor that has another id now keeps its history: the series of an earlier id
//! becomes its own when the file is opened, with the alarms and the log that name it.
//!
//! Where both ids have readings, those of the earlier one move over. Of two at one time
//! the newer id's stays, and the other where it was: nothing is lost.

use rusqlite::{OptionalExtension, Transaction, params};

use super::{block_rows, day_rows, query};
use crate::alarms::{AlarmKey, Kind, PlaceKind};
use crate::garden::log_entry::{About, KINDS};
use crate::garden::plan::Sensor;
use crate::history::QUARTER_MS;
use crate::model::Id;

/// Makes the series of a sensor's earlier ids its own. Returns the alarms that stood
/// under an earlier id, as they were called.
pub(super) fn take_over(
    transaction: &Transaction<'_>,
    site: &Id,
    sensor: &Sensor,
) -> rusqlite::Result<Vec<AlarmKey>> {
    let mut stood = Vec::new();
    let quantity = sensor.measures.name();
    for former in &sensor.formerly {
        let Some(from) = series_of(transaction, site, former, quantity)? else { continue };
        let (series, readings) = match series_of(transaction, site, &sensor.id, quantity)? {
            None => {
                let rename = "UPDATE series SET sensor = ?2 WHERE id = ?1";
                transaction.execute(rename, params![from, sensor.id.as_str()])?;
                (from, None)
            }
            Some(to) => {
                let moved = merge(transaction, from, to)?;
                if moved == 0 && still_has_readings(transaction, from)? {
                    // What is left of it has its time taken by the newer id.
                    continue;
                }
                (to, i64::try_from(moved).ok())
            }
        };
        stood.extend(rename_alarms(transaction, site, former, &sensor.id)?);
        transaction.execute(
            "INSERT INTO renamed (site, quantity, former, sensor, series, readings) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            params![site.as_str(), quantity, former.as_str(), sensor.id.as_str(), series, readings],
        )?;
    }
    Ok(stood)
}

fn series_of(
    transaction: &Transaction<'_>,
    site: &Id,
    sensor: &Id,
    quantity: &str,
) -> rusqlite::Result<Option<u32>> {
    let sql = "SELECT id FROM series WHERE site = ?1 AND sensor = ?2 AND quantity = ?3";
    transaction
        .prepare_cached(sql)?
        .query_row(params![site.as_str(), sensor.as_str(), quantity], |row| row.get(0))
        .optional()
}

fn still_has_readings(transaction: &Transaction<'_>, series: u32) -> rusqlite::Result<bool> {
    let sql = "SELECT EXISTS (SELECT 1 FROM reading WHERE series = ?1)
                   OR EXISTS (SELECT 1 FROM block WHERE series = ?1)
                   OR EXISTS (SELECT 1 FROM day_summary WHERE series = ?1)";
    transaction.query_row(sql, [series], |row| row.get(0))
}

/// Moves the readings of one series into another, and what belongs to them. Returns how
/// many there were.
fn merge(transaction: &Transaction<'_>, from: u32, to: u32) -> rusqlite::Result<usize> {
    let both = params![from, to];
    let packed = move_blocks(transaction, from, to)?;
    let moved = transaction.execute(
        "UPDATE reading SET series = ?2 WHERE series = ?1 AND NOT EXISTS
         (SELECT 1 FROM reading AS own WHERE own.at = reading.at AND own.series = ?2)
         AND NOT EXISTS (SELECT 1 FROM day_summary WHERE series = ?2
                         AND seen_from <= reading.at AND seen_to >= reading.at)",
        both,
    )?;
    let days = day_rows::move_to(transaction, from, to)?;
    // The quarter hours that hold moved readings are made again.
    for table in ["quarter", "quarter_stale"] {
        let mark = format!(
            "INSERT INTO quarter_stale (start, series) SELECT start, ?2 FROM {table} WHERE series = ?1
             ON CONFLICT DO NOTHING"
        );
        transaction.execute(&mark, both)?;
        transaction.execute(&format!("DELETE FROM {table} WHERE series = ?1"), [from])?;
    }
    transaction.execute("UPDATE forward_queue SET series = ?2 WHERE series = ?1", both)?;
    transaction.execute("UPDATE OR REPLACE forward_refused SET series = ?2 WHERE series = ?1", both)?;
    transaction.execute("UPDATE OR IGNORE reading_before SET series = ?2 WHERE series = ?1", both)?;
    transaction.execute("UPDATE OR IGNORE import_reading SET series = ?2 WHERE series = ?1", both)?;
    if still_has_readings(transaction, from)? {
        transaction.execute(
            "INSERT INTO quarter_stale (start, series)
             SELECT DISTINCT at - ((at % ?2) + ?2) % ?2, series FROM reading WHERE series = ?1
             ON CONFLICT DO NOTHING",
            params![from, QUARTER_MS],
        )?;
    } else {
        transaction.execute("DELETE FROM series WHERE id = ?1", [from])?;
    }
    Ok(packed + moved + days)
}

/// Moves packed readings: a block as it is where the other series has nothing in its span, else
/// its readings are put back where others are. Returns how many readings were moved as blocks.
fn move_blocks(transaction: &Transaction<'_>, from: u32, to: u32) -> rusqlite::Result<usize> {
    let everything = (i64::MIN, i64::MAX);
    let mut moved = 0;
    for head in block_rows::heads(transaction, from, everything)? {
        let apart: bool = query::one(
            transaction,
            "SELECT NOT EXISTS (SELECT 1 FROM reading WHERE at >= ?2 AND at <= ?3 AND series = ?1)
                AND NOT EXISTS (SELECT 1 FROM day_summary WHERE series = ?1 AND seen_from <= ?3 AND seen_to >= ?2)",
            params![to, head.start, head.last_at],
        )?;
        let others = block_rows::heads(transaction, to, (head.start, head.last_at.saturating_add(1)))?;
        if apart && others.is_empty() {
            transaction
                .prepare_cached("UPDATE block SET series = ?2 WHERE number = ?1")?
                .execute(params![head.number, to])?;
            moved += head.readings as usize;
            continue;
        }
        for other in others.iter().chain([&head]) {
            block_rows::unpack(transaction, other, None)?;
        }
    }
    Ok(moved)
}

/// Gives a sensor's alarms and what people wrote of it its id of today. Returns the
/// alarms that stood.
fn rename_alarms(
    transaction: &Transaction<'_>,
    site: &Id,
    former: &Id,
    sensor: &Id,
) -> rusqlite::Result<Vec<AlarmKey>> {
    let names = params![site.as_str(), former.as_str(), sensor.as_str()];
    let mut stood = Vec::new();
    let of_sensors =
        |place| matches!(place, PlaceKind::Sensor | PlaceKind::SensorOf(_) | PlaceKind::SensorWithBattery);
    for kind in Kind::at(of_sensors) {
        let name = kind.name();
        let sql = "SELECT EXISTS (SELECT 1 FROM alarm WHERE site = ?1 AND place = ?2 AND kind = ?3 AND state <> 'normal')";
        let stands: bool =
            transaction.query_row(sql, params![site.as_str(), former.as_str(), name], |row| row.get(0))?;
        if stands {
            stood.push(AlarmKey { site: site.clone(), kind, place: former.clone() });
        }
        for table in ["alarm_change", "alarm", "alarm_note", "waiting", "answer"] {
            // Names of our own, nothing from outside.
            let sql = format!(
                "UPDATE OR IGNORE {table} SET place = ?3 WHERE site = ?1 AND place = ?2 AND kind = '{name}'"
            );
            transaction.execute(&sql, names)?;
        }
    }
    for kind in KINDS.iter().filter(|kind| matches!(kind.about, About::Sensor | About::Job)) {
        // Names of our own, nothing from outside.
        let sql =
            format!("UPDATE log SET place = ?3 WHERE site = ?1 AND place = ?2 AND kind = '{}'", kind.name);
        transaction.execute(&sql, names)?;
    }
    Ok(stood)
}

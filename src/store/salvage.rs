//! A record that is damaged: it is moved aside, and what can be read of it is carried over
//! into a new one.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, OptionalExtension, params_from_iter};

use super::backup::{BackupFault, beside, put_in_place, remove_if_there};
use super::query;
use super::writer::lock;
use super::{StoreError, schema};

/// How long the look at a start may take. A large record is looked at as far as that goes.
const LOOK: Duration = Duration::from_secs(10);

/// Instructions of SQLite between two looks at the clock.
const STEPS: i32 = 100_000;

/// What was carried over of a damaged record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Salvaged {
    /// Where the damaged one is now.
    pub aside: PathBuf,
    pub readings: u64,
    /// Tables of which a part could not be read.
    pub broken: Vec<String>,
    /// What SQLite said of the damage.
    pub found: String,
}

/// Looks whether the record at `path` is whole; where it is damaged, moves it aside and
/// carries over what can be read. `None` where it is whole or there is none. The look takes
/// ten seconds at most: of a large record only a part is looked at.
///
/// # Errors
///
/// When another process writes to it, or the files cannot be moved or written.
pub fn mend_damaged(path: &Path, now: Timestamp) -> Result<Option<Salvaged>, StoreError> {
    if !path.exists() {
        return Ok(None);
    }
    let _lock = lock(path)?;
    let Some(found) = damage(path) else { return Ok(None) };
    let fault = |fault: BackupFault| match fault {
        BackupFault::Store(fault) => fault,
        fault => StoreError::Damaged { path: path.to_owned(), found: format!("{found}; {fault}") },
    };
    // Beside the damaged one first: a start that breaks off in between finds that one again,
    // and begins again.
    let coming = beside(path, ".coming");
    remove_if_there(&coming).map_err(fault)?;
    let salvaged = carry_over(path, &coming).map_err(|source| StoreError::Write {
        what: "what could be read of the damaged record",
        path: path.to_owned(),
        source,
    })?;
    let aside = put_in_place(&coming, path, "damaged", now).map_err(fault)?;
    Ok(aside.map(|aside| Salvaged { aside, found, ..salvaged }))
}

/// What SQLite finds wrong with a file of ours; `None` where it finds nothing in the time
/// that it has, or where that is another fault (locked, not ours), which opening it says.
fn damage(path: &Path) -> Option<String> {
    let mut connection = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE).ok()?;
    let began = Instant::now();
    connection.progress_handler(STEPS, Some(move || began.elapsed() > LOOK)).ok()?;
    let corrupt =
        |error: &rusqlite::Error| error.sqlite_error_code() == Some(rusqlite::ErrorCode::DatabaseCorrupt);
    match schema::of(&connection, path) {
        Ok(0) => return None,
        Ok(_) => {}
        Err(StoreError::Open { source, .. }) if corrupt(&source) => return Some(source.to_string()),
        Err(_) => return None,
    }
    match query::list::<String>(&connection, "PRAGMA quick_check(3)", [], |row| row.get(0)) {
        Ok(said) if said == ["ok"] => None,
        Ok(said) => Some(said.join("; ")),
        Err(error) => corrupt(&error).then(|| error.to_string()),
    }
}

/// Makes a new file at `to` with the same tables and every row of `from` that can be read.
fn carry_over(from: &Path, to: &Path) -> rusqlite::Result<Salvaged> {
    let old = Connection::open_with_flags(from, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    let version: i64 = old.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap_or(0);
    let mut new = Connection::open(to)?;
    schema::make(&mut new, version)?;
    let tables: Vec<String> = query::list(
        &new,
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name",
        [],
        |row| row.get(0),
    )?;
    let mut salvaged =
        Salvaged { aside: from.to_owned(), readings: 0, broken: Vec::new(), found: String::new() };
    // The state of the sites is made again of the readings.
    for table in tables.into_iter().filter(|table| table != "snapshot") {
        let write = new.transaction()?;
        let key: Vec<String> = query::list(
            &write,
            "SELECT name FROM pragma_table_info(?1) WHERE pk > 0 ORDER BY pk",
            [&table],
            |row| row.get(0),
        )?;
        if table == "block" {
            let (readings, whole) = copy_blocks(&old, &write)?;
            write.commit()?;
            salvaged.readings += readings;
            salvaged.broken.extend((!whole).then_some(table));
            continue;
        }
        let (mut rows, mut whole) = (0, true);
        // From both ends, as far as the damage lets it.
        for order in ["ASC", "DESC"] {
            let by: Vec<String> = key.iter().map(|column| format!("{column} {order}")).collect();
            let sql = format!("SELECT * FROM {table} ORDER BY {}", by.join(", "));
            let (read, ended) = copy_rows(&old, &write, &table, &sql, order == "DESC");
            rows += read;
            if ended {
                break;
            }
            whole = false;
        }
        write.commit()?;
        if !whole {
            salvaged.broken.push(table.clone());
        }
        if table == "reading" {
            salvaged.readings += rows;
        }
    }
    // The quarter hours are made again of the readings that are there.
    if salvaged.broken.iter().any(|it| it.starts_with("quarter") || it == "reading") {
        new.execute_batch(
            "DELETE FROM quarter; DELETE FROM quarter_stale; DELETE FROM counter WHERE name = 'quarters_until'",
        )?;
    }
    Ok(salvaged)
}

/// Copies packed readings, each block by itself, so that one that cannot be read takes no other
/// with it. Returns how many readings they hold, and whether all could be read.
fn copy_blocks(old: &Connection, new: &Connection) -> rusqlite::Result<(u64, bool)> {
    let last = "SELECT max(number) FROM block";
    let by_index = "SELECT max(number) FROM block INDEXED BY block_of";
    let last: rusqlite::Result<Option<i64>> =
        old.query_row(last, [], |row| row.get(0)).or_else(|_| old.query_row(by_index, [], |row| row.get(0)));
    let (mut readings, mut whole) = (0, last.is_ok());
    let Ok(Some(last)) = last else { return Ok((readings, whole)) };
    // Numbers are given in a row, so few of them stand for nothing.
    let mut insert = new.prepare("INSERT OR IGNORE INTO block VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)")?;
    let mut select = old.prepare("SELECT * FROM block WHERE number = ?1")?;
    for number in 1..=last {
        let values: rusqlite::Result<Option<Vec<Value>>> =
            select.query_row([number], |row| (0..9).map(|column| row.get(column)).collect()).optional();
        match values {
            Ok(None) => {}
            Ok(Some(values)) => {
                let count = if let Some(Value::Integer(count)) = values.get(4) { *count } else { 0 };
                let added = insert.execute(params_from_iter(values)).unwrap_or(0);
                readings += if added > 0 { count.unsigned_abs() } else { 0 };
                whole &= added > 0;
            }
            Err(_) => whole = false,
        }
    }
    Ok((readings, whole))
}

/// Copies rows until one cannot be read, or, where `until_known`, one is there already.
/// Returns how many were new, and whether the end was reached.
fn copy_rows(old: &Connection, new: &Connection, table: &str, sql: &str, until_known: bool) -> (u64, bool) {
    let mut copied = 0;
    let mut copy = || -> rusqlite::Result<bool> {
        let mut select = old.prepare(sql)?;
        let columns = select.column_count();
        let marks = vec!["?"; columns].join(", ");
        let mut insert = new.prepare(&format!("INSERT OR IGNORE INTO {table} VALUES ({marks})"))?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            let values: Vec<Value> = (0..columns).map(|n| row.get(n)).collect::<rusqlite::Result<_>>()?;
            // What a damaged page makes of a row may not fit its table.
            let added = insert.execute(params_from_iter(values)).unwrap_or(0);
            copied += added as u64;
            if added == 0 && until_known {
                return Ok(false);
            }
        }
        Ok(true)
    };
    let ended = copy().unwrap_or(false);
    (copied, ended)
}

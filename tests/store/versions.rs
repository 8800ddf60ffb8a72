//! A record of every earlier version of the tables is opened by today's program with every
//! row still there. The records stand in `tests/store/versions`, one for each version, and
//! never change; a test asks for the next one when the tables change.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rusqlite::Connection;
use rusqlite::types::Value;
use trug::garden::record::Batch;
use trug::store::{Reader, Store, Transaction, back_up, look_through};

use crate::support::garden::{only, probes, reading};
use crate::support::rows::rejects;

/// Rows of each table by the names of their columns.
type Rows = BTreeMap<String, (Vec<String>, Vec<String>)>;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/store/versions")
}

fn file_of(version: i64, path: &Path) {
    let text = fs::read_to_string(folder().join(format!("{version}.sql"))).unwrap();
    let connection = Connection::open(path).unwrap();
    connection.pragma_update(None, "journal_mode", "WAL").unwrap();
    connection.execute_batch(&text).unwrap();
    let found: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
    assert_eq!(found, version);
}

fn tables(connection: &Connection) -> Vec<String> {
    let sql =
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name";
    let mut select = connection.prepare(sql).unwrap();
    select.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
}

/// Every row; of the columns in `of` where a table is named there.
fn rows(path: &Path, of: Option<&Rows>) -> Rows {
    let connection = Connection::open(path).unwrap();
    let mut all = Rows::new();
    for table in tables(&connection) {
        let columns: Vec<String> = match of {
            None => {
                let mut select = connection.prepare("SELECT name FROM pragma_table_info(?1)").unwrap();
                select.query_map([&table], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
            }
            Some(of) => match of.get(&table) {
                Some((columns, _)) => columns.clone(),
                None => continue,
            },
        };
        let mut select = connection.prepare(&format!("SELECT {} FROM {table}", columns.join(", "))).unwrap();
        let count = columns.len();
        let mut found: Vec<String> = select
            .query_map([], |row| {
                let cells: Vec<Value> = (0..count).map(|n| row.get(n)).collect::<Result<_, _>>()?;
                Ok(format!("{cells:?}"))
            })
            .unwrap()
            .map(Result::unwrap)
            .collect();
        found.sort();
        all.insert(table, (columns, found));
    }
    all
}

fn newest() -> i64 {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    drop(Store::open(&path, &[]).unwrap());
    Connection::open(&path).unwrap().pragma_query_value(None, "user_version", |row| row.get(0)).unwrap()
}

#[test]
fn there_is_a_record_of_every_version() {
    let newest = newest();
    let missing: Vec<i64> =
        (1..=newest).filter(|version| !folder().join(format!("{version}.sql")).exists()).collect();
    assert_eq!(
        missing,
        Vec::<i64>::new(),
        "add tests/store/versions/{newest}.sql: that of the version before it, the new script, and rows for it"
    );
}

#[test]
fn a_record_of_every_version_is_opened_with_every_row() {
    let folder = tempfile::tempdir().unwrap();
    for version in 1..=newest() {
        let path = folder.path().join(format!("{version}.db"));
        file_of(version, &path);
        let before = rows(&path, None);
        for (table, (_, rows)) in &before {
            assert!(!rows.is_empty(), "version {version} has no row in {table}");
        }
        drop(Store::open(&path, &[]).unwrap());
        assert_eq!(rows(&path, Some(&before)), before, "from version {version}");
        let check: String = Connection::open(&path)
            .unwrap()
            .query_row("PRAGMA integrity_check", [], |row| row.get(0))
            .unwrap();
        assert_eq!(check, "ok", "version {version}");

        // What it holds is understood, and it takes what is new.
        let reader = Reader::open(&path).unwrap();
        assert_eq!(reader.count().unwrap(), 8);
        assert_eq!(reader.alarms_present().unwrap().len(), 1, "version {version}");
        assert_eq!(reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).unwrap().len(), 2);
        assert_eq!(rejects(&reader, 10).len(), 2);
        assert_eq!(reader.letters(0, 10).unwrap().len(), 1);
        assert_eq!(reader.letters_dropped().unwrap(), 5);
        assert_eq!(reader.log(0).unwrap().len(), if version >= 3 { 2 } else { 0 }, "version {version}");
        let mut store = Store::open(&path, &[probes(1)]).unwrap();
        let batch = Batch { readings: vec![reading(0, 0, 1234.5)], ..Batch::default() };
        store.commit(&Transaction { ..only(&batch) }).unwrap();
        assert_eq!(reader.count().unwrap(), 9, "version {version}");
        drop(store);

        // So is a copy of it.
        let copy = folder.path().join(format!("{version}-copy.db"));
        assert_eq!(back_up(&path, &copy).unwrap().readings, 9);
        assert_eq!(look_through(&copy).unwrap().readings, 9);
    }
}

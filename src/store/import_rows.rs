//! What each import brought, so that it can be taken back as a whole.
//!
//! While an import runs, [`Store::commit`] notes which readings and a trigger which steps of
//! alarms came into the file: those that were there already are not noted. (A trigger on
//! readings has SQLite copy the pages of each one, in case it fails.)

use jiff::Timestamp;
use rusqlite::{TransactionBehavior, params};

use super::alarm_rows;
use super::columns::{millis, optional_time, time};
use super::error::StoreError;
use super::query::{self, write_error};
use super::reader::Reader;
use super::writer::Store;

/// An import that is in the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImportBatch {
    pub number: i64,
    pub at: Timestamp,
    /// The files as they were named.
    pub files: String,
    pub readings: u64,
    pub undone_at: Option<Timestamp>,
}

/// What taking an import back took out of the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UndoneImport {
    pub readings: u64,
    /// Steps of alarms.
    pub steps: u64,
    pub from: Option<Timestamp>,
    pub to: Option<Timestamp>,
}

impl Reader {
    /// The imports, oldest first.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn imports(&self) -> Result<Vec<ImportBatch>, StoreError> {
        self.list(
            "imports",
            "SELECT number, at, files, readings, undone_at FROM import_batch ORDER BY number",
            [],
            |row| {
                Ok(ImportBatch {
                    number: row.get(0)?,
                    at: time(row, 1)?,
                    files: row.get(2)?,
                    readings: row.get::<_, i64>(3)?.unsigned_abs(),
                    undone_at: optional_time(row, 4)?,
                })
            },
        )
    }
}

impl Store {
    /// Notes from now on what comes into the file as part of one import; returns its number.
    /// Until [`Store::end_import`] nothing is promised to be on the disk.
    ///
    /// # Errors
    ///
    /// When the database cannot be written.
    pub fn begin_import(&mut self, files: &str, now: Timestamp) -> Result<i64, StoreError> {
        self.settle()?;
        let failed = write_error(&self.path, "an import");
        let begin = || {
            self.connection.execute(
                "INSERT INTO import_batch (at, files, readings) VALUES (?1, ?2, 0)",
                params![millis(now), files],
            )?;
            let number = self.connection.last_insert_rowid();
            self.connection.pragma_update(None, "synchronous", "NORMAL")?;
            self.connection.execute_batch(&format!(
                "CREATE TEMP TRIGGER note_import_step AFTER INSERT ON alarm_change BEGIN
                     INSERT INTO import_step (import, seq) VALUES ({number}, NEW.seq);
                 END;"
            ))?;
            Ok(number)
        };
        let number = begin().map_err(failed)?;
        self.import = Some(number);
        Ok(number)
    }

    /// Ends an import. One that brought nothing new leaves no trace. When this returns, all of
    /// it is on the disk.
    ///
    /// # Errors
    ///
    /// When the database cannot be written.
    pub fn end_import(&mut self, number: i64) -> Result<(), StoreError> {
        self.settle()?;
        self.import = None;
        self.write("an import", |connection| {
            connection.execute_batch("DROP TRIGGER IF EXISTS temp.note_import_step;")?;
            // The end of the next transaction brings the whole log to the disk.
            connection.pragma_update(None, "synchronous", "FULL")?;
            connection.execute(
                "UPDATE import_batch
                 SET readings = (SELECT count(*) FROM import_reading WHERE import = ?1) WHERE number = ?1",
                [number],
            )?;
            connection.execute(
                "DELETE FROM import_batch WHERE number = ?1 AND readings = 0
                 AND NOT EXISTS (SELECT 1 FROM import_step WHERE import = ?1)",
                [number],
            )?;
            Ok(())
        })
    }

    /// Takes out of the file what an import brought: its readings, and the steps of alarms
    /// that were made on the way; each of these alarms stands as its other steps say. What
    /// came to time-series servers meanwhile stays there.
    ///
    /// # Errors
    ///
    /// When the database cannot be written, or of some of its readings only daily figures are
    /// kept; then nothing is taken out.
    pub fn undo_import(&mut self, number: i64, now: Timestamp) -> Result<UndoneImport, StoreError> {
        self.settle()?;
        let failed = write_error(&self.path, "taking back an import");
        let sql = "SELECT coalesce(max(thinned), 0) FROM import_batch WHERE number = ?1";
        let thinned: i64 = self.read("an import", |connection| query::one(connection, sql, [number]))?;
        if thinned > 0 {
            return Err(StoreError::ImportSummarised { number, readings: thinned.unsigned_abs() });
        }
        self.doubtful = true;
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
        let (quarters, packing) = (&mut self.quarters, &mut self.packing);
        let mut undo = || {
            let readings: Vec<(i64, u32)> = query::list(
                &transaction,
                "SELECT at, series FROM import_reading WHERE import = ?1 ORDER BY at, series",
                [number],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )?;
            let mut taken = 0;
            for &(at, series) in &readings {
                packing.unpack(&transaction, series, at, quarters)?;
                taken += transaction
                    .prepare_cached("DELETE FROM reading WHERE at = ?1 AND series = ?2")?
                    .execute(params![at, series])?;
                quarters.touch(&transaction, at, series)?;
            }
            let alarms: Vec<(String, String, String)> = query::list(
                &transaction,
                "SELECT DISTINCT site, kind, place FROM alarm_change
                 WHERE seq IN (SELECT seq FROM import_step WHERE import = ?1)",
                [number],
                |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
            )?;
            transaction.execute(
                "DELETE FROM snapshot WHERE site IN
                 (SELECT DISTINCT s.site FROM import_reading i JOIN series s ON s.id = i.series WHERE i.import = ?1)",
                [number],
            )?;
            let steps = transaction.execute(
                "DELETE FROM alarm_change WHERE seq IN (SELECT seq FROM import_step WHERE import = ?1)",
                [number],
            )?;
            for (site, kind, place) in &alarms {
                alarm_rows::stand_by_history(&transaction, site, kind, place)?;
            }
            for table in ["import_reading", "import_step"] {
                transaction.execute(&format!("DELETE FROM {table} WHERE import = ?1"), [number])?;
            }
            transaction.execute(
                "UPDATE import_batch SET undone_at = ?2 WHERE number = ?1",
                params![number, millis(now)],
            )?;
            let moment = |at: Option<&(i64, u32)>| at.and_then(|(at, _)| super::columns::timestamp(*at));
            Ok(UndoneImport {
                readings: taken as u64,
                steps: steps as u64,
                from: moment(readings.first()),
                to: moment(readings.last()),
            })
        };
        let undone = undo().map_err(failed)?;
        transaction.commit().map_err(failed)?;
        self.doubtful = false;
        Ok(undone)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::{AlarmKey, AlarmRecord, AlarmText, Kind, Priority, State};
    use crate::garden::plan::Garden;
    use crate::garden::record::{AlarmChange, Batch, Reading};
    use crate::model::{Id, SensorIx, TimeFrom};
    use crate::quality::{Flag, Tests};
    use crate::settings::from_text;
    use crate::store::Transaction;

    const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";
    const GARDEN: &str = include_str!("../../config/gardens/saltbush-gully.toml");

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_776_403_800 + second).expect("in range")
    }

    fn gardens() -> Vec<Garden> {
        from_text(("trug.toml", TRUG), &[("g.toml", GARDEN)], std::iter::empty()).expect("no faults").gardens
    }

    fn reading(second: i64, raw: f64) -> Reading {
        Reading {
            sensor: SensorIx(0),
            at: at(second),
            raw,
            value: Some(raw),
            flag: Flag::Pass,
            tests: Tests::default(),
            time_from: TimeFrom::Device,
            late: false,
        }
    }

    fn step(second: i64, from: State, to: State) -> AlarmChange {
        let key =
            AlarmKey { site: Id::new("saltbush-gully"), kind: Kind::DryBed, place: Id::new("kitchen-bed") };
        let said = AlarmText::new("Kitchen bed is dry.", &[], "FAO-56");
        AlarmChange {
            record: AlarmRecord {
                key,
                state: to,
                since: at(0),
                at: at(second),
                shelf: None,
                course: crate::alarms::AlarmCourse::default(),
                said,
            },
            priority: Priority::Medium,
            from,
            how: None,
            tell: vec![],
        }
    }

    fn commit(store: &mut Store, readings: Vec<Reading>, changes: Vec<AlarmChange>) {
        let batch = Batch { readings, changes, ..Batch::default() };
        let transaction = Transaction {
            at: at(0),
            batch: &batch,
            letters: &[],
            letters_sent: &[],
            forwarded: &[],
            forward: false,
            messages: &[],
            sent: &[],
            tries: &[],
            waiting: &[],
            received: &[],
            confirmed: 0,
        };
        store.commit(&transaction).expect("it is written");
    }

    #[test]
    fn an_import_is_taken_back_and_nothing_else() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("trug.db");
        let mut store = Store::open(&path, &gardens()).expect("a store");
        commit(
            &mut store,
            vec![reading(0, 0.1), reading(900, 0.2)],
            vec![step(900, State::Normal, State::Unacknowledged)],
        );
        let reader = Reader::open(&path).expect("a reader");
        let record = || {
            let mut rows = Vec::new();
            let all = |row: crate::store::StoredReading<'_>| {
                rows.push((row.at, row.raw));
                std::ops::ControlFlow::Continue(())
            };
            reader.readings(&crate::store::ReadingFilter::default(), all).expect("readings");
            (rows, reader.alarms_present().expect("alarms"))
        };
        let before = record();

        let number = store.begin_import("a.csv", at(5000)).expect("it begins");
        // The second is there already, and stays when the import goes.
        commit(
            &mut store,
            vec![reading(300, 0.3), reading(900, 0.2), reading(1200, 0.4)],
            vec![step(1200, State::Unacknowledged, State::Normal)],
        );
        store.end_import(number).expect("it ends");
        commit(&mut store, vec![reading(1500, 0.5)], vec![]);
        assert_eq!(record().1, [], "the import ended the alarm");
        let batches = reader.imports().expect("imports");
        assert_eq!((batches.len(), batches[0].readings, batches[0].files.as_str()), (1, 2, "a.csv"));

        let undone = store.undo_import(number, at(6000)).expect("it is taken back");
        let expected = UndoneImport { readings: 2, steps: 1, from: Some(at(300)), to: Some(at(1200)) };
        assert_eq!(undone, expected);
        let (rows, alarms) = record();
        assert_eq!(alarms, before.1, "the alarm stands as before");
        assert_eq!(rows, [before.0, vec![(at(1500), 0.5)]].concat(), "what came after it stays");
        assert_eq!(reader.imports().expect("imports")[0].undone_at, Some(at(6000)));
    }

    #[test]
    fn an_import_that_brings_nothing_new_leaves_no_trace() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("trug.db");
        let mut store = Store::open(&path, &gardens()).expect("a store");
        commit(&mut store, vec![reading(0, 0.1)], vec![]);
        let number = store.begin_import("a.csv", at(5000)).expect("it begins");
        commit(&mut store, vec![reading(0, 0.1)], vec![]);
        store.end_import(number).expect("it ends");
        assert_eq!(Reader::open(&path).expect("a reader").imports().expect("imports"), []);
    }
}

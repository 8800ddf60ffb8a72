//! Writing what a replay of stored readings came to, a day at a time, and keeping what
//! was there before.
//!
//! A day is one transaction: the rows as they were go into the tables `..._before`, the
//! new ones into their place, quarter hours are marked as stale, and values or flags
//! that changed are queued for the forwarders once more. A replay that is stopped has
//! written whole days; the same replay again finds these as it would write them and goes
//! on with the rest.

use std::collections::BTreeSet;
use std::ops::ControlFlow;

use jiff::Timestamp;
use rusqlite::{OptionalExtension, Transaction, TransactionBehavior, params};

use super::alarm_rows;
use super::columns::millis;
use super::error::StoreError;
use super::merged::RowSpan;
use super::query::{self, write_error};
use super::queue_rows::ForwardQueue;
use super::reader::{Reader, counts};
use super::records::{AlarmPublication, AlarmRow};
use super::series::SeriesMap;
use super::snapshot_rows;
use super::writer::Store;
use crate::alarms::AlarmKey;
use crate::garden::record::{AlarmChange, Reading};
use crate::model::Id;

/// A replay that is being written.
#[derive(Clone, Debug)]
pub struct ReplayRun {
    /// Its number in the table `replay`, once a day of it is written.
    pub number: Option<i64>,
    pub written_at: Timestamp,
    /// `None`: every site.
    pub site: Option<Id>,
    pub from: Timestamp,
    pub to: Timestamp,
    /// Whether what changed is to be queued for the forwarders.
    pub forward: bool,
}

/// One day of a replay.
#[derive(Clone, Debug, Default)]
pub struct ReplayDay {
    /// Readings as they are to be. Their time, sensor and raw number are those of a
    /// stored one; value, flag and tests are written.
    pub readings: Vec<Reading>,
    /// Numbers of steps of alarms that leave the history.
    pub gone: Vec<i64>,
    /// Steps that come into it, in the order of their times.
    pub steps: Vec<AlarmChange>,
}

impl ReplayDay {
    /// Whether there is nothing to write.
    pub fn is_empty(&self) -> bool {
        self.readings.is_empty() && self.gone.is_empty() && self.steps.is_empty()
    }
}

/// A step of an alarm's history with its number there.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredStep {
    pub seq: i64,
    pub row: AlarmRow,
}

/// Makes the message to the broker of how an alarm stands; `None`: nothing is known of it.
pub(super) type PresentLetter<'a> = dyn Fn(&AlarmKey, Option<&AlarmRow>) -> AlarmPublication + 'a;

impl Reader {
    /// The readings with `from` <= time < `to`, late ones too, in order of time and, at
    /// one time, of series; `None` instead of the sensor where `map` has none for its
    /// series.
    ///
    /// # Errors
    ///
    /// When the file cannot be read, or holds what this program does not know.
    pub fn readings_between(
        &self,
        from: Timestamp,
        to: Timestamp,
        map: &SeriesMap,
        mut each: impl FnMut(Reading) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        self.each_row(RowSpan::all(millis(from), millis(to)), |series, row| match map.sensor(series) {
            Some(sensor) => Ok(each(row.reading(sensor)?)),
            None => Ok(ControlFlow::Continue(())),
        })
    }

    /// How many readings each series has with `from` <= time < `to`.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn readings_by_series(&self, from: Timestamp, to: Timestamp) -> Result<Vec<(u32, u64)>, StoreError> {
        let counts = self.with("readings", |connection| counts(connection, (millis(from), millis(to))))?;
        Ok(counts.into_iter().map(|(series, (readings, _))| (series, readings)).collect())
    }

    /// The steps of alarms with `from` <= time < `to` and their numbers, oldest first.
    ///
    /// # Errors
    ///
    /// When the file cannot be read, or holds what this program does not know.
    pub fn alarm_steps(
        &self,
        from: Timestamp,
        to: Timestamp,
        site: Option<&str>,
    ) -> Result<Vec<StoredStep>, StoreError> {
        self.list(
            "alarm changes",
            &format!(
                "SELECT {}, seq FROM alarm_change
                 WHERE at >= ?1 AND at < ?2 AND (?3 IS NULL OR site = ?3) ORDER BY at, seq",
                alarm_rows::CHANGE
            ),
            params![millis(from), millis(to), site],
            |row| Ok(StoredStep { seq: row.get("seq")?, row: alarm_rows::read(row)? }),
        )
    }
}

impl Store {
    /// Writes one day of a replay, all of it or nothing. `until` is the day's end.
    ///
    /// # Errors
    ///
    /// When the database cannot be written; the day may be given again.
    pub fn replay_day(
        &mut self,
        run: &mut ReplayRun,
        until: Timestamp,
        day: &ReplayDay,
        letter: &PresentLetter<'_>,
    ) -> Result<(), StoreError> {
        if day.is_empty() {
            return Ok(());
        }
        self.settle()?;
        self.doubtful = true;
        let failed = write_error(&self.path, "what a replay came to");
        let mut marks = self.marks;
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
        let written = (|| {
            let number = note_run(&transaction, run, until)?;
            snapshot_rows::forget_of(&transaction, run.site.as_ref().map(Id::as_str))?;
            let queued = marks.forwarding.last();
            let mut queue = run.forward.then(|| ForwardQueue::statement(&transaction)).transpose()?;
            for reading in &day.readings {
                let series = self.series.series(reading.sensor);
                let series = series.expect("the store has registered a series for every sensor");
                self.packing.unpack(&transaction, series, millis(reading.at), &mut self.quarters)?;
                if rewrite(&transaction, number, series, reading)? {
                    self.quarters.touch(&transaction, millis(reading.at), series)?;
                    if let Some(queue) = &mut queue {
                        marks.forwarding.push(queue, millis(reading.at), series)?;
                    }
                }
            }
            let mut alarms = BTreeSet::new();
            for &seq in &day.gone {
                alarms.extend(take_out(&transaction, number, seq)?);
            }
            for step in &day.steps {
                alarm_rows::add_step(&transaction, step)?;
                alarms.insert(AlarmNames::of(&step.record.key));
            }
            let mut letters = Vec::new();
            for alarm in &alarms {
                letters.extend(stand_again(&transaction, alarm, number, letter)?);
            }
            marks.outbox.add(&transaction, &letters, run.written_at)?;
            let added = marks.forwarding.last() - queued;
            marks.forwarding.trim(&transaction, added, run.written_at)?;
            drop(queue);
            Ok(number)
        })();
        let number = written.map_err(failed)?;
        transaction.commit().map_err(failed)?;
        run.number = Some(number);
        self.marks = marks;
        self.doubtful = false;
        Ok(())
    }
}

/// Notes how far the replay has come; returns its number.
fn note_run(transaction: &Transaction<'_>, run: &ReplayRun, until: Timestamp) -> rusqlite::Result<i64> {
    if let Some(number) = run.number {
        transaction
            .prepare_cached("UPDATE replay SET done_until = ?2 WHERE number = ?1")?
            .execute(params![number, millis(until)])?;
        return Ok(number);
    }
    transaction.execute(
        "INSERT INTO replay (written_at, site, from_at, to_at, done_until) VALUES (?1, ?2, ?3, ?4, ?5)",
        params![
            millis(run.written_at),
            run.site.as_ref().map(Id::as_str),
            millis(run.from),
            millis(run.to),
            millis(until)
        ],
    )?;
    Ok(transaction.last_insert_rowid())
}

/// Keeps a reading as it was and writes it as it is to be. Returns whether its value or
/// its flag (not only its tests) changed.
fn rewrite(
    transaction: &Transaction<'_>,
    number: i64,
    series: u32,
    reading: &Reading,
) -> rusqlite::Result<bool> {
    let at = millis(reading.at);
    transaction
        .prepare_cached(
            "INSERT INTO reading_before (at, series, replay, raw, value, flag, tests)
             SELECT at, series, ?3, raw, value, flag, tests FROM reading WHERE at = ?1 AND series = ?2
             ON CONFLICT DO NOTHING",
        )?
        .execute(params![at, series, number])?;
    let changed: Option<bool> = transaction
        .prepare_cached("SELECT value IS NOT ?3 OR flag <> ?4 FROM reading WHERE at = ?1 AND series = ?2")?
        .query_row(params![at, series, reading.value, reading.flag.number()], |row| row.get(0))
        .optional()?;
    // Packed readings that could not be read were set aside meanwhile.
    let Some(changed) = changed else { return Ok(false) };
    transaction
        .prepare_cached("UPDATE reading SET value = ?3, flag = ?4, tests = ?5 WHERE at = ?1 AND series = ?2")?
        .execute(params![at, series, reading.value, reading.flag.number(), reading.tests.0])?;
    Ok(changed)
}

/// An alarm by the names in its rows.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct AlarmNames {
    site: String,
    kind: String,
    place: String,
}

impl AlarmNames {
    fn of(key: &AlarmKey) -> Self {
        let AlarmKey { site, kind, place } = key;
        Self { site: site.to_string(), kind: kind.name().to_owned(), place: place.to_string() }
    }
}

/// Keeps a step of the history and takes it out of it; returns whose it was.
fn take_out(transaction: &Transaction<'_>, number: i64, seq: i64) -> rusqlite::Result<Option<AlarmNames>> {
    transaction
        .prepare_cached(
            "INSERT INTO alarm_change_before
             (replay, seq, at, site, kind, place, to_state, from_state, since, text, numbers, source, tell,
              why, shelf_until, shelf_once, how, severity, times, first_at, ended_at)
             SELECT ?2, seq, at, site, kind, place, to_state, from_state, since, text, numbers, source, tell,
              why, shelf_until, shelf_once, how, severity, times, first_at, ended_at
             FROM alarm_change WHERE seq = ?1",
        )?
        .execute([seq, number])?;
    transaction
        .prepare_cached("DELETE FROM alarm_change WHERE seq = ?1 RETURNING site, kind, place")?
        .query_row([seq], |row| Ok(AlarmNames { site: row.get(0)?, kind: row.get(1)?, place: row.get(2)? }))
        .optional()
}

/// Makes an alarm stand as the last step of its history says. Returns the message to the
/// broker where it stood otherwise before.
fn stand_again(
    transaction: &Transaction<'_>,
    alarm: &AlarmNames,
    number: i64,
    letter: &PresentLetter<'_>,
) -> rusqlite::Result<Option<AlarmPublication>> {
    let AlarmNames { site, kind, place } = alarm;
    let present = || {
        let columns = alarm_rows::PRESENT;
        let sql = format!("SELECT {columns} FROM alarm WHERE site = ?1 AND kind = ?2 AND place = ?3");
        query::list(transaction, &sql, params![site, kind, place], alarm_rows::read)
    };
    let before = present()?.pop();
    alarm_rows::stand_by_history(transaction, site, kind, place)?;
    let after = present()?.pop();
    let shown = |row: &Option<AlarmRow>| {
        row.as_ref().map(|row| (row.record.state, row.record.at, row.record.said.text.clone()))
    };
    if shown(&before) == shown(&after) {
        return Ok(None);
    }
    let Some(key) = after.as_ref().or(before.as_ref()).map(|row| row.record.key.clone()) else {
        return Ok(None);
    };
    let mut letter = letter(&key, after.as_ref());
    // The same step may have been published before, and another one since.
    letter.key = format!("{}/replay-{number}", letter.key);
    Ok(Some(letter))
}

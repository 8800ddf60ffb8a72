//! Reading beside the writer.

use std::collections::HashMap;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags, OptionalExtension, Params};

use super::error::StoreError;
use super::queue_rows::{FORWARD_DROPPED, LETTERS_DROPPED, counter};
use super::records::{
    Activity, AlarmRecord, ForwardRow, Letter, OutboxLetter, RejectRow, Row, UnplacedTopic,
};
use super::series::{Series, SeriesMap};
use super::{alarm_rows, columns, schema};
use crate::alarms::AlarmKey;
use crate::garden::record::Reading;
use crate::model::SensorIx;
use crate::quality::Tests;

/// How long to wait for a file that is locked, such as while its log is recovered.
const BUSY: Duration = Duration::from_secs(5);

/// Connections that are kept for the next caller.
const IDLE_MAX: usize = 4;

/// The database, open for reading. Clones share a few connections, so a reader
/// may be used from many threads at once. Each call sees the file as it was when
/// the call began. Calls wait for the disk: from `async` code, make them where
/// waiting is allowed.
#[derive(Clone, Debug)]
pub struct Reader {
    shared: Arc<Shared>,
}

#[derive(Debug)]
struct Shared {
    path: PathBuf,
    idle: Mutex<Vec<Connection>>,
}

/// Which readings to read. The default is all of them.
#[derive(Clone, Debug, Default)]
pub struct Filter {
    pub site: Option<String>,
    /// Empty: every sensor.
    pub sensors: Vec<String>,
    /// A bed's or tank's id, or [`Series::WHOLE_SITE`].
    pub place: Option<String>,
    /// The first time that belongs to it.
    pub from: Option<Timestamp>,
    /// The first time that does not belong to it any more.
    pub to: Option<Timestamp>,
}

impl Filter {
    /// Whether a series may be read.
    pub fn takes(&self, series: &Series) -> bool {
        self.site.as_ref().is_none_or(|site| *site == series.site)
            && (self.sensors.is_empty() || self.sensors.contains(&series.sensor))
            && self.place.as_ref().is_none_or(|place| *place == series.place)
    }
}

impl Reader {
    /// Opens a database that a [`Store`](super::Store) has made.
    ///
    /// # Errors
    ///
    /// When it is missing, cannot be read, is not ours, or has another layout
    /// version than this program reads.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let reader =
            Self { shared: Arc::new(Shared { path: path.to_owned(), idle: Mutex::new(Vec::new()) }) };
        let connection = reader.connect()?;
        reader.give_back(connection);
        Ok(reader)
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.shared.path
    }

    /// Readings that were judged (not late) from `from` on, in order of time and,
    /// at one time, of series. A series that is not in `map` is left out.
    pub fn rebuild(
        &self,
        from: Timestamp,
        map: &SeriesMap,
        mut each: impl FnMut(Reading),
    ) -> Result<(), StoreError> {
        self.with("readings", |connection| {
            let mut select = connection.prepare_cached(
                "SELECT at, series, raw, value, flag, tests, time_from, late FROM reading
                 WHERE at >= ?1 AND late = 0 ORDER BY at, series",
            )?;
            let mut rows = select.query([columns::millis(from)])?;
            while let Some(row) = rows.next()? {
                let Some(sensor) = map.sensor(row.get(1)?) else { continue };
                each(reading(row, sensor)?);
            }
            Ok(())
        })
    }

    /// Each sensor's last judged time and raw number before `from`, looking back
    /// as far as `back_to`. Sensors that said nothing in that time are left out.
    pub fn last_before(
        &self,
        from: Timestamp,
        back_to: Timestamp,
        map: &SeriesMap,
        mut each: impl FnMut(SensorIx, Timestamp, f64),
    ) -> Result<(), StoreError> {
        self.with("readings", |connection| {
            let mut missing = map.len();
            let mut found = vec![false; missing];
            let mut select = connection.prepare_cached(
                "SELECT at, series, raw FROM reading
                 WHERE at < ?1 AND at >= ?2 AND late = 0 ORDER BY at DESC, series DESC",
            )?;
            let mut rows = select.query([columns::millis(from), columns::millis(back_to)])?;
            while missing > 0
                && let Some(row) = rows.next()?
            {
                let Some(sensor) = map.sensor(row.get(1)?) else { continue };
                if !std::mem::replace(&mut found[sensor.0 as usize], true) {
                    missing -= 1;
                    each(sensor, time(row, 0)?, row.get(2)?);
                }
            }
            Ok(())
        })
    }

    /// Stored readings in order of time and, at one time, of series.
    pub fn readings(
        &self,
        filter: &Filter,
        mut each: impl FnMut(Row<'_>) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let mut wanted = self.series()?;
        wanted.retain(|_, series| filter.takes(series));
        if wanted.is_empty() {
            return Ok(());
        }
        self.with("readings", |connection| {
            let mut select = connection.prepare_cached(
                "SELECT at, series, raw, value, flag, tests, time_from, late FROM reading
                 WHERE at >= ?1 AND at < ?2 ORDER BY at, series",
            )?;
            let from = filter.from.map_or(i64::MIN, columns::millis);
            let to = filter.to.map_or(i64::MAX, columns::millis);
            let mut rows = select.query([from, to])?;
            while let Some(row) = rows.next()? {
                let Some(series) = wanted.get(&row.get(1)?) else { continue };
                let Reading { sensor: _, at, raw, value, flag, tests, time_from, late } =
                    reading(row, SensorIx(0))?;
                if each(Row { series, at, raw, value, flag, tests, time_from, late }).is_break() {
                    break;
                }
            }
            Ok(())
        })
    }

    /// Every series, by its number.
    pub fn series(&self) -> Result<HashMap<u32, Series>, StoreError> {
        self.list("series", "SELECT id, site, sensor, quantity, unit, place FROM series", [], |row| {
            Ok(series(row)?)
        })
        .map(|all| all.into_iter().map(|series| (series.number, series)).collect())
    }

    /// How many readings there are. Looks at every page of them.
    pub fn count(&self) -> Result<u64, StoreError> {
        self.number("SELECT count(*) FROM reading").map(|count| count.unwrap_or(0).unsigned_abs())
    }

    /// The time of the latest reading.
    pub fn latest_at(&self) -> Result<Option<Timestamp>, StoreError> {
        self.list("readings", "SELECT at FROM reading ORDER BY at DESC LIMIT 1", [], |row| time(row, 0))
            .map(|rows| rows.into_iter().next())
    }

    /// What each series has said since `from`, in order of site and sensor.
    pub fn activity(&self, from: Timestamp) -> Result<Vec<Activity>, StoreError> {
        self.list(
            "readings",
            "SELECT s.id, s.site, s.sensor, s.quantity, s.unit, s.place, count(*), max(r.at)
             FROM reading r JOIN series s ON s.id = r.series
             WHERE r.at >= ?1 GROUP BY r.series ORDER BY s.site, s.sensor",
            [columns::millis(from)],
            |row| {
                Ok(Activity {
                    series: series(row)?,
                    readings: row.get::<_, i64>(6)?.unsigned_abs(),
                    last: time(row, 7)?,
                })
            },
        )
    }

    /// The alarms that are not normal, in order of site, kind and place.
    pub fn alarms_present(&self) -> Result<Vec<AlarmRecord>, StoreError> {
        self.list(
            "alarms",
            &format!(
                "SELECT {} FROM alarm WHERE state <> 'normal' ORDER BY site, kind, place",
                alarm_rows::PRESENT
            ),
            [],
            |row| alarm_rows::read(row)?.map_err(Fault::Row),
        )
    }

    /// The steps of alarms with `from` <= time < `to`, oldest first.
    pub fn alarm_changes(
        &self,
        from: Timestamp,
        to: Timestamp,
        site: Option<&str>,
    ) -> Result<Vec<AlarmRecord>, StoreError> {
        self.first_alarm_changes(from, to, site, u32::MAX)
    }

    /// The same, the oldest of them, at most `limit`.
    pub fn first_alarm_changes(
        &self,
        from: Timestamp,
        to: Timestamp,
        site: Option<&str>,
        limit: u32,
    ) -> Result<Vec<AlarmRecord>, StoreError> {
        self.list(
            "alarm changes",
            &format!(
                "SELECT {} FROM alarm_change
                 WHERE at >= ?1 AND at < ?2 AND (?3 IS NULL OR site = ?3) ORDER BY at, seq LIMIT ?4",
                alarm_rows::CHANGE
            ),
            (columns::millis(from), columns::millis(to), site, limit),
            |row| alarm_rows::read(row)?.map_err(Fault::Row),
        )
    }

    /// The steps of one occurrence of an alarm, by the beginning of its condition,
    /// oldest first. No step is older than its condition, so the time bounds the search.
    pub fn occurrence(&self, alarm: &AlarmKey, since: Timestamp) -> Result<Vec<AlarmRecord>, StoreError> {
        self.list(
            "alarm changes",
            &format!(
                "SELECT {} FROM alarm_change
                 WHERE at >= ?1 AND since = ?1 AND site = ?2 AND kind = ?3 AND place = ?4 ORDER BY at, seq",
                alarm_rows::CHANGE
            ),
            (columns::millis(since), alarm.site.as_str(), alarm.kind.name(), alarm.place.as_str()),
            |row| alarm_rows::read(row)?.map_err(Fault::Row),
        )
    }

    /// Letters that wait, with a number above `after`, in order.
    pub fn letters(&self, after: i64, limit: u32) -> Result<Vec<OutboxLetter>, StoreError> {
        self.list(
            "letters",
            "SELECT seq, key, topic, payload FROM outbox WHERE seq > ?1 AND sent = 0 ORDER BY seq LIMIT ?2",
            (after, limit),
            |row| {
                let letter = Letter { key: row.get(1)?, topic: row.get(2)?, payload: row.get(3)? };
                Ok(OutboxLetter { seq: row.get(0)?, letter })
            },
        )
    }

    /// Letters that were let go because too many waited.
    pub fn letters_dropped(&self) -> Result<u64, StoreError> {
        self.with("counters", |connection| Ok(counter(connection, LETTERS_DROPPED)?.unsigned_abs()))
    }

    /// What was refused, newest first.
    pub fn rejects(&self, limit: u32) -> Result<Vec<RejectRow>, StoreError> {
        self.list(
            "rejects",
            "SELECT seq, at, topic, payload, reason FROM reject ORDER BY seq DESC LIMIT ?1",
            [limit],
            |row| {
                Ok(RejectRow {
                    seq: row.get(0)?,
                    at: time(row, 1)?,
                    topic: row.get(2)?,
                    payload: row.get(3)?,
                    reason: row.get(4)?,
                })
            },
        )
    }

    /// Topics that no sensor names, the latest to speak first.
    pub fn unplaced(&self, limit: u32) -> Result<Vec<UnplacedTopic>, StoreError> {
        self.list(
            "topics without a sensor",
            "SELECT topic, first_at, last_at, messages, payload FROM unplaced
             ORDER BY last_at DESC, topic LIMIT ?1",
            [limit],
            |row| {
                Ok(UnplacedTopic {
                    topic: row.get(0)?,
                    first: time(row, 1)?,
                    last: time(row, 2)?,
                    messages: row.get::<_, i64>(3)?.unsigned_abs(),
                    payload: row.get(4)?,
                })
            },
        )
    }

    /// Rows that wait for a forwarder, with a number above `after`, in order.
    pub fn forward_rows(&self, after: i64, limit: u32) -> Result<Vec<ForwardRow>, StoreError> {
        // CROSS JOIN keeps the queue as the outer table.
        self.list(
            "the forward queue",
            "SELECT q.seq, q.at, q.series, r.raw, r.value, r.flag
             FROM forward_queue q CROSS JOIN reading r ON r.at = q.at AND r.series = q.series
             WHERE q.seq > ?1 ORDER BY q.seq LIMIT ?2",
            (after, limit),
            |row| {
                let flag: i64 = row.get(5)?;
                Ok(ForwardRow {
                    seq: row.get(0)?,
                    at: time(row, 1)?,
                    series: row.get(2)?,
                    raw: row.get(3)?,
                    value: row.get(4)?,
                    flag: columns::flag(flag).ok_or_else(|| Fault::Row(format!("the flag {flag}")))?,
                })
            },
        )
    }

    /// How far a forwarder has come; 0 where it is not known.
    pub fn forward_position(&self, name: &str) -> Result<i64, StoreError> {
        self.with("forwarders", |connection| {
            Ok(connection
                .query_row("SELECT position FROM forwarder WHERE name = ?1", [name], |row| row.get(0))
                .optional()?
                .unwrap_or(0))
        })
    }

    /// The number of the last row in the forward queue; `None` when it is empty.
    pub fn forward_last(&self) -> Result<Option<i64>, StoreError> {
        self.number("SELECT max(seq) FROM forward_queue")
    }

    /// Rows that were let go, before every server had them, because too many waited.
    pub fn forward_dropped(&self) -> Result<u64, StoreError> {
        self.with("counters", |connection| Ok(counter(connection, FORWARD_DROPPED)?.unsigned_abs()))
    }

    fn number(&self, sql: &str) -> Result<Option<i64>, StoreError> {
        self.with("numbers", |connection| Ok(connection.query_row(sql, [], |row| row.get(0))?))
    }

    fn list<T>(
        &self,
        what: &'static str,
        sql: &str,
        parameters: impl Params,
        each: impl Fn(&rusqlite::Row<'_>) -> Result<T, Fault>,
    ) -> Result<Vec<T>, StoreError> {
        self.with(what, |connection| {
            let mut select = connection.prepare_cached(sql)?;
            let mut rows = select.query(parameters)?;
            let mut list = Vec::new();
            while let Some(row) = rows.next()? {
                list.push(each(row)?);
            }
            Ok(list)
        })
    }

    pub(super) fn with<T>(
        &self,
        what: &'static str,
        read: impl FnOnce(&Connection) -> Result<T, Fault>,
    ) -> Result<T, StoreError> {
        let idle = self.idle().pop();
        let connection = match idle {
            Some(connection) => connection,
            None => self.connect()?,
        };
        let path = || self.shared.path.clone();
        let result = read(&connection).map_err(|fault| match fault {
            Fault::Sqlite(source) => StoreError::Read { what, path: path(), source },
            Fault::Row(found) => StoreError::Row { what, path: path(), found },
        });
        self.give_back(connection);
        result
    }

    fn idle(&self) -> std::sync::MutexGuard<'_, Vec<Connection>> {
        self.shared.idle.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn give_back(&self, connection: Connection) {
        let mut idle = self.idle();
        if idle.len() < IDLE_MAX {
            idle.push(connection);
        }
    }

    fn connect(&self) -> Result<Connection, StoreError> {
        let path = &self.shared.path;
        if !path.exists() {
            return Err(StoreError::Missing { path: path.clone() });
        }
        let failed = |source| StoreError::Open { path: path.clone(), source };
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags).map_err(failed)?;
        connection.busy_timeout(BUSY).map_err(failed)?;
        schema::check(&connection, path)?;
        Ok(connection)
    }
}

/// Why a row could not be read.
pub(super) enum Fault {
    Sqlite(rusqlite::Error),
    /// What in the row cannot be understood.
    Row(String),
}

impl From<rusqlite::Error> for Fault {
    fn from(source: rusqlite::Error) -> Self {
        Self::Sqlite(source)
    }
}

fn time(row: &rusqlite::Row<'_>, column: usize) -> Result<Timestamp, Fault> {
    let millis = row.get(column)?;
    columns::timestamp(millis).ok_or_else(|| Fault::Row(format!("the time {millis}")))
}

/// From the columns at, series, raw, value, flag, tests, `time_from`, late.
fn reading(row: &rusqlite::Row<'_>, sensor: SensorIx) -> Result<Reading, Fault> {
    let (flag, time_from): (i64, i64) = (row.get(4)?, row.get(6)?);
    Ok(Reading {
        sensor,
        at: time(row, 0)?,
        raw: row.get(2)?,
        value: row.get(3)?,
        flag: columns::flag(flag).ok_or_else(|| Fault::Row(format!("the flag {flag}")))?,
        tests: Tests(row.get(5)?),
        time_from: columns::time_from(time_from)
            .ok_or_else(|| Fault::Row(format!("whose clock it was: {time_from}")))?,
        late: row.get(7)?,
    })
}

/// From the columns id, site, sensor, quantity, unit, place.
fn series(row: &rusqlite::Row<'_>) -> rusqlite::Result<Series> {
    Ok(Series {
        number: row.get(0)?,
        site: row.get(1)?,
        sensor: row.get(2)?,
        quantity: row.get(3)?,
        unit: row.get(4)?,
        place: row.get(5)?,
    })
}

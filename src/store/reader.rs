//! Reading beside the writer.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::{ControlFlow, Range, RangeInclusive};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags, Params};
use tracing::warn;

use super::block_bytes::PlainRow;
use super::columns::{Moment, meaning, millis, time, timestamp};
use super::counters::counter;
use super::error::StoreError;
use super::merged::{self, RowSpan};
use super::older_fill::OlderFill;
use super::query::{self, proceed_if, read_error, understood};
use super::queue_rows::{FORWARD_DROPPED, LETTERS_DROPPED};
use super::records::{
    Activity, AlarmPublication, AlarmRow, ForwardRow, QueuedPublication, StoredReading, UnplacedTopic,
};
use super::series::{Series, SeriesMap};
use super::{alarm_rows, block_rows, forward_rows, schema};
use crate::alarms::AlarmKey;
use crate::garden::record::Reading;
use crate::model::SensorIx;

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
    pub(super) shared: Arc<ReaderPool>,
    /// Readings from elsewhere that are given as well.
    pub(super) older: Option<Arc<OlderFill>>,
}

#[derive(Debug)]
pub(super) struct ReaderPool {
    path: PathBuf,
    idle: Mutex<Vec<Connection>>,
}

/// Which readings to read. The default is all of them.
#[derive(Clone, Debug, Default)]
pub struct ReadingFilter {
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

impl ReadingFilter {
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
        let reader = Self {
            shared: Arc::new(ReaderPool { path: path.to_owned(), idle: Mutex::new(Vec::new()) }),
            older: None,
        };
        let connection = reader.connect()?;
        reader.give_back(connection);
        Ok(reader)
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.shared.path
    }

    /// Readings that were judged (not late) of a span, in order of time and, at one time,
    /// of series. A series that is not in `map` is left out.
    pub fn rebuild(
        &self,
        span: RangeInclusive<Timestamp>,
        map: &SeriesMap,
        mut each: impl FnMut(Reading),
    ) -> Result<(), StoreError> {
        let span = RowSpan::all(millis(*span.start()), millis(*span.end()).saturating_add(1));
        self.each_row(span, |series, row| {
            if row.late == 0
                && let Some(sensor) = map.sensor(series)
            {
                each(row.reading(sensor)?);
            }
            Ok(ControlFlow::Continue(()))
        })
    }

    /// Readings of a span, late ones too, the newest first, until `each` breaks. A series
    /// that is not in `map` is left out.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn newest_first(
        &self,
        span: Range<Timestamp>,
        map: &SeriesMap,
        mut each: impl FnMut(Reading) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let span = RowSpan { newest_first: true, ..RowSpan::all(millis(span.start), millis(span.end)) };
        self.each_row(span, |series, row| match map.sensor(series) {
            Some(sensor) => Ok(each(row.reading(sensor)?)),
            None => Ok(ControlFlow::Continue(())),
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
        let mut missing = map.sensors();
        if missing == 0 {
            return Ok(());
        }
        let mut found = vec![false; missing];
        let span = RowSpan { newest_first: true, ..RowSpan::all(millis(back_to), millis(from)) };
        self.each_row(span, |series, row| {
            if row.late == 0
                && let Some(sensor) = map.sensor(series)
                && !std::mem::replace(&mut found[sensor.0 as usize], true)
            {
                missing -= 1;
                each(sensor, row.time()?, row.raw);
            }
            Ok(proceed_if(missing > 0))
        })
    }

    /// Stored readings in order of time and, at one time, of series.
    pub fn readings(
        &self,
        filter: &ReadingFilter,
        mut each: impl FnMut(StoredReading<'_>) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let mut wanted = self.series()?;
        wanted.retain(|_, series| filter.takes(series));
        if wanted.is_empty() {
            return Ok(());
        }
        if self.older.is_some() {
            return self.filled_readings(filter, &wanted, each);
        }
        let (from, to) = (filter.from.map_or(i64::MIN, millis), filter.to.map_or(i64::MAX, millis));
        let numbers: BTreeSet<u32> = wanted.keys().copied().collect();
        self.each_row(RowSpan { series: Some(&numbers), ..RowSpan::all(from, to) }, |series, row| {
            let Some(series) = wanted.get(&series) else { return Ok(ControlFlow::Continue(())) };
            Ok(each(StoredReading::of(series, row.reading(SensorIx(0))?)))
        })
    }

    /// Every series, by its number.
    pub fn series(&self) -> Result<HashMap<u32, Series>, StoreError> {
        self.list("series", "SELECT id, site, sensor, quantity, unit, place FROM series", [], series)
            .map(|all| all.into_iter().map(|series| (series.number, series)).collect())
    }

    /// What is wrong with the file, at most three faults; it reads all of it.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn quick_check(&self) -> Result<Vec<String>, StoreError> {
        let said: Vec<String> = self.list("the whole file", "PRAGMA quick_check(3)", [], |row| row.get(0))?;
        let (packed, aside) = self.with("packed readings", |connection| {
            let aside = "SELECT coalesce(sum(readings), 0) FROM block_aside";
            Ok((block_rows::fault(connection)?, query::one::<i64>(connection, aside, [])?))
        })?;
        let aside =
            (aside > 0).then(|| format!("{aside} packed readings could not be read and are set aside"));
        Ok(said.into_iter().filter(|line| line != "ok").chain(packed).chain(aside).collect())
    }

    /// How many readings there are. Looks at every page of those that are not packed.
    pub fn count(&self) -> Result<u64, StoreError> {
        let sql = "SELECT (SELECT count(*) FROM reading) + (SELECT coalesce(sum(readings), 0) FROM block)";
        self.number(sql).map(|count| count.unwrap_or(0).unsigned_abs())
    }

    /// The time of the latest reading.
    pub fn latest_at(&self) -> Result<Option<Timestamp>, StoreError> {
        let ends = self.with("readings", block_rows::ends)?;
        Ok(ends.and_then(|(_, last)| timestamp(last)))
    }

    /// What each series has said since `from`, in order of site and sensor.
    pub fn activity(&self, from: Timestamp) -> Result<Vec<Activity>, StoreError> {
        let counts = self.with("readings", |connection| counts(connection, (millis(from), i64::MAX)))?;
        let mut all = Vec::new();
        for (number, series) in self.series()? {
            let Some((readings, last)) = counts.get(&number) else { continue };
            let Moment(last) = meaning(7, *last).map_err(read_error(&self.shared.path, "readings"))?;
            all.push(Activity { series, readings: *readings, last });
        }
        all.sort_by(|a, b| {
            let key = |it: &Activity| (it.series.site.clone(), it.series.sensor.clone(), it.series.number);
            key(a).cmp(&key(b))
        });
        Ok(all)
    }

    /// The alarms that are not normal, in order of site, kind and place.
    pub fn alarms_present(&self) -> Result<Vec<AlarmRow>, StoreError> {
        self.list(
            "alarms",
            &format!(
                "SELECT {} FROM alarm WHERE state <> 'normal' ORDER BY site, kind, place",
                alarm_rows::PRESENT
            ),
            [],
            alarm_rows::read,
        )
    }

    /// How one alarm stands, normal ones too; `None` where it never changed.
    pub fn alarm_of(&self, key: &AlarmKey) -> Result<Option<AlarmRow>, StoreError> {
        let rows = self.list(
            "an alarm",
            &format!(
                "SELECT {} FROM alarm WHERE site = ?1 AND kind = ?2 AND place = ?3",
                alarm_rows::PRESENT
            ),
            (key.site.as_str(), key.kind.name(), key.place.as_str()),
            alarm_rows::read,
        )?;
        Ok(rows.into_iter().next())
    }

    /// The last step of every alarm that was ever told, in order of site, kind and place.
    ///
    /// # Errors
    ///
    /// When the file cannot be read, or holds what this program does not know.
    pub fn alarms_known(&self) -> Result<Vec<AlarmRow>, StoreError> {
        self.list(
            "alarms",
            &format!("SELECT {} FROM alarm ORDER BY site, kind, place", alarm_rows::PRESENT),
            [],
            alarm_rows::read,
        )
    }

    /// The steps of alarms with `from` <= time < `to`, oldest first.
    pub fn alarm_changes(
        &self,
        from: Timestamp,
        to: Timestamp,
        site: Option<&str>,
    ) -> Result<Vec<AlarmRow>, StoreError> {
        self.first_alarm_changes(from, to, site, u32::MAX)
    }

    /// The same, the oldest of them, at most `limit`.
    pub fn first_alarm_changes(
        &self,
        from: Timestamp,
        to: Timestamp,
        site: Option<&str>,
        limit: u32,
    ) -> Result<Vec<AlarmRow>, StoreError> {
        self.list_understood(
            "alarm changes",
            &format!(
                "SELECT {} FROM alarm_change
                 WHERE at >= ?1 AND at < ?2 AND (?3 IS NULL OR site = ?3) ORDER BY at, seq LIMIT ?4",
                alarm_rows::CHANGE
            ),
            (millis(from), millis(to), site, limit),
            alarm_rows::read,
            |reason| warn!(reason, "a step of an alarm cannot be understood; it is left out"),
        )
    }

    /// The steps of one occurrence of an alarm, by the beginning of its condition,
    /// oldest first. No step is older than its condition, so the time bounds the search.
    pub fn occurrence(&self, alarm: &AlarmKey, since: Timestamp) -> Result<Vec<AlarmRow>, StoreError> {
        self.list(
            "alarm changes",
            &format!(
                "SELECT {} FROM alarm_change
                 WHERE at >= ?1 AND since = ?1 AND site = ?2 AND kind = ?3 AND place = ?4 ORDER BY at, seq",
                alarm_rows::CHANGE
            ),
            (millis(since), alarm.site.as_str(), alarm.kind.name(), alarm.place.as_str()),
            alarm_rows::read,
        )
    }

    /// Letters that wait, with a number above `after`, in order.
    pub fn letters(&self, after: i64, limit: u32) -> Result<Vec<QueuedPublication>, StoreError> {
        self.list(
            "letters",
            "SELECT seq, key, topic, payload FROM outbox WHERE seq > ?1 AND sent = 0 ORDER BY seq LIMIT ?2",
            (after, limit),
            |row| {
                let letter = AlarmPublication { key: row.get(1)?, topic: row.get(2)?, payload: row.get(3)? };
                Ok(QueuedPublication { seq: row.get(0)?, letter })
            },
        )
    }

    /// Letters that were let go because too many waited.
    pub fn letters_dropped(&self) -> Result<u64, StoreError> {
        self.dropped(LETTERS_DROPPED)
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
        self.with("the forward queue", |connection| {
            let _moment = connection.unchecked_transaction()?;
            let sql = "SELECT q.seq, q.at, q.series, r.raw, r.value, r.flag
                       FROM forward_queue q LEFT JOIN reading r ON r.at = q.at AND r.series = q.series
                       WHERE q.seq > ?1 AND ?3 = '' ORDER BY q.seq LIMIT ?2";
            forward_rows::of_list(connection, sql, after, limit, "")
        })
    }

    /// Stored readings with a time from `from` (included) to `to` (excluded), by time and
    /// series, after the time and series of `after`. They have no number.
    pub fn forward_range(
        &self,
        (from, to): (Timestamp, Timestamp),
        after: Option<(Timestamp, u32)>,
        limit: u32,
    ) -> Result<Vec<ForwardRow>, StoreError> {
        let after = after.map_or((millis(from), -1), |(at, series)| (millis(at), i64::from(series)));
        let mut rows = Vec::new();
        if limit == 0 {
            return Ok(rows);
        }
        self.each_row(RowSpan::all(after.0, millis(to)), |series, row| {
            if (row.at, i64::from(series)) > after {
                rows.push(forward_rows::plain(0, series, row)?);
            }
            Ok(proceed_if(rows.len() < limit as usize))
        })?;
        Ok(rows)
    }

    /// How far a forwarder has come; 0 where it is not known.
    pub fn forward_position(&self, name: &str) -> Result<i64, StoreError> {
        self.with("forwarders", |connection| {
            let sql = "SELECT coalesce(max(position), 0) FROM forwarder WHERE name = ?1";
            query::one(connection, sql, [name])
        })
    }

    /// Rows that were let go, before every server had them, because too many waited.
    pub fn forward_dropped(&self) -> Result<u64, StoreError> {
        self.dropped(FORWARD_DROPPED)
    }

    pub(super) fn number(&self, sql: &str) -> Result<Option<i64>, StoreError> {
        self.with("numbers", |connection| query::one(connection, sql, []))
    }

    /// The counter of what was let go.
    pub(super) fn dropped(&self, name: &str) -> Result<u64, StoreError> {
        self.with("counters", |connection| Ok(counter(connection, name)?.unsigned_abs()))
    }

    /// All rows of a statement.
    pub(super) fn list<T>(
        &self,
        what: &'static str,
        sql: &str,
        parameters: impl Params,
        read: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        self.with(what, |connection| query::list(connection, sql, parameters, read))
    }

    /// The rows of a statement that can be understood; `left_out` is told why another is
    /// left out.
    pub(super) fn list_understood<T>(
        &self,
        what: &'static str,
        sql: &str,
        parameters: impl Params,
        mut read: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
        left_out: impl Fn(String),
    ) -> Result<Vec<T>, StoreError> {
        let rows = self.list(what, sql, parameters, |row| understood(read(row)))?;
        Ok(rows.into_iter().filter_map(|row| row.map_err(&left_out).ok()).collect())
    }

    /// Calls `each` with the rows of a statement until it breaks.
    pub(super) fn each(
        &self,
        what: &'static str,
        sql: &str,
        parameters: impl Params,
        each: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<ControlFlow<()>>,
    ) -> Result<(), StoreError> {
        self.with(what, |connection| query::each(connection, sql, parameters, each))
    }

    /// Calls `each` with the series and the row of each reading of a span until it breaks.
    pub(super) fn each_row(
        &self,
        span: RowSpan<'_>,
        each: impl FnMut(u32, &PlainRow) -> rusqlite::Result<ControlFlow<()>>,
    ) -> Result<(), StoreError> {
        self.with("readings", |connection| merged::each(connection, span, each))
    }

    /// Reads with a connection of its own; `what` names it in errors.
    pub(super) fn with<T>(
        &self,
        what: &'static str,
        read: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        let idle = self.idle().pop();
        let connection = match idle {
            Some(connection) => connection,
            None => self.connect()?,
        };
        let result = read(&connection).map_err(read_error(&self.shared.path, what));
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

/// How many readings each series has with `from` <= time < `to`, and the time of the last.
pub(super) fn counts(
    connection: &Connection,
    (from, to): (i64, i64),
) -> rusqlite::Result<BTreeMap<u32, (u64, i64)>> {
    let _moment = connection.unchecked_transaction()?;
    let sql = "SELECT series, count(*), max(at) FROM reading WHERE at >= ?1 AND at < ?2 GROUP BY series";
    let rows = query::list(connection, sql, [from, to], |row| {
        Ok((row.get::<_, u32>(0)?, (row.get::<_, i64>(1)?.unsigned_abs(), row.get::<_, i64>(2)?)))
    })?;
    let mut counts: BTreeMap<u32, (u64, i64)> = rows.into_iter().collect();
    for series in block_rows::all_series(connection)? {
        if let (more, Some(last)) = block_rows::count(connection, series, (from, to))? {
            let count = counts.entry(series).or_insert((0, last));
            *count = (count.0 + more, count.1.max(last));
        }
    }
    Ok(counts)
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

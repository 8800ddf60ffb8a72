//! The one writer.

#[cfg(test)]
pub(super) mod faulty;
#[cfg(test)]
mod tests;

use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags, TransactionBehavior};
use tracing::warn;

use super::error::StoreError;
use super::message_rows::{self, MessageTable};
use super::packing::Packing;
use super::quarter_rows::{self, QuarterProgress, QuarterStep, Quarters};
use super::query::{self, read_error, write_error};
use super::queue_rows::{self, ForwardQueue, PublicationQueue};
use super::records::{Committed, ReceivedPacket, Transaction};
use super::series::{self, SeriesMap};
use super::thinning::Thinning;
use super::whereabouts::{Misplaced, Whereabouts};
use super::{
    alarm_rows, note_rows, reading_rows, received_rows, refused_rows, reject_rows, schema, waiting_rows,
};
use crate::alarms::AlarmKey;
use crate::garden::plan::Garden;

/// Rejects that are kept where nothing else is said.
const KEEP_REJECTS: u32 = 10_000;

/// How long to wait for another program that has the file locked.
pub(super) const BUSY: Duration = Duration::from_secs(5);

/// The database, open for writing. There is one at a time: a lock file beside the
/// database keeps a second writer out.
#[derive(Debug)]
pub struct Store {
    pub(super) path: PathBuf,
    pub(super) connection: Connection,
    pub(super) series: SeriesMap,
    /// Alarms that stood under an earlier id of their sensor.
    renamed: Vec<AlarmKey>,
    pub(super) marks: WriterMarks,
    /// Not among the marks: what it notes of a transaction that fails does no harm.
    pub(super) quarters: Quarters,
    pub(super) thinning: Thinning,
    pub(super) packing: Packing,
    /// The last write failed. It may have been kept all the same (a fault after the
    /// end was written), so the marks are read again before the next one.
    pub(super) doubtful: bool,
    keep_rejects: u32,
    /// The number of the import that runs.
    pub(super) import: Option<i64>,
    /// Where its files were when they were opened.
    files: Whereabouts,
    /// Alarms that were set aside when it was opened, since they could not be understood.
    set_aside: Vec<String>,
    /// Held until the store is dropped, after the connection.
    _lock: File,
}

/// What the writer knows of the tables without asking them. It is changed only
/// when a transaction has been committed.
#[derive(Clone, Copy, Debug)]
pub(super) struct WriterMarks {
    pub(super) outbox: PublicationQueue,
    pub(super) forwarding: ForwardQueue,
    post: MessageTable,
    /// Topics that no sensor names.
    unplaced: i64,
}

impl Store {
    /// Opens the file at `path`, making it and its folder where they are missing,
    /// brings it up to date, and finds the series of every sensor of `gardens`.
    /// Sensors are numbered through all gardens in order.
    ///
    /// # Errors
    ///
    /// When the folder or file cannot be made or written, another process writes
    /// to it, it is no database of this program, or it comes from a newer one.
    pub fn open(path: &Path, gardens: &[Garden]) -> Result<Self, StoreError> {
        let lock = lock(path)?;
        let failed = open_error(path);
        let mut connection = connect(path)?;
        schema::migrate(&mut connection, path)?;
        let set_aside = alarm_rows::set_aside(&mut connection).map_err(failed)?;
        let (series, renamed) = series::register(&mut connection, gardens).map_err(failed)?;
        message_rows::give_up_unreadable(&connection).map_err(failed)?;
        let marks = WriterMarks::read(&connection).map_err(failed)?;
        let quarters = Quarters::open(&connection).map_err(failed)?;
        let packing = Packing::open(&connection).map_err(failed)?;
        Ok(Self {
            path: path.to_owned(),
            connection,
            series,
            renamed,
            marks,
            quarters,
            thinning: Thinning::default(),
            packing,
            doubtful: false,
            keep_rejects: KEEP_REJECTS,
            import: None,
            files: Whereabouts::of(path),
            set_aside,
            _lock: lock,
        })
    }

    /// Finds or makes the series of other gardens' sensors, as [`Store::open`] does, and goes on
    /// with them.
    ///
    /// # Errors
    ///
    /// When the database cannot be written. Then it goes on with those of before.
    pub fn register(&mut self, gardens: &[Garden]) -> Result<(), StoreError> {
        self.check_place()?;
        let before = self.settle()?;
        self.doubtful = true;
        let (series, renamed) = series::register(&mut self.connection, gardens)
            .map_err(write_error(&self.path, "the sensors' names"))?;
        (self.series, self.renamed) = (series, renamed);
        // What an earlier id had was moved, and topics have found their sensors: the marks are
        // read again.
        self.settle()?;
        self.doubtful = before;
        Ok(())
    }

    /// Keeps so many rejects from the next commit on (10,000 until it is said).
    pub fn set_keep_rejects(&mut self, keep: u32) {
        self.keep_rejects = keep;
    }

    /// Says which forwarders there are. One that is new begins at the oldest row
    /// that is still queued; the position of one that is gone is forgotten, so
    /// that it holds nothing up.
    ///
    /// # Errors
    ///
    /// When the database cannot be written.
    pub fn set_forwarders(&mut self, names: &[&str]) -> Result<(), StoreError> {
        self.settle()?;
        let failed = write_error(&self.path, "the forwarders' names");
        self.doubtful = true;
        let mut marks = self.marks;
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
        queue_rows::set_forwarders(&transaction, names, &mut marks.forwarding).map_err(failed)?;
        transaction.commit().map_err(failed)?;
        self.marks = marks;
        self.doubtful = false;
        Ok(())
    }

    /// Alarms that stood under an earlier id of their sensor when the file was opened, as
    /// they were called: they go on under its id of today.
    pub fn renamed(&self) -> &[AlarmKey] {
        &self.renamed
    }

    /// Alarms that were set aside when the file was opened, since this program does not
    /// understand them: site, kind and place. They are among the rejects.
    pub fn set_aside(&self) -> &[String] {
        &self.set_aside
    }

    /// Whether the file is still where it was opened. Where its log of recent writes was
    /// removed, what that held is brought into the file, and a new one begun.
    ///
    /// # Errors
    ///
    /// [`StoreError::Moved`], or [`StoreError::LogRemoved`] where that fails.
    pub fn check_place(&mut self) -> Result<(), StoreError> {
        match self.files.look() {
            None => Ok(()),
            Some(Misplaced::Database) => Err(StoreError::Moved { path: self.path.clone() }),
            Some(Misplaced::Log) => {
                let removed = |source| StoreError::LogRemoved { path: self.path.clone(), source };
                // The log is still open here, under no name.
                let busy = self
                    .connection
                    .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get::<_, i64>(0))
                    .map_err(removed)?;
                if busy != 0 {
                    return Err(removed(rusqlite::Error::InvalidQuery));
                }
                self.connection = connect(&self.path)?;
                self.files = Whereabouts::of(&self.path);
                warn!(path = %self.path.display(), "the log of the database was removed; what it held is saved");
                Ok(())
            }
        }
    }

    /// Which series each sensor has.
    pub fn series(&self) -> &SeriesMap {
        &self.series
    }

    /// Reads with the writer's connection; `what` names it in errors.
    pub(super) fn read<T>(
        &self,
        what: &'static str,
        read: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        read(&self.connection).map_err(read_error(&self.path, what))
    }

    /// Writes outside of [`Store::commit`]; `what` names it in errors.
    pub(super) fn write(
        &self,
        what: &'static str,
        write: impl FnOnce(&Connection) -> rusqlite::Result<()>,
    ) -> Result<(), StoreError> {
        write(&self.connection).map_err(write_error(&self.path, what))
    }

    /// Messages that were received and that the broker may send again.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn received(&self) -> Result<Vec<ReceivedPacket>, StoreError> {
        self.read("received messages", received_rows::all)
    }

    /// What the file takes on the disk with its log of recent writes, bytes.
    pub fn bytes(&self) -> u64 {
        record_bytes(&self.path)
    }

    /// Writes the file again without gaps. The disk needs as much room meanwhile as it takes.
    ///
    /// # Errors
    ///
    /// When it cannot be written; it is as it was then.
    pub fn give_room_back(&mut self) -> Result<(), StoreError> {
        self.settle()?;
        // Into the log as one transaction, and from there into the file, which is cut.
        let script = "VACUUM; PRAGMA wal_checkpoint(TRUNCATE);";
        self.connection.execute_batch(script).map_err(write_error(&self.path, "the whole record"))
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Keeps all of a transaction. When this returns, it is on the disk.
    ///
    /// # Errors
    ///
    /// When it cannot be written, or a reading is not finite or of no known
    /// sensor. Then nothing of it is kept (or, if the fault came after the end was
    /// written, all of it), and it may be given again: what is there is not written
    /// twice.
    pub fn commit(&mut self, it: &Transaction<'_>) -> Result<Committed, StoreError> {
        self.check(it)?;
        self.check_place()?;
        // After a fault, who waits for letters or rows is woken once more.
        let wake = self.settle()?;
        self.doubtful = true;
        let path = &self.path;
        let write = |what| write_error(path, what);
        let Transaction { at, batch, letters, letters_sent, forwarded, forward, .. } = *it;
        let mut marks = self.marks;
        let mut committed = Committed::default();

        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(write("(beginning a transaction)"))?;
        let queued = marks.forwarding.last();
        reading_rows::add(
            &transaction,
            &batch.readings,
            &self.series,
            at,
            (&mut self.quarters, &mut self.thinning, &mut self.packing, self.import),
            forward.then_some(&mut marks.forwarding),
            &mut committed,
        )
        .map_err(write("readings"))?;
        if !batch.reflags.is_empty() {
            let queue = forward.then_some(&mut marks.forwarding);
            let kept = (&mut self.quarters, &mut self.packing);
            reading_rows::reflag(&transaction, &batch.reflags, &self.series, kept, queue)
                .map_err(write("flags"))?;
        }
        let added = marks.forwarding.last() - queued;
        committed.last_forward = (added > 0 || wake).then(|| marks.forwarding.last());

        if !batch.rejects.is_empty() {
            reject_rows::add(&transaction, &batch.rejects).map_err(write("rejects"))?;
        }
        if !batch.rejects.is_empty() || committed.conflicting + committed.summarised > 0 {
            reject_rows::trim(&transaction, self.keep_rejects).map_err(write("rejects"))?;
        }
        if !batch.unplaced.is_empty() {
            reject_rows::count_unplaced(&transaction, &batch.unplaced, &mut marks.unplaced)
                .map_err(write("topics without a sensor"))?;
        }
        if !batch.changes.is_empty() {
            alarm_rows::add(&transaction, &batch.changes).map_err(write("alarms"))?;
        }
        if !batch.notes.is_empty() {
            note_rows::add(&transaction, &batch.notes).map_err(write("notes"))?;
        }
        if !it.waiting.is_empty() {
            waiting_rows::set(&transaction, it.waiting).map_err(write("what waits to be told"))?;
        }
        if !it.messages.is_empty() || !it.tries.is_empty() || !it.sent.is_empty() {
            let messages = write("messages");
            // First, so that the same message in the other list is known.
            marks.post.add_sent(&transaction, it.sent).map_err(messages)?;
            committed.messages = marks.post.add(&transaction, it.messages).map_err(messages)?;
            marks.post.note(&transaction, it.tries).map_err(messages)?;
            marks.post.trim(&transaction, at).map_err(messages)?;
        }
        if !letters.is_empty() {
            committed.last_letter = marks.outbox.add(&transaction, letters, at).map_err(write("letters"))?;
        }
        if !letters_sent.is_empty() {
            PublicationQueue::sent(&transaction, letters_sent).map_err(write("letters"))?;
        }
        if !forwarded.is_empty() {
            marks.forwarding.note(&transaction, forwarded).map_err(write("forwarders' positions"))?;
            refused_rows::add(&transaction, forwarded, at).map_err(write("what servers refused"))?;
        }
        received_rows::add(&transaction, it.received).map_err(write("received messages"))?;
        received_rows::forget(&transaction, it.confirmed).map_err(write("received messages"))?;
        marks.forwarding.trim(&transaction, added, at).map_err(write("the forward queue"))?;
        transaction.commit().map_err(write("(ending a transaction)"))?;
        // Moved meanwhile, it went into a file that nobody finds: it counts as not kept.
        self.check_place()?;

        if wake {
            committed.last_letter = Some(marks.outbox.last());
            committed.messages = it.messages.len();
        }
        self.marks = marks;
        self.doubtful = false;
        Ok(committed)
    }

    /// Does one small step of what there is to do about the quarter hours that were over
    /// some minutes before `now`; it takes some milliseconds.
    /// [`Reader::bins`](super::Reader::bins) returns the same before and after it.
    ///
    /// # Errors
    ///
    /// When the database cannot be read or written. Nothing is lost by it.
    pub fn fill_quarters(&mut self, now: Timestamp) -> Result<QuarterProgress, StoreError> {
        self.fill_step(now, QuarterStep::SMALL)
    }

    /// The same in a large step of some tenths of a second, for a program that does nothing else.
    ///
    /// # Errors
    ///
    /// As [`Store::fill_quarters`].
    pub(crate) fn fill_many_quarters(&mut self, now: Timestamp) -> Result<QuarterProgress, StoreError> {
        self.fill_step(now, QuarterStep::LARGE)
    }

    fn fill_step(&mut self, now: Timestamp, size: QuarterStep) -> Result<QuarterProgress, StoreError> {
        let bound = quarter_rows::bound(now);
        if !self.doubtful && self.quarters.is_done(bound) {
            return Ok(QuarterProgress::Done);
        }
        // It stays doubtful: the next commit has to wake all that wait.
        self.settle()?;
        let step = self.quarters.step(&mut self.connection, bound, size);
        step.map_err(|source| {
            self.doubtful = true;
            write_error(&self.path, "quarter hours")(source)
        })
    }

    /// Brings what is known of the tables up to date after a failed write; returns
    /// whether there was one.
    pub(super) fn settle(&mut self) -> Result<bool, StoreError> {
        if self.doubtful {
            let failed = write_error(&self.path, "(recovering from a failed transaction)");
            if !self.connection.is_autocommit() {
                // It broke while it began, or while it was being undone.
                self.connection.execute_batch("ROLLBACK").map_err(failed)?;
            }
            let before = self.marks.post;
            self.marks = WriterMarks::read(&self.connection).map_err(failed)?;
            self.marks.post = self.marks.post.with_bounds_of(before);
            self.quarters = Quarters::open(&self.connection).map_err(failed)?;
            self.packing.settle(&self.connection).map_err(failed)?;
        }
        Ok(self.doubtful)
    }

    fn check(&self, it: &Transaction<'_>) -> Result<(), StoreError> {
        let known = self.series.sensors();
        let known_sensor = |sensor: crate::model::SensorIx| {
            if (sensor.0 as usize) < known {
                Ok(())
            } else {
                Err(StoreError::UnknownSensor { sensor, known })
            }
        };
        for reading in &it.batch.readings {
            known_sensor(reading.sensor)?;
            if !reading.raw.is_finite() || reading.value.is_some_and(|value| !value.is_finite()) {
                return Err(StoreError::NotFinite { sensor: reading.sensor, at: reading.at });
            }
        }
        it.batch.reflags.iter().try_for_each(|reflag| known_sensor(reflag.sensor))
    }
}

impl WriterMarks {
    fn read(connection: &Connection) -> rusqlite::Result<Self> {
        Ok(Self {
            outbox: PublicationQueue::open(connection)?,
            forwarding: ForwardQueue::open(connection)?,
            post: MessageTable::open(connection)?,
            unplaced: query::one(connection, "SELECT count(*) FROM unplaced", [])?,
        })
    }
}

fn open_error(path: &Path) -> impl Fn(rusqlite::Error) -> StoreError + Copy {
    move |source| {
        if source.sqlite_error_code() == Some(rusqlite::ErrorCode::NotADatabase) {
            StoreError::NotADatabase { path: path.to_owned() }
        } else {
            StoreError::Open { path: path.to_owned(), source }
        }
    }
}

/// What a record takes on the disk with its log of recent writes, bytes; 0 where it is missing.
pub fn record_bytes(path: &Path) -> u64 {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    let size = |path: &Path| std::fs::metadata(path).map_or(0, |file| file.len());
    size(path) + size(Path::new(&log))
}

/// The writer's own connection.
fn connect(path: &Path) -> Result<Connection, StoreError> {
    let failed = open_error(path);
    let connection = Connection::open(path).map_err(failed)?;
    connection.busy_timeout(BUSY).map_err(failed)?;
    schema::check_owner(&connection, path)?;
    connection.pragma_update(None, "journal_mode", "WAL").map_err(failed)?;
    connection.pragma_update(None, "synchronous", "FULL").map_err(failed)?;
    // The log file gives its room back after a long reader has held it up.
    connection.pragma_update(None, "journal_size_limit", 64 * 1024 * 1024).map_err(failed)?;
    connection.set_prepared_statement_cache_capacity(64);
    Ok(connection)
}

/// Opens the database for a program beside the daemon, which may be writing to it.
///
/// # Errors
///
/// When the file is missing, not ours, of another version, or cannot be opened.
pub(super) fn open_beside(path: &Path) -> Result<Connection, StoreError> {
    if !path.exists() {
        return Err(StoreError::Missing { path: path.to_owned() });
    }
    let open = |source| StoreError::Open { path: path.to_owned(), source };
    let connection = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE).map_err(open)?;
    connection.busy_timeout(BUSY).map_err(open)?;
    schema::check(&connection, path)?;
    Ok(connection)
}

/// Whether a daemon or an import has the record of `path`.
///
/// # Errors
/// When the lock cannot be looked at.
pub fn is_in_use(path: &Path) -> Result<bool, StoreError> {
    match lock(path) {
        Ok(_) => Ok(false),
        Err(StoreError::Locked { .. }) => Ok(true),
        Err(fault) => Err(fault),
    }
}

/// Takes the lock beside the database, or says who cannot have it.
pub(super) fn lock(path: &Path) -> Result<File, StoreError> {
    if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder)
            .map_err(|source| StoreError::Folder { path: folder.to_owned(), source })?;
    }
    let mut lock = path.as_os_str().to_owned();
    lock.push(".lock");
    let lock = PathBuf::from(lock);
    let file_error = |source| StoreError::LockFile { path: lock.clone(), source };
    let file = OpenOptions::new().write(true).create(true).truncate(false).open(&lock).map_err(file_error)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(StoreError::Locked { path: path.to_owned(), lock }),
        Err(TryLockError::Error(source)) => Err(file_error(source)),
    }
}

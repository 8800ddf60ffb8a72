//! The tables and how an older file is brought up to date.

#[cfg(test)]
mod tests;

use std::path::Path;

use rusqlite::{Connection, TransactionBehavior};

use super::error::StoreError;

/// Marks a file as ours (`PRAGMA application_id`): the letters "TRUG".
const APPLICATION_ID: i64 = 0x5452_5547;

/// Each entry brings the file from the version of its place in the list to the
/// next one. Entries are only ever added.
const MIGRATIONS: &[&str] = &[
    VERSION_1, VERSION_2, VERSION_3, VERSION_4, VERSION_5, VERSION_6, VERSION_7, VERSION_8, VERSION_9,
    VERSION_10, VERSION_11, VERSION_12, VERSION_13, VERSION_14, VERSION_15, VERSION_16, VERSION_17,
];

/// The version that this program writes and reads.
#[expect(clippy::cast_possible_wrap, reason = "the list is short")]
const KNOWN: i64 = MIGRATIONS.len() as i64;

/// Times are milliseconds since 1970-01-01 UTC. `flag` is the QARTOD number.
/// `tests` packs each test's flag. `time_from`: 0 the device's clock, 1 the
/// arrival. `reading.series` is no declared reference: checking it would cost a
/// look-up for each row, and only the writer that made the series writes rows.
const VERSION_1: &str = "
CREATE TABLE series (
    id       INTEGER PRIMARY KEY,
    site     TEXT NOT NULL,
    sensor   TEXT NOT NULL,
    quantity TEXT NOT NULL,
    unit     TEXT NOT NULL,
    place    TEXT NOT NULL,
    topic    TEXT NOT NULL,
    UNIQUE (site, sensor, quantity)
) STRICT;

CREATE TABLE reading (
    at        INTEGER NOT NULL,
    series    INTEGER NOT NULL,
    raw       REAL NOT NULL,
    value     REAL,
    flag      INTEGER NOT NULL,
    tests     INTEGER NOT NULL,
    time_from INTEGER NOT NULL,
    late      INTEGER NOT NULL,
    PRIMARY KEY (at, series)
) STRICT, WITHOUT ROWID;

CREATE TABLE reject (
    seq     INTEGER PRIMARY KEY,
    at      INTEGER NOT NULL,
    topic   TEXT NOT NULL,
    payload BLOB NOT NULL,
    reason  TEXT NOT NULL
) STRICT;

CREATE TABLE unplaced (
    topic    TEXT PRIMARY KEY,
    first_at INTEGER NOT NULL,
    last_at  INTEGER NOT NULL,
    messages INTEGER NOT NULL,
    payload  BLOB NOT NULL
) STRICT;

CREATE TABLE alarm (
    site   TEXT NOT NULL,
    kind   TEXT NOT NULL,
    place  TEXT NOT NULL,
    state  TEXT NOT NULL,
    since  INTEGER NOT NULL,
    at     INTEGER NOT NULL,
    text   TEXT NOT NULL,
    numbers TEXT NOT NULL,
    source TEXT NOT NULL,
    tell   TEXT NOT NULL,
    PRIMARY KEY (site, kind, place)
) STRICT;

CREATE TABLE alarm_change (
    seq        INTEGER PRIMARY KEY,
    at         INTEGER NOT NULL,
    site       TEXT NOT NULL,
    kind       TEXT NOT NULL,
    place      TEXT NOT NULL,
    to_state   TEXT NOT NULL,
    from_state TEXT NOT NULL,
    since      INTEGER NOT NULL,
    text       TEXT NOT NULL,
    numbers    TEXT NOT NULL,
    source     TEXT NOT NULL,
    tell       TEXT NOT NULL,
    UNIQUE (at, site, kind, place, to_state)
) STRICT;

CREATE TABLE outbox (
    seq     INTEGER PRIMARY KEY,
    key     TEXT NOT NULL UNIQUE,
    topic   TEXT NOT NULL,
    payload BLOB NOT NULL,
    sent    INTEGER NOT NULL
) STRICT;

CREATE TABLE forward_queue (
    seq    INTEGER PRIMARY KEY,
    at     INTEGER NOT NULL,
    series INTEGER NOT NULL
) STRICT;

CREATE TABLE forwarder (
    name     TEXT PRIMARY KEY,
    position INTEGER NOT NULL
) STRICT;

CREATE TABLE counter (
    name  TEXT PRIMARY KEY,
    value INTEGER NOT NULL
) STRICT;
";

/// Answers to alarms that other programs leave for the daemon.
const VERSION_2: &str = "
CREATE TABLE answer (
    seq   INTEGER PRIMARY KEY AUTOINCREMENT,
    at    INTEGER NOT NULL,
    site  TEXT NOT NULL,
    kind  TEXT NOT NULL,
    place TEXT NOT NULL
) STRICT;
";

/// Why an alarm says what it says, and the log of what people saw and did.
/// `detail` holds an entry's numbers as JSON.
const VERSION_3: &str = "
ALTER TABLE alarm ADD COLUMN why TEXT NOT NULL DEFAULT '[]';
ALTER TABLE alarm_change ADD COLUMN why TEXT NOT NULL DEFAULT '[]';

CREATE TABLE log (
    seq        INTEGER PRIMARY KEY AUTOINCREMENT,
    written_at INTEGER NOT NULL,
    at         INTEGER NOT NULL,
    site       TEXT NOT NULL,
    place      TEXT,
    kind       TEXT NOT NULL,
    detail     TEXT NOT NULL,
    note       TEXT NOT NULL
) STRICT;
";

/// Alarms that are put aside, and how answers came and what they asked for.
const VERSION_4: &str = "
ALTER TABLE alarm ADD COLUMN shelf_until INTEGER;
ALTER TABLE alarm ADD COLUMN shelf_once INTEGER;
ALTER TABLE alarm ADD COLUMN how TEXT;
ALTER TABLE alarm_change ADD COLUMN shelf_until INTEGER;
ALTER TABLE alarm_change ADD COLUMN shelf_once INTEGER;
ALTER TABLE alarm_change ADD COLUMN how TEXT;
ALTER TABLE answer ADD COLUMN action TEXT NOT NULL DEFAULT 'acknowledge';
ALTER TABLE answer ADD COLUMN until INTEGER;
ALTER TABLE answer ADD COLUMN how TEXT NOT NULL DEFAULT 'command';
";

/// Messages to people, what waits to be told, and what people say about an alarm.
/// `body` holds what of a message has no column, as JSON. `about` is the group that
/// a message's purpose names. `state` is waiting, sent or given-up; only of the last
/// two `done_at` is given.
const VERSION_5: &str = "
CREATE TABLE message (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    key      TEXT NOT NULL UNIQUE,
    made_at  INTEGER NOT NULL,
    site     TEXT NOT NULL,
    who      TEXT NOT NULL,
    channel  TEXT NOT NULL,
    address  TEXT NOT NULL,
    priority TEXT NOT NULL,
    purpose  TEXT NOT NULL,
    about    TEXT,
    body     TEXT NOT NULL,
    state    TEXT NOT NULL,
    tries    INTEGER NOT NULL,
    next_at  INTEGER NOT NULL,
    done_at  INTEGER,
    reason   TEXT NOT NULL
) STRICT;
CREATE INDEX message_waiting ON message (channel, next_at) WHERE state = 'waiting';
CREATE INDEX message_done ON message (done_at) WHERE done_at IS NOT NULL;
CREATE INDEX message_made ON message (made_at);

CREATE TABLE waiting (
    site  TEXT NOT NULL,
    who   TEXT NOT NULL,
    kind  TEXT NOT NULL,
    place TEXT NOT NULL,
    wait  TEXT NOT NULL,
    since INTEGER NOT NULL,
    due   INTEGER NOT NULL,
    PRIMARY KEY (site, who, kind, place, wait)
) STRICT;

CREATE TABLE alarm_note (
    seq   INTEGER PRIMARY KEY AUTOINCREMENT,
    at    INTEGER NOT NULL,
    site  TEXT NOT NULL,
    kind  TEXT NOT NULL,
    place TEXT NOT NULL,
    since INTEGER NOT NULL,
    note  TEXT NOT NULL,
    how   TEXT NOT NULL
) STRICT;
CREATE INDEX alarm_note_at ON alarm_note (at);

ALTER TABLE answer ADD COLUMN note TEXT;
ALTER TABLE answer ADD COLUMN since INTEGER;
";

/// Quarter hours of UTC, in milliseconds since 1970, with what each series said in
/// them: the columns of a [`Bin`](crate::history::Bin). Those before the counter
/// `quarters_until` are all there, but for the ones that `quarter_stale` names. What
/// stands beyond it is unfinished and is not read. A quarter needs its readings only
/// while it is stale or unfinished, so readings may one day be let go before it.
const VERSION_6: &str = "
CREATE TABLE quarter (
    series   INTEGER NOT NULL,
    start    INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    good     INTEGER NOT NULL,
    suspect  INTEGER NOT NULL,
    bad      INTEGER NOT NULL,
    sum      REAL NOT NULL,
    min      REAL,
    max      REAL,
    last     REAL,
    last_at  INTEGER,
    PRIMARY KEY (series, start)
) STRICT, WITHOUT ROWID;

CREATE TABLE quarter_stale (
    start  INTEGER NOT NULL,
    series INTEGER NOT NULL,
    PRIMARY KEY (start, series)
) STRICT, WITHOUT ROWID;

CREATE INDEX log_at ON log (site, at);
";

/// What `trug replay --apply` has written, and what was there before. `done_until` is
/// behind `to_at` where it was stopped in between. The columns of the other two are
/// those of the rows that they keep.
const VERSION_7: &str = "
CREATE TABLE replay (
    number     INTEGER PRIMARY KEY AUTOINCREMENT,
    written_at INTEGER NOT NULL,
    site       TEXT,
    from_at    INTEGER NOT NULL,
    to_at      INTEGER NOT NULL,
    done_until INTEGER NOT NULL
) STRICT;

CREATE TABLE reading_before (
    at     INTEGER NOT NULL,
    series INTEGER NOT NULL,
    replay INTEGER NOT NULL,
    raw    REAL NOT NULL,
    value  REAL,
    flag   INTEGER NOT NULL,
    tests  INTEGER NOT NULL,
    PRIMARY KEY (at, series, replay)
) STRICT, WITHOUT ROWID;

CREATE TABLE alarm_change_before (
    replay      INTEGER NOT NULL,
    seq         INTEGER NOT NULL,
    at          INTEGER NOT NULL,
    site        TEXT NOT NULL,
    kind        TEXT NOT NULL,
    place       TEXT NOT NULL,
    to_state    TEXT NOT NULL,
    from_state  TEXT NOT NULL,
    since       INTEGER NOT NULL,
    text        TEXT NOT NULL,
    numbers     TEXT NOT NULL,
    source      TEXT NOT NULL,
    tell        TEXT NOT NULL,
    why         TEXT NOT NULL,
    shelf_until INTEGER,
    shelf_once  INTEGER,
    how         TEXT,
    PRIMARY KEY (replay, seq)
) STRICT, WITHOUT ROWID;
";

/// Sensors whose history goes on under another id. `readings` is how many were moved into
/// a series that was there already.
const VERSION_8: &str = "
CREATE TABLE renamed (
    number   INTEGER PRIMARY KEY AUTOINCREMENT,
    site     TEXT NOT NULL,
    quantity TEXT NOT NULL,
    former   TEXT NOT NULL,
    sensor   TEXT NOT NULL,
    series   INTEGER NOT NULL,
    readings INTEGER
) STRICT;
";

/// What each import brought, until it is taken back.
const VERSION_9: &str = "
CREATE TABLE import_batch (
    number    INTEGER PRIMARY KEY AUTOINCREMENT,
    at        INTEGER NOT NULL,
    files     TEXT NOT NULL,
    readings  INTEGER NOT NULL,
    undone_at INTEGER
) STRICT;

CREATE TABLE import_reading (
    import INTEGER NOT NULL,
    at     INTEGER NOT NULL,
    series INTEGER NOT NULL,
    PRIMARY KEY (import, at, series)
) STRICT, WITHOUT ROWID;

CREATE TABLE import_step (
    import INTEGER NOT NULL,
    seq    INTEGER NOT NULL,
    PRIMARY KEY (import, seq)
) STRICT, WITHOUT ROWID;
";

/// How an alarm has gone on: steps beyond its limit, how often it came, when the first of
/// these times began, and when its condition was last over.
const VERSION_10: &str = "
ALTER TABLE alarm ADD COLUMN severity INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarm ADD COLUMN times INTEGER NOT NULL DEFAULT 1;
ALTER TABLE alarm ADD COLUMN first_at INTEGER;
ALTER TABLE alarm ADD COLUMN ended_at INTEGER;
ALTER TABLE alarm_change ADD COLUMN severity INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarm_change ADD COLUMN times INTEGER NOT NULL DEFAULT 1;
ALTER TABLE alarm_change ADD COLUMN first_at INTEGER;
ALTER TABLE alarm_change ADD COLUMN ended_at INTEGER;
ALTER TABLE alarm_change_before ADD COLUMN severity INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarm_change_before ADD COLUMN times INTEGER NOT NULL DEFAULT 1;
ALTER TABLE alarm_change_before ADD COLUMN first_at INTEGER;
ALTER TABLE alarm_change_before ADD COLUMN ended_at INTEGER;
";

/// Entries of the log that strike another one, each once: one of the kind `struck`, whose
/// note says why, or the entry that puts the other one right.
const VERSION_11: &str = "
ALTER TABLE log ADD COLUMN strikes INTEGER;
CREATE UNIQUE INDEX log_strikes ON log (strikes) WHERE strikes IS NOT NULL;
";

/// The notes of one occurrence are found without looking at the others.
const VERSION_12: &str = "
CREATE INDEX alarm_note_of ON alarm_note (site, kind, place, since);
";

/// Readings that a server refused for good, until it takes them or they are let go.
const VERSION_13: &str = "
CREATE TABLE forward_refused (
    seq        INTEGER PRIMARY KEY AUTOINCREMENT,
    forwarder  TEXT NOT NULL,
    at         INTEGER NOT NULL,
    series     INTEGER NOT NULL,
    refused_at INTEGER NOT NULL,
    why        TEXT NOT NULL,
    UNIQUE (forwarder, at, series)
) STRICT;
CREATE INDEX forward_refused_of ON forward_refused (forwarder, seq);
";

/// Messages with readings without a time of their own that the broker may send again, a row
/// for each transaction; `last` is the highest serial number in it.
const VERSION_14: &str = "
CREATE TABLE received (
    last    INTEGER PRIMARY KEY,
    packets BLOB NOT NULL
) STRICT;
";

/// What the core knew of each site at one moment, so that a start need not read weeks of
/// readings. `log_to` is the last entry of the log that is in it, `length` that of the
/// bytes before they were packed, `checksum` of all the other columns.
const VERSION_15: &str = "
CREATE TABLE snapshot (
    site     TEXT PRIMARY KEY,
    format   INTEGER NOT NULL,
    made_for BLOB NOT NULL,
    kept_at  INTEGER NOT NULL,
    log_to   INTEGER NOT NULL,
    length   INTEGER NOT NULL,
    checksum BLOB NOT NULL,
    packed   BLOB NOT NULL
) STRICT;
";

/// Days of a site's calendar whose single readings have gone, or are going: what each series
/// said in them. `start` and `until` are midnights of the site's clock. `sum`, `min`, `max`,
/// `last` and `first` are of the readings that could be believed; `passed` to `missing`
/// count all by their flag. `seen_from` and `seen_to` are the times of the first and the last
/// reading of any flag, and `raw_first` and `raw_last` their raw numbers. `thinned` says of
/// each site from when on every single reading is there (`until`), and the times of the
/// first and the last that have gone; `import_batch.thinned` how many of an import's have.
const VERSION_16: &str = "
CREATE TABLE day_summary (
    series    INTEGER NOT NULL,
    start     INTEGER NOT NULL,
    until     INTEGER NOT NULL,
    readings  INTEGER NOT NULL,
    good      INTEGER NOT NULL,
    suspect   INTEGER NOT NULL,
    bad       INTEGER NOT NULL,
    sum       REAL NOT NULL,
    min       REAL,
    max       REAL,
    last      REAL,
    last_at   INTEGER,
    first     REAL,
    first_at  INTEGER,
    passed    INTEGER NOT NULL,
    unchecked INTEGER NOT NULL,
    suspected INTEGER NOT NULL,
    failed    INTEGER NOT NULL,
    missing   INTEGER NOT NULL,
    late      INTEGER NOT NULL,
    seen_from INTEGER NOT NULL,
    seen_to   INTEGER NOT NULL,
    raw_first REAL NOT NULL,
    raw_last  REAL NOT NULL,
    PRIMARY KEY (series, start)
) STRICT, WITHOUT ROWID;

CREATE TABLE thinned (
    site     TEXT PRIMARY KEY,
    until    INTEGER NOT NULL,
    first_at INTEGER NOT NULL,
    last_at  INTEGER NOT NULL
) STRICT;

ALTER TABLE import_batch ADD COLUMN thinned INTEGER NOT NULL DEFAULT 0;
";

/// Readings of past days that are packed: many of one series in a row, of which the bytes are
/// read by `block_bytes`. A reading is in `reading` or in one block, never in both, and the
/// spans of a series' blocks (`start` to `last_at`, the times of the first and the last) lie
/// apart. Quarter hours count only what is in `reading`. `good` is how many could be believed;
/// `checksum` a CRC-32 of the other columns but the series. What of them cannot be read goes
/// to `block_aside`.
const VERSION_17: &str = "
CREATE TABLE block (
    number   INTEGER PRIMARY KEY,
    series   INTEGER NOT NULL,
    start    INTEGER NOT NULL,
    last_at  INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    good     INTEGER NOT NULL,
    format   INTEGER NOT NULL,
    checksum INTEGER NOT NULL,
    packed   BLOB NOT NULL
) STRICT;
CREATE UNIQUE INDEX block_of ON block (series, start, last_at, readings, good);

CREATE TABLE block_aside (
    number   INTEGER PRIMARY KEY AUTOINCREMENT,
    series   INTEGER NOT NULL,
    start    INTEGER NOT NULL,
    last_at  INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    good     INTEGER NOT NULL,
    format   INTEGER NOT NULL,
    checksum INTEGER NOT NULL,
    packed   BLOB NOT NULL,
    found    TEXT NOT NULL
) STRICT;
";

/// Checks that the file is ours, and brings it up to date.
///
/// # Errors
///
/// When it is no database, another program's, from a newer program, or cannot
/// be written.
pub(super) fn migrate(connection: &mut Connection, path: &Path) -> Result<(), StoreError> {
    let found = version(connection, path)?;
    for (script, to) in MIGRATIONS.iter().zip(1_i64..).skip_while(|&(_, to)| to <= found) {
        let failed = |source| StoreError::Migrate { path: path.to_owned(), to, source };
        let step = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
        step.execute_batch(script).map_err(failed)?;
        step.pragma_update(None, "application_id", APPLICATION_ID).map_err(failed)?;
        step.pragma_update(None, "user_version", to).map_err(failed)?;
        step.commit().map_err(failed)?;
    }
    Ok(())
}

/// The version of a file of ours; 0 of an empty one.
///
/// # Errors
///
/// As for [`migrate`].
pub(super) fn of(connection: &Connection, path: &Path) -> Result<i64, StoreError> {
    version(connection, path)
}

/// Makes the tables of a version in an empty file; those of the first where it is not known.
pub(super) fn make(connection: &mut Connection, to: i64) -> rusqlite::Result<()> {
    let to = to.clamp(1, KNOWN);
    for (script, version) in MIGRATIONS.iter().zip(1_i64..).take_while(|&(_, version)| version <= to) {
        let step = connection.transaction()?;
        step.execute_batch(script)?;
        step.pragma_update(None, "application_id", APPLICATION_ID)?;
        step.pragma_update(None, "user_version", version)?;
        step.commit()?;
    }
    Ok(())
}

/// Checks that a file is empty or ours, before anything in it is changed.
///
/// # Errors
///
/// As for [`migrate`].
pub(super) fn check_owner(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    version(connection, path).map(|_| ())
}

/// Checks that a file can be read as it stands.
///
/// # Errors
///
/// As for [`migrate`], and when the file is older than this program reads.
pub(super) fn check(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let found = version(connection, path)?;
    if found < KNOWN {
        return Err(StoreError::Older { path: path.to_owned(), found, known: KNOWN });
    }
    Ok(())
}

/// The file's layout version; 0 for an empty file.
fn version(connection: &Connection, path: &Path) -> Result<i64, StoreError> {
    let number = |pragma: &str| {
        connection.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0)).map_err(|source| {
            if source.sqlite_error_code() == Some(rusqlite::ErrorCode::NotADatabase) {
                StoreError::NotADatabase { path: path.to_owned() }
            } else {
                StoreError::Open { path: path.to_owned(), source }
            }
        })
    };
    let (found, owner, changes) =
        (number("user_version")?, number("application_id")?, number("schema_version")?);
    // A file without any table is ours to fill.
    let empty = found == 0 && owner == 0 && changes == 0;
    if !empty && owner != APPLICATION_ID {
        return Err(StoreError::Foreign { path: path.to_owned() });
    }
    if found > KNOWN {
        return Err(StoreError::Newer { path: path.to_owned(), found, known: KNOWN });
    }
    Ok(found)
}

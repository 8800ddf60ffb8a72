//! The two queues: letters to people and rows for time-series servers.

use jiff::Timestamp;
use rusqlite::{CachedStatement, Connection, Transaction, params};

use super::counters::{count_dropped, counter, set_counter};
use super::records::{AlarmPublication, ForwardProgress};
use super::{query, refused_rows};

/// Unsent letters that are kept; beyond it the oldest go and are counted.
const LETTERS_MAX: i64 = 100_000;

/// Letters that have been sent are remembered this far back, so that one that is
/// written again is known.
const LETTERS_REMEMBERED: i64 = 10_000;

/// Rows that may wait for the forwarders; beyond it the oldest go and are counted.
const FORWARD_MAX: i64 = 20_000_000;

/// Rows that one transaction takes off the queue beyond those that it adds.
const FORWARD_STEP: i64 = 20_000;

pub(super) const LETTERS_DROPPED: &str = "letters_dropped";
pub(super) const FORWARD_DROPPED: &str = "forward_dropped";
const LAST_LETTER: &str = "last_letter";

/// The outbox's next number.
#[derive(Clone, Copy, Debug)]
pub(super) struct PublicationQueue {
    next: i64,
}

impl PublicationQueue {
    pub(super) fn open(connection: &Connection) -> rusqlite::Result<Self> {
        let last = counter(connection, LAST_LETTER)?;
        Ok(Self { next: last + 1 })
    }

    #[cfg(test)]
    pub(super) fn skip_to(&mut self, next: i64) {
        self.next = next;
    }

    /// The number of the last letter that was ever added.
    pub(super) fn last(self) -> i64 {
        self.next - 1
    }

    /// Adds letters that are not there yet, and returns the last number.
    pub(super) fn add(
        &mut self,
        transaction: &Transaction<'_>,
        letters: &[AlarmPublication],
        at: Timestamp,
    ) -> rusqlite::Result<Option<i64>> {
        let mut insert = transaction.prepare_cached(
            "INSERT INTO outbox (seq, key, topic, payload, sent) VALUES (?1, ?2, ?3, ?4, 0)
             ON CONFLICT (key) DO NOTHING",
        )?;
        let mut last = None;
        for letter in letters {
            if insert.execute(params![self.next, letter.key, letter.topic, letter.payload])? == 1 {
                last = Some(self.next);
                self.next += 1;
            }
        }
        if let Some(last) = last {
            set_counter(transaction, LAST_LETTER, last)?;
            transaction
                .prepare_cached("DELETE FROM outbox WHERE seq <= ?1 AND sent = 1")?
                .execute([last - LETTERS_REMEMBERED])?;
            let dropped = transaction
                .prepare_cached("DELETE FROM outbox WHERE seq <= ?1")?
                .execute([last - LETTERS_MAX])?;
            count_dropped(transaction, LETTERS_DROPPED, dropped, at)?;
        }
        Ok(last)
    }

    /// Notes that letters have been delivered. Their key stays for a while, their
    /// text does not.
    pub(super) fn sent(transaction: &Transaction<'_>, numbers: &[i64]) -> rusqlite::Result<()> {
        let mut update =
            transaction.prepare_cached("UPDATE outbox SET sent = 1, payload = x'' WHERE seq = ?1")?;
        for number in numbers {
            update.execute([number])?;
        }
        Ok(())
    }
}

/// Where the forward queue stands. Rows are numbered without gaps and a number
/// is never used twice, so the two ends say how many wait.
#[derive(Clone, Copy, Debug)]
pub(super) struct ForwardQueue {
    /// The lowest number that may still be in the queue.
    first: i64,
    next: i64,
    /// The highest number that every forwarder has behind it; 0: none.
    done: i64,
    max: i64,
}

impl ForwardQueue {
    pub(super) fn open(connection: &Connection) -> rusqlite::Result<Self> {
        let number = |sql| query::one::<Option<i64>>(connection, sql, []);
        let first = number("SELECT min(seq) FROM forward_queue")?;
        let last = number("SELECT max(seq) FROM forward_queue")?;
        let furthest = number("SELECT max(position) FROM forwarder")?;
        let next = last.max(furthest).unwrap_or(0) + 1;
        Ok(Self { first: first.unwrap_or(next), next, done: done(connection)?, max: FORWARD_MAX })
    }

    #[cfg(test)]
    pub(super) fn set_max(&mut self, max: i64) {
        self.max = max;
    }

    /// The statement that [`push`](Self::push) runs.
    pub(super) fn statement<'c>(transaction: &'c Transaction<'_>) -> rusqlite::Result<CachedStatement<'c>> {
        transaction.prepare_cached("INSERT INTO forward_queue (seq, at, series) VALUES (?1, ?2, ?3)")
    }

    /// Adds a row at the end.
    pub(super) fn push(
        &mut self,
        statement: &mut CachedStatement<'_>,
        time: i64,
        series: u32,
    ) -> rusqlite::Result<()> {
        statement.execute(params![self.next, time, series])?;
        self.next += 1;
        Ok(())
    }

    /// The number of the last row that was ever added.
    pub(super) fn last(&self) -> i64 {
        self.next - 1
    }

    /// Rows that are in the queue, taken by every server or not.
    pub(super) fn rows(&self) -> i64 {
        self.next - self.first
    }

    /// Takes off the queue what is in it, a step at a time: there is no server to get it.
    pub(super) fn let_go(&mut self, transaction: &Transaction<'_>) -> rusqlite::Result<()> {
        let to = (self.first - 1 + FORWARD_STEP).min(self.last());
        transaction.prepare_cached("DELETE FROM forward_queue WHERE seq <= ?1")?.execute([to])?;
        self.first = to + 1;
        Ok(())
    }

    /// Notes how far forwarders have come. A position never goes back.
    pub(super) fn note(
        &mut self,
        transaction: &Transaction<'_>,
        progress: &[ForwardProgress],
    ) -> rusqlite::Result<()> {
        let mut upsert = transaction.prepare_cached(
            "INSERT INTO forwarder (name, position) VALUES (?1, ?2)
             ON CONFLICT (name) DO UPDATE SET position = max(position, excluded.position)",
        )?;
        for it in progress {
            upsert.execute(params![it.name, it.position])?;
        }
        self.done = done(transaction)?;
        Ok(())
    }

    /// Takes off the queue, a step at a time, what every forwarder has sent, and
    /// what is beyond the bound.
    pub(super) fn trim(
        &mut self,
        transaction: &Transaction<'_>,
        added: i64,
        at: Timestamp,
    ) -> rusqlite::Result<()> {
        let bound = self.last() - self.max;
        let to = self.done.max(bound).min(self.first - 1 + FORWARD_STEP + added).min(self.last());
        if to < self.first {
            return Ok(());
        }
        let unsent_before = self.first.max(self.done + 1);
        transaction.prepare_cached("DELETE FROM forward_queue WHERE seq <= ?1")?.execute([to])?;
        let dropped = usize::try_from(to + 1 - unsent_before).unwrap_or(0);
        count_dropped(transaction, FORWARD_DROPPED, dropped, at)?;
        self.first = to + 1;
        Ok(())
    }
}

/// Knows exactly the named forwarders: one that is new begins at the oldest row
/// that is still queued, and the position of one that is gone is forgotten.
pub(super) fn set_forwarders(
    transaction: &Transaction<'_>,
    names: &[&str],
    forwarding: &mut ForwardQueue,
) -> rusqlite::Result<()> {
    let known: Vec<String> = query::list(transaction, "SELECT name FROM forwarder", [], |row| row.get(0))?;
    for gone in known.iter().filter(|known| !names.contains(&known.as_str())) {
        transaction.execute("DELETE FROM forwarder WHERE name = ?1", [gone])?;
        refused_rows::forget(transaction, gone)?;
    }
    for name in names {
        transaction.execute(
            "INSERT INTO forwarder (name, position) VALUES (?1, ?2) ON CONFLICT DO NOTHING",
            params![name, forwarding.first - 1],
        )?;
    }
    forwarding.done = done(transaction)?;
    Ok(())
}

fn done(connection: &Connection) -> rusqlite::Result<i64> {
    query::one(connection, "SELECT coalesce(min(position), 0) FROM forwarder", [])
}

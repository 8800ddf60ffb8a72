//! What the daemon asks of its own record to judge itself. Both are asked each
//! minute, so both look only at the ends of their tables.

use jiff::Timestamp;

use super::StoreError;
use super::columns::{millis, time, timestamp};
use super::counters::{counter, dropped_at};
use super::message_rows::MESSAGES_DROPPED;
use super::query::proceed_if;
use super::queue_rows::{FORWARD_DROPPED, LETTERS_DROPPED};
use super::reader::Reader;
use crate::alarms::Priority;
use crate::garden::plan::Channel;
use crate::garden::system::health::{Dropped, DroppedKind, QueueHealth};

/// A message that was given up and whose group has had none since.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unreached {
    pub site: String,
    pub who: String,
    pub channel: Channel,
    /// What the other side said last.
    pub reason: String,
    /// When it was given up.
    pub at: Timestamp,
    /// The highest of what the group did not get.
    pub priority: Priority,
}

/// Groups that are told of at most.
const GROUPS_MAX: usize = 1000;

/// Counters of what was dropped.
const DROPPED: [(DroppedKind, &str); 3] = [
    (DroppedKind::Messages, MESSAGES_DROPPED),
    (DroppedKind::Publications, LETTERS_DROPPED),
    (DroppedKind::Readings, FORWARD_DROPPED),
];

/// Counts of the record for programs that watch it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StoreFigures {
    /// States of alarms for the broker that wait, and that were ever dropped.
    pub publications_waiting: u64,
    pub publications_dropped: u64,
    /// Messages to people that wait, and that were ever dropped.
    pub messages_waiting: u64,
    pub messages_dropped: u64,
    /// Readings for other servers that were ever dropped before every server had them.
    pub forward_dropped: u64,
    /// Topics without a sensor that are listed.
    pub unplaced_topics: u64,
    /// Alarms that are not normal: site, kind, state, how many.
    pub alarms: Vec<(String, String, String, u64)>,
}

impl Reader {
    /// What waits for each forwarder.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn queues(&self) -> Result<Vec<QueueHealth>, StoreError> {
        // Rows that were let go because too many waited do not wait any more.
        self.list(
            "the forward queue",
            "SELECT f.name,
                    (SELECT max(seq) FROM forward_queue)
                        - max(f.position, (SELECT min(seq) FROM forward_queue) - 1),
                    (SELECT at FROM forward_queue WHERE seq > f.position ORDER BY seq LIMIT 1)
             FROM forwarder f ORDER BY f.name",
            [],
            |row| {
                let waiting: Option<i64> = row.get(1)?;
                let oldest: Option<i64> = row.get(2)?;
                Ok(QueueHealth {
                    name: row.get(0)?,
                    rows: u64::try_from(waiting.unwrap_or(0)).unwrap_or(0),
                    oldest: oldest.and_then(timestamp),
                    ..QueueHealth::default()
                })
            },
        )
    }

    /// What waits for each forwarder, and what its server refused.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn forwarding(&self) -> Result<Vec<QueueHealth>, StoreError> {
        let mut queues = self.queues()?;
        for it in self.refusals()? {
            if let Some(queue) = queues.iter_mut().find(|queue| queue.name == it.forwarder) {
                queue.refused = it.rows + it.unlisted;
                queue.refused_why = it.last.map(|(_, why)| why).unwrap_or_default();
            }
        }
        Ok(queues)
    }

    /// What was dropped since `since` because too much waited.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn dropped_since(&self, since: Timestamp) -> Result<Vec<Dropped>, StoreError> {
        self.with("counters", |connection| {
            let mut dropped = Vec::new();
            for (what, name) in DROPPED {
                let at = timestamp(counter(connection, &dropped_at(name))?).filter(|at| *at >= since);
                if let Some(last) = at {
                    let count = counter(connection, name)?.unsigned_abs();
                    dropped.push(Dropped { what, count, last });
                }
            }
            Ok(dropped)
        })
    }

    /// Bytes of the file that nothing is in: they are used again before it grows.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn unused_bytes(&self) -> Result<u64, StoreError> {
        self.with("the size of the record", |connection| {
            let number = |name| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
            Ok((number("freelist_count")? * number("page_size")?).unsigned_abs())
        })
    }

    /// What waits, what was dropped, and which alarms stand.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn figures(&self) -> Result<StoreFigures, StoreError> {
        let number = |sql| self.number(sql).map(|count| count.unwrap_or(0).unsigned_abs());
        Ok(StoreFigures {
            publications_waiting: number("SELECT count(*) FROM outbox WHERE sent = 0")?,
            messages_waiting: number("SELECT count(*) FROM message WHERE state = 'waiting'")?,
            publications_dropped: self.letters_dropped()?,
            messages_dropped: self.messages_dropped()?,
            forward_dropped: self.forward_dropped()?,
            unplaced_topics: number("SELECT count(*) FROM unplaced")?,
            alarms: self.list(
                "alarms",
                "SELECT site, kind, state, count(*) FROM alarm WHERE state <> 'normal'
                 GROUP BY site, kind, state ORDER BY site, kind, state",
                [],
                |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get::<_, i64>(3)?.unsigned_abs())),
            )?,
        })
    }

    /// The newest message of each group that was given up since `since`, where the
    /// group has had none since: none that was made at the same time or later has
    /// arrived, by whatever way. The newest first.
    ///
    /// # Errors
    ///
    /// When the database cannot be read.
    pub fn unreached(&self, since: Timestamp) -> Result<Vec<Unreached>, StoreError> {
        let mut unreached: Vec<Unreached> = Vec::new();
        // Copies of one message to several addresses have neighbouring numbers.
        self.each(
            "messages",
            "SELECT g.site, g.who, g.channel, g.reason, g.done_at, g.priority FROM message g
             WHERE g.state = 'given-up' AND g.done_at >= ?1
               AND NOT EXISTS (SELECT 1 FROM message s
                               WHERE s.seq > g.seq - 100 AND s.state = 'sent'
                                 AND s.site = g.site AND s.who = g.who AND s.made_at >= g.made_at)
             ORDER BY g.done_at DESC, g.seq DESC",
            [millis(since)],
            |row| {
                let (site, who): (String, String) = (row.get(0)?, row.get(1)?);
                let priority: Priority = row.get(5)?;
                match unreached.iter_mut().find(|u| u.site == site && u.who == who) {
                    Some(known) => known.priority = known.priority.max(priority),
                    None => {
                        let (channel, reason, at) = (row.get(2)?, row.get(3)?, time(row, 4)?);
                        unreached.push(Unreached { site, who, channel, reason, at, priority });
                    }
                }
                Ok(proceed_if(unreached.len() < GROUPS_MAX))
            },
        )?;
        Ok(unreached)
    }
}

//! Messages to people: kept with the steps that caused them, until they are sent
//! or given up.
//!
//! A message's key is written once. When it is sent, the row stays for a while, so
//! that the same message given again is known and people can read what was told.

use std::borrow::Cow;
use std::ops::ControlFlow;

use jiff::{SignedDuration, Timestamp};
use rusqlite::types::{FromSql, FromSqlResult, ValueRef};
use rusqlite::{Connection, OptionalExtension as _, Row, Transaction, params};
use serde::{Deserialize, Serialize};
use tracing::warn;

use super::StoreError;
use super::columns::{cut_chars, millis, named, optional_time, refused, time, timestamp};
use super::counters::count_dropped;
use super::query::{self, proceed_if, understood};
use super::reader::Reader;
use super::records::{MessageCount, MessageRecord, MessageState, Outcome, Tried};
use crate::alarms::AlarmKey;
use crate::alarms::{Kind, Priority, State};
use crate::garden::plan::{Address, Channel};
use crate::model::Id;
use crate::telling::{Item, Message, Purpose};

// Not with the other columns: series are found with these, and records name series.
impl FromSql for MessageState {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        named(value, "state", Self::from_name)
    }
}

/// Messages that may wait. Beyond it the oldest of the lowest priority are given
/// up and counted.
const WAITING_MAX: i64 = 100_000;

/// Messages that are over and still kept; beyond it the oldest go.
const DONE_MAX: i64 = 20_000;

/// How long a message that is over is kept.
const DONE_KEPT: SignedDuration = SignedDuration::from_hours(365 * 24);

/// Characters of a reason that are kept.
const REASON_MAX: usize = 500;

pub(super) const MESSAGES_DROPPED: &str = "messages_dropped";

/// How many messages wait and how many are over, known without asking.
#[derive(Clone, Copy, Debug)]
pub(super) struct MessageTable {
    waiting: i64,
    done: i64,
    waiting_max: i64,
    done_max: i64,
}

impl MessageTable {
    pub(super) fn open(connection: &Connection) -> rusqlite::Result<Self> {
        let count =
            |of: &str| query::one(connection, &format!("SELECT count(*) FROM message WHERE {of}"), []);
        let (waiting, done) = (count("state = 'waiting'")?, count("done_at IS NOT NULL")?);
        Ok(Self { waiting, done, waiting_max: WAITING_MAX, done_max: DONE_MAX })
    }

    #[cfg(test)]
    pub(super) fn set_max(&mut self, waiting: i64, done: i64) {
        (self.waiting_max, self.done_max) = (waiting, done);
    }

    /// Keeps the bounds of what was known before, where only the counts are new.
    pub(super) fn with_bounds_of(self, before: Self) -> Self {
        Self { waiting_max: before.waiting_max, done_max: before.done_max, ..self }
    }

    /// Adds messages that are not there yet, and returns how many those were.
    pub(super) fn add(
        &mut self,
        transaction: &Transaction<'_>,
        messages: &[Message],
    ) -> rusqlite::Result<usize> {
        // Looked for first: a refused row would use up a number.
        let mut find = transaction.prepare_cached("SELECT 1 FROM message WHERE key = ?1")?;
        let mut insert = transaction.prepare_cached(
            "INSERT INTO message (key, made_at, site, who, channel, address, priority, purpose, about, body,
                                  state, tries, next_at, done_at, reason)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, 'waiting', 0, ?2, NULL, '')
             ON CONFLICT (key) DO NOTHING",
        )?;
        let mut added = 0;
        for it in messages {
            if find.exists([&it.key])? {
                continue;
            }
            added += insert.execute(params![
                it.key,
                millis(it.made_at),
                it.site.as_str(),
                it.who,
                it.address.channel.name(),
                it.address.to,
                it.priority.name(),
                it.purpose.name(),
                it.purpose.about(),
                body_to_json(it),
            ])?;
        }
        self.waiting += i64::try_from(added).expect("a count of rows fits");
        Ok(added)
    }

    /// Adds messages that have been sent past the outbox, with the time at which that
    /// was, as ones that are over.
    pub(super) fn add_sent(
        &mut self,
        transaction: &Transaction<'_>,
        sent: &[(Message, Timestamp)],
    ) -> rusqlite::Result<()> {
        let mut over = transaction.prepare_cached(
            "UPDATE message SET state = 'sent', tries = 1, done_at = ?2 WHERE key = ?1 AND state = 'waiting'",
        )?;
        for (message, at) in sent {
            self.add(transaction, std::slice::from_ref(message))?;
            if over.execute(params![message.key, millis(*at)])? == 1 {
                self.waiting -= 1;
                self.done += 1;
            }
        }
        Ok(())
    }

    /// Notes the results of tries. A message that is sent stays sent, and a try that
    /// is noted twice counts once: its next time says which it is.
    pub(super) fn note(&mut self, transaction: &Transaction<'_>, tries: &[Tried]) -> rusqlite::Result<()> {
        let mut state = transaction.prepare_cached("SELECT state FROM message WHERE seq = ?1")?;
        let mut done = transaction.prepare_cached(
            "UPDATE message SET state = ?2, tries = tries + 1, done_at = ?3, reason = ?4 WHERE seq = ?1",
        )?;
        let mut later = transaction.prepare_cached(
            "UPDATE message SET tries = tries + 1, next_at = ?2, reason = ?3
             WHERE seq = ?1 AND next_at <> ?2",
        )?;
        for it in tries {
            let found: Option<String> = state.query_row([it.seq], |row| row.get(0)).optional()?;
            let waits = match found.as_deref().and_then(MessageState::from_name) {
                // Of a message that is no more, or that went out already, nothing is new.
                None | Some(MessageState::Sent) => continue,
                Some(MessageState::Waiting) => true,
                Some(MessageState::GivenUp) => false,
            };
            let (to, reason) = match &it.outcome {
                Outcome::Sent => (MessageState::Sent, ""),
                Outcome::GivenUp { reason } if waits => (MessageState::GivenUp, reason.as_str()),
                Outcome::Later { next, reason } if waits => {
                    later.execute(params![it.seq, millis(*next), cut_chars(reason, REASON_MAX)])?;
                    continue;
                }
                Outcome::GivenUp { .. } | Outcome::Later { .. } => continue,
            };
            done.execute(params![it.seq, to.name(), millis(it.at), cut_chars(reason, REASON_MAX)])?;
            if waits {
                self.waiting -= 1;
                self.done += 1;
            }
        }
        Ok(())
    }

    /// Holds the bounds.
    pub(super) fn trim(&mut self, transaction: &Transaction<'_>, at: Timestamp) -> rusqlite::Result<()> {
        let excess = self.waiting - self.waiting_max;
        if excess > 0 {
            let dropped = transaction
                .prepare_cached(
                    "UPDATE message SET state = 'given-up', done_at = ?1, reason = ?2
                     WHERE seq IN (SELECT seq FROM message WHERE state = 'waiting'
                                   ORDER BY priority = 'high', priority = 'medium', seq LIMIT ?3)",
                )?
                .execute(params![millis(at), "too many messages waited", excess])?;
            count_dropped(transaction, MESSAGES_DROPPED, dropped, at)?;
            let dropped = i64::try_from(dropped).expect("a count of rows fits");
            self.waiting -= dropped;
            self.done += dropped;
        }
        let oldest = at.checked_sub(DONE_KEPT).unwrap_or(Timestamp::MIN);
        let gone = transaction
            .prepare_cached("DELETE FROM message WHERE done_at < ?1")?
            .execute([millis(oldest)])?;
        self.done -= i64::try_from(gone).expect("a count of rows fits");
        if self.done > self.done_max {
            let gone = transaction
                .prepare_cached(
                    "DELETE FROM message WHERE seq IN
                     (SELECT seq FROM message WHERE done_at IS NOT NULL ORDER BY done_at, seq LIMIT ?1)",
                )?
                .execute([self.done - self.done_max])?;
            self.done -= i64::try_from(gone).expect("a count of rows fits");
        }
        Ok(())
    }
}

/// Gives up what waits and cannot be understood, so that it holds nothing up.
pub(super) fn give_up_unreadable(connection: &Connection) -> rusqlite::Result<()> {
    let sql = format!("SELECT {COLUMNS} FROM message WHERE state = 'waiting'");
    let rows = query::list(connection, &sql, [], |row| {
        Ok(understood(read(row))?.err().map(|reason| (row.get::<_, i64>(0), reason)))
    })?;
    for (seq, reason) in rows.into_iter().flatten() {
        let seq = seq?;
        warn!(seq, reason, "a message cannot be understood; it is given up");
        let reason = format!("it cannot be understood: {reason}");
        connection.execute(
            "UPDATE message SET state = 'given-up', done_at = made_at, reason = ?2 WHERE seq = ?1",
            params![seq, cut_chars(&reason, REASON_MAX)],
        )?;
    }
    Ok(())
}

impl Reader {
    /// When the next message of a channel is to be tried. One that cannot be understood
    /// is left out, and the log says why.
    ///
    /// # Errors
    ///
    /// When the file cannot be read; so for the others here.
    pub fn next_due(&self, channel: Channel) -> Result<Option<Timestamp>, StoreError> {
        let mut next = None;
        self.each_message(
            "state = 'waiting' AND channel = ?1 ORDER BY next_at",
            params![channel.name()],
            |it| {
                next = Some(it.next);
                ControlFlow::Break(())
            },
        )?;
        Ok(next)
    }

    /// Whether the group got the same message (of the same site, moment, purpose
    /// and alarms) by another address.
    pub fn reached(&self, message: &Message) -> Result<bool, StoreError> {
        let alarms = |of: &Message| -> Vec<(AlarmKey, i64)> {
            of.items.iter().map(|item| (item.key.clone(), millis(item.since))).collect()
        };
        let wanted = alarms(message);
        let mut reached = false;
        self.each_message(
            "made_at = ?1 AND site = ?2 AND who = ?3 AND purpose = ?4 AND about IS ?5 AND state = 'sent'",
            params![
                millis(message.made_at),
                message.site.as_str(),
                message.who,
                message.purpose.name(),
                message.purpose.about(),
            ],
            |it| {
                reached = it.message.address != message.address && alarms(&it.message) == wanted;
                proceed_if(!reached)
            },
        )?;
        Ok(reached)
    }

    /// Messages with `from` <= when they were made < `to`, oldest first.
    pub fn messages(
        &self,
        from: Timestamp,
        to: Timestamp,
        site: Option<&str>,
    ) -> Result<Vec<MessageRecord>, StoreError> {
        let mut list = Vec::new();
        self.each_message(
            "made_at >= ?1 AND made_at < ?2 AND (?3 IS NULL OR site = ?3) ORDER BY made_at, seq",
            params![millis(from), millis(to), site],
            |it| {
                list.push(it);
                ControlFlow::Continue(())
            },
        )?;
        Ok(list)
    }

    /// How many messages each group got on each day, with `from` <= when they were
    /// made < `to`, in order of site, group and day. `day` returns the day of a moment
    /// at a site. Messages that only tried whether they arrive are left out.
    pub fn message_counts(
        &self,
        from: Timestamp,
        to: Timestamp,
        day: impl Fn(&Id, Timestamp) -> jiff::civil::Date,
    ) -> Result<Vec<MessageCount>, StoreError> {
        use std::collections::BTreeMap;
        // To each address: sent, waiting, given up.
        type Addresses = BTreeMap<(String, String), [u32; 3]>;
        let mut groups: BTreeMap<(Id, String, jiff::civil::Date), Addresses> = BTreeMap::new();
        self.each(
            "messages",
            "SELECT made_at, site, who, channel, address, state FROM message
             WHERE made_at >= ?1 AND made_at < ?2 AND purpose <> 'test'",
            [millis(from), millis(to)],
            |row| {
                let state = |row: &Row<'_>| Ok((time(row, 0)?, row.get(5)?));
                if let Ok((at, state)) = understood(state(row))? {
                    let site: Id = row.get(1)?;
                    let day = day(&site, at);
                    let addresses = groups.entry((site, row.get(2)?, day)).or_default();
                    addresses.entry((row.get(3)?, row.get(4)?)).or_default()[match state {
                        MessageState::Sent => 0,
                        MessageState::Waiting => 1,
                        MessageState::GivenUp => 2,
                    }] += 1;
                }
                Ok(ControlFlow::Continue(()))
            },
        )?;
        Ok(groups
            .into_iter()
            .map(|((site, who, day), addresses)| {
                let most = |which: usize| addresses.values().map(|it| it[which]).max().unwrap_or(0);
                MessageCount { site, who, day, sent: most(0), waiting: most(1), given_up: most(2) }
            })
            .collect())
    }

    /// Messages that were given up because too many waited.
    pub fn messages_dropped(&self) -> Result<u64, StoreError> {
        self.dropped(MESSAGES_DROPPED)
    }

    /// Calls `each` with the messages of a condition until it breaks. Those that cannot be understood are left out.
    pub(super) fn each_message(
        &self,
        condition: &str,
        parameters: impl rusqlite::Params,
        mut each: impl FnMut(MessageRecord) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let sql = format!("SELECT {COLUMNS} FROM message WHERE {condition}");
        self.each("messages", &sql, parameters, |row| {
            match understood(read(row))? {
                Ok(record) => return Ok(each(record)),
                Err(reason) => {
                    let seq: i64 = row.get(0)?;
                    warn!(seq, reason, "a message cannot be understood; it is left out");
                }
            }
            Ok(ControlFlow::Continue(()))
        })
    }
}

/// The columns that [`read`] wants.
const COLUMNS: &str = "seq, key, made_at, site, who, channel, address, priority, purpose, about, body,
                       state, tries, next_at, done_at, reason";

/// What of a message is not in a column of its own.
#[derive(Serialize, Deserialize)]
struct BodyRow<'a> {
    garden: Cow<'a, str>,
    subject: Cow<'a, str>,
    opening: Cow<'a, str>,
    items: Vec<ItemRow<'a>>,
}

#[derive(Serialize, Deserialize)]
struct ItemRow<'a> {
    site: Cow<'a, str>,
    kind: Cow<'a, str>,
    place: Cow<'a, str>,
    place_name: Cow<'a, str>,
    state: Cow<'a, str>,
    priority: Cow<'a, str>,
    /// Empty in rows of before.
    #[serde(default)]
    by: Cow<'a, str>,
    /// Milliseconds since 1970-01-01 UTC.
    since: i64,
    since_local: Cow<'a, str>,
    text: Cow<'a, str>,
    source: Cow<'a, str>,
}

fn body_to_json(message: &Message) -> String {
    let body = BodyRow {
        garden: Cow::Borrowed(&message.garden),
        subject: Cow::Borrowed(&message.subject),
        opening: Cow::Borrowed(&message.opening),
        items: message
            .items
            .iter()
            .map(|item| ItemRow {
                site: Cow::Borrowed(item.key.site.as_str()),
                kind: Cow::Borrowed(item.key.kind.name()),
                place: Cow::Borrowed(item.key.place.as_str()),
                place_name: Cow::Borrowed(&item.place_name),
                state: Cow::Borrowed(item.state.name()),
                priority: Cow::Borrowed(item.priority.name()),
                by: Cow::Borrowed(&item.by),
                since: millis(item.since),
                since_local: Cow::Borrowed(&item.since_local),
                text: Cow::Borrowed(&item.text),
                source: Cow::Borrowed(&item.source),
            })
            .collect(),
    };
    serde_json::to_string(&body).expect("texts and whole numbers always have a JSON form")
}

/// One row.
fn read(row: &Row<'_>) -> rusqlite::Result<MessageRecord> {
    let body: String = row.get(10)?;
    let body: BodyRow<'_> =
        serde_json::from_str(&body).map_err(|it| refused(10, format!("the body: {it}")))?;
    let (name, about): (String, Option<String>) = (row.get(8)?, row.get(9)?);
    let tries: i64 = row.get(12)?;
    Ok(MessageRecord {
        seq: row.get(0)?,
        message: Message {
            key: row.get(1)?,
            site: row.get(3)?,
            garden: body.garden.into_owned(),
            who: row.get(4)?,
            address: Address { channel: row.get(5)?, to: row.get(6)? },
            made_at: time(row, 2)?,
            priority: row.get(7)?,
            purpose: purpose(&name, about).map_err(|found| refused(8, found))?,
            subject: body.subject.into_owned(),
            opening: body.opening.into_owned(),
            items: body
                .items
                .into_iter()
                .map(item)
                .collect::<Result<_, _>>()
                .map_err(|found| refused(10, found))?,
        },
        state: row.get(11)?,
        tries: u32::try_from(tries).map_err(|_| refused(12, format!("the number of tries {tries}")))?,
        next: time(row, 13)?,
        done: optional_time(row, 14)?,
        reason: row.get(15)?,
    })
}

fn item(row: ItemRow<'_>) -> Result<Item, String> {
    Ok(Item {
        key: AlarmKey {
            site: Id::new(&row.site),
            kind: Kind::from_name(&row.kind).ok_or_else(|| format!("the kind {:?}", row.kind))?,
            place: Id::new(&row.place),
        },
        place_name: row.place_name.into_owned(),
        state: State::from_name(&row.state).ok_or_else(|| format!("the state {:?}", row.state))?,
        priority: Priority::from_name(&row.priority)
            .ok_or_else(|| format!("the priority {:?}", row.priority))?,
        by: row.by.into_owned(),
        since: timestamp(row.since).ok_or_else(|| format!("the time {}", row.since))?,
        since_local: row.since_local.into_owned(),
        text: row.text.into_owned(),
        source: row.source.into_owned(),
    })
}

fn purpose(name: &str, about: Option<String>) -> Result<Purpose, String> {
    Ok(match (name, about) {
        ("news", _) => Purpose::News,
        ("summary", _) => Purpose::Summary,
        ("not-answered", Some(by)) => Purpose::NotAnswered { by },
        ("not-delivered", Some(to)) => Purpose::NotDelivered { to },
        ("again", _) => Purpose::Again,
        ("worse", _) => Purpose::Worse,
        ("over", _) => Purpose::Over,
        ("test", _) => Purpose::Test,
        ("rehearsal", _) => Purpose::Rehearsal,
        (name, about) => return Err(format!("the purpose {name:?} about {about:?}")),
    })
}

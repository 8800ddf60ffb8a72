//! What a delivery worker looks for among the messages that wait.

use jiff::Timestamp;
use rusqlite::params;

use super::StoreError;
use super::columns::millis;
use super::query::proceed_if;
use super::reader::Reader;
use super::records::DueMessage;
use crate::garden::plan::Channel;

/// Which waiting messages a delivery worker looks for.
#[derive(Clone, Debug)]
pub struct MessageLook {
    pub channel: Channel,
    pub which: MessageTime,
    /// Those of high priority, or all others.
    pub urgent: bool,
    /// Addresses to leave out.
    pub closed: Vec<String>,
    /// Messages to leave out.
    pub known: Vec<i64>,
    /// At most so many.
    pub limit: usize,
}

/// Which of them by their time.
#[derive(Clone, Copy, Debug)]
pub enum MessageTime {
    /// Their time has come.
    DueBy(Timestamp),
    /// Their time is so far off that a clock must have been put back.
    DueAfter(Timestamp),
    /// They were made so long ago that they are given up.
    MadeBy(Timestamp),
}

impl Reader {
    /// Waiting messages that `look` asks for, the oldest of their times first. One that
    /// cannot be understood is left out.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn messages_wanted(&self, look: &MessageLook) -> Result<Vec<DueMessage>, StoreError> {
        let (when, at) = match look.which {
            MessageTime::DueBy(at) => ("next_at <= ?3", at),
            MessageTime::DueAfter(at) => ("next_at > ?3", at),
            MessageTime::MadeBy(at) => ("made_at <= ?3", at),
        };
        let json = |it: serde_json::Value| it.to_string();
        let mut found = Vec::new();
        self.each_message(
            &format!(
                "state = 'waiting' AND channel = ?1 AND (priority = 'high') = ?2 AND {when}
                 AND address NOT IN (SELECT value FROM json_each(?4))
                 AND seq NOT IN (SELECT value FROM json_each(?5))
                 ORDER BY next_at, seq"
            ),
            params![
                look.channel.name(),
                look.urgent,
                millis(at),
                json(look.closed.as_slice().into()),
                json(look.known.as_slice().into()),
            ],
            |it| {
                // What cannot be understood does not use up the number.
                if found.len() < look.limit {
                    found.push(DueMessage { seq: it.seq, tries: it.tries, message: it.message });
                }
                proceed_if(found.len() < look.limit)
            },
        )?;
        Ok(found)
    }

    /// Those of these messages that still wait, and how often each was tried.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn messages_waiting(&self, seqs: &[i64]) -> Result<Vec<(i64, u32)>, StoreError> {
        let seqs = serde_json::Value::from(seqs).to_string();
        self.list(
            "messages",
            "SELECT seq, tries FROM message
             WHERE seq IN (SELECT value FROM json_each(?1)) AND state = 'waiting'",
            [seqs],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
    }
}

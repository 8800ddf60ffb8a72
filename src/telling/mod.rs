//! Who is told what, and when.
//!
//! The steps of alarms come in with the time; messages to people come out. A
//! group's quiet hours, its morning summary and who is told next if nobody answers
//! are decided here. What waits for its time is given back as rows, which the store
//! keeps in the transaction that keeps the steps, so that nothing is forgotten by
//! a restart and nothing is told twice.
//!
//! # Rules
//!
//! - What is of high priority is told at once, at any hour. What else a group is
//!   told waits: for its summary if it has one, else for the end of its quiet hours,
//!   else a minute for what comes with it; by day, what is of the day
//!   (frost, heat, a bad water test) waits for no summary. What is over or answered before its time
//!   is not told; but what somebody ought to act on though it is over (a watering outside
//!   the hours, water that was left on, a gauge that is believed again) is told as over.
//! - An alarm that somebody took on and that does not go away is told again, as a
//!   reminder, by the same rules.
//! - When something of high priority is over, those who were told of it are told so.
//! - What is of high priority, stands and was answered by nobody is told again: the first
//!   time after a group's `again_min`, then at a distance that doubles up to `most_min`, by
//!   the group's other addresses as well. What grows worse by a further step is told at
//!   once, to all who were told of it. What comes back within its kind's `count_h` is the
//!   same alarm: it is told the second, fourth, eighth time and so on, when it is worse
//!   than it was, or when it has stayed for twelve hours.
//! - A group that was told and does not answer is followed by its next group. The
//!   time counts from the message, not from the alarm: what waited for the morning
//!   is not passed on in the night. Of low priority nothing is passed on; of medium
//!   priority only what still stands; of high priority also what is over, since
//!   somebody has to look. Where several groups would pass an alarm on to the same
//!   one, the first to do so spares the others.
//! - A summary whose time was missed comes as soon as it can, within twelve hours;
//!   after that the next one tells of it. A day without news has no summary.
//! - Summaries of several gardens that come due together for a group of the same name at the
//!   same e-mail address are one message.
//! - What could not be delivered goes on as [`Notifier::not_sent`] says.

mod compose;
mod due;
mod groups;
mod hours;
mod merged;
mod message;
mod site;
mod undelivered;
mod waiting;

pub use groups::{Notifier, NotifierOutput};
pub(crate) use groups::{first_told, pending_words, told_at};
pub use message::{GivenUp, Item, Message, Purpose, WaitFor, Waiting};

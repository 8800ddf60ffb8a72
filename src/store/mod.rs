//! The record: one SQLite file that any tool can open.
//!
//! [`Store`] is the one writer. It takes everything that one call of the core
//! returns and keeps it in one transaction; only after [`Store::commit`]
//! has returned may the broker be told. [`Reader`] reads beside it without
//! waiting for it (write-ahead log).
//!
//! This is the only room that knows SQL.
//!
//! # What makes writing twice harmless
//!
//! A reading's key is its time and its series; an alarm's step, a letter and a
//! message to people have keys of their own. Each is written once, however often it
//! is given. A try that is noted twice counts once.
//!
//! # Why the key of a reading is (time, series)
//!
//! Readings arrive in order of time from many sensors at once. With the time
//! first, new rows go to the end of the tree, and a page that is written holds
//! many of them. With the series first, each row of a batch goes to another
//! page: about fifty times the work for a thousand sensors. The price is that
//! one sensor's month is read past its neighbours' rows. So days that are over are packed:
//! a block holds thousands of readings of one sensor in the room of a hundred rows, and a
//! month of one sensor is some blocks. Of the last days a chart is put together of quarter
//! hours, whose key is (series, start).

#[cfg(test)]
#[path = "../../tests/support/garden.rs"]
#[allow(dead_code, unreachable_pub, reason = "shared with the integration tests")]
mod test_garden;

mod alarm_history;
mod alarm_rows;
mod answers;
mod backup;
mod bin_span;
mod bins;
mod block_bytes;
mod block_rows;
mod columns;
mod counters;
mod day_rows;
mod due_rows;
mod error;
mod filled;
mod former_ids;
mod forward_rows;
mod import_rows;
mod keeping;
mod log_rows;
mod merged;
mod message_rows;
mod note_rows;
mod older_fill;
mod own_rows;
mod packed_bins;
mod packing;
mod quarter_rows;
mod query;
mod queue_rows;
mod reader;
mod reading_rows;
mod received_rows;
mod records;
mod refused_list;
mod refused_rows;
mod reject_rows;
mod replay_rows;
mod salvage;
mod schema;
mod sensor_tallies;
mod series;
mod snapshot_rows;
mod thinning;
mod waiting_rows;
mod whereabouts;
mod writer;

pub use answers::{AnswerRow, leave_answer};
pub use backup::{BackupContent, BackupFault, PutBack, back_up, look_through, put_back};
pub use due_rows::{MessageLook, MessageTime};
pub use error::StoreError;
pub use import_rows::{ImportBatch, UndoneImport};
pub use keeping::SingleReadingsFrom;
pub use log_rows::{LogNews, LogRow, Strike, correct_log, strike_log, write_log};
pub use older_fill::OlderFill;
pub use own_rows::{StoreFigures, Unreached};
pub use packing::PackProgress;
pub use quarter_rows::QuarterProgress;
pub use reader::{Reader, ReadingFilter};
pub use records::{
    Activity, AlarmPublication, AlarmRow, Committed, DueMessage, ForwardProgress, ForwardRow, MessageCount,
    MessageRecord, MessageState, Outcome, QueuedPublication, ReceivedPacket, Refusals, RefusedRow, RejectRow,
    StoredReading, Transaction, Tried, UnplacedTopic,
};
pub use refused_list::settle_refused;
pub use reject_rows::{RefusedTopic, is_refused_of};
pub use replay_rows::{ReplayDay, ReplayRun, StoredStep};
pub use salvage::{Salvaged, mend_damaged};
pub use sensor_tallies::SensorTally;
pub use series::{Series, SeriesMap};
pub use snapshot_rows::SiteSnapshot;
pub use thinning::ThinProgress;
#[cfg(test)]
pub(crate) use writer::faulty::WriteFault;
pub use writer::{Store, is_in_use, record_bytes};

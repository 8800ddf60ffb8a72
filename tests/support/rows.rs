//! What is stored: every reading with all its columns, in the order of site, sensor and
//! time; what was refused; what waits for a server.

use std::ops::ControlFlow;

use jiff::Timestamp;
use trug::model::TimeFrom;
use trug::store::{Reader, ReadingFilter, RejectRow};

/// A stored reading. The numbers are kept as bits: equal means the very same.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct StoredRow {
    pub(crate) site: String,
    pub(crate) sensor: String,
    pub(crate) at_ms: i64,
    pub(crate) raw: u64,
    pub(crate) value: Option<u64>,
    pub(crate) flag: u8,
    pub(crate) tests: String,
    pub(crate) by_device: bool,
    pub(crate) late: bool,
}

pub(crate) fn rows(reader: &Reader) -> Vec<StoredRow> {
    let mut rows = Vec::new();
    reader
        .readings(&ReadingFilter::default(), |row| {
            rows.push(StoredRow {
                site: row.series.site.clone(),
                sensor: row.series.sensor.clone(),
                at_ms: row.at.as_millisecond(),
                raw: row.raw.to_bits(),
                value: row.value.map(f64::to_bits),
                flag: row.flag.number(),
                tests: format!("{:?}", row.tests),
                by_device: row.time_from == TimeFrom::Device,
                late: row.late,
            });
            ControlFlow::Continue(())
        })
        .expect("the readings can be read");
    rows.sort();
    rows
}

/// # Panics
/// When they differ; shows the first rows that do.
pub(crate) fn assert_same(what: &str, left: &[StoredRow], right: &[StoredRow]) {
    let different: Vec<_> = left.iter().zip(right).filter(|(a, b)| a != b).collect();
    assert!(
        different.is_empty() && left.len() == right.len(),
        "{what}: {} and {} rows, {} differ, first: {:#?}",
        left.len(),
        right.len(),
        different.len(),
        &different[..different.len().min(3)]
    );
}

/// What was refused, newest first, at most `limit`.
pub(crate) fn rejects(reader: &Reader, limit: usize) -> Vec<RejectRow> {
    let mut all = reader.rejects_between(Timestamp::MIN, Timestamp::MAX).expect("the rejects can be read");
    all.sort_by_key(|it| std::cmp::Reverse(it.seq));
    all.truncate(limit);
    all
}

/// The number of the last row in the forward queue; `None` when it is empty.
pub(crate) fn forward_last(reader: &Reader) -> Option<i64> {
    reader.forward_rows(0, u32::MAX).expect("the queue can be read").last().map(|row| row.seq)
}

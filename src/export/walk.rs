//! Walking a record in bounded parts.

use std::ops::ControlFlow;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use crate::history::{Bin, BinWidth, bin_of};
use crate::store::{Reader, ReadingFilter, StoreError, StoredReading};

/// The record is kept in order of time, so that a sensor that says little is found
/// past its neighbours' rows. One read goes over so much of it at most.
const READ_AT_ONCE: SignedDuration = SignedDuration::from_hours(24);
const HOURS_AT_ONCE: SignedDuration = SignedDuration::from_hours(7 * 24);
const DAYS_AT_ONCE: SignedDuration = SignedDuration::from_hours(28 * 24);

/// A place in the record: everything up to this time and, at this time, up to this
/// series has been handed out. Readings are kept to the millisecond.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct RecordMark {
    pub at_ms: i64,
    pub series: u32,
}

/// From the first moment that belongs to it to the first that does not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TimeSpan {
    pub from: Timestamp,
    pub to: Timestamp,
}

/// Passes on the readings of a filter in order of time and, at one time, of series: those
/// after `after`, at most `limit`. Returns early when `enough` says so, which is asked now
/// and then, also where no reading is found. Returns where to go on; `None` when the end
/// was reached.
///
/// A reading that is stored later at a time already passed is left out. One that was
/// there before the first call is passed on once.
///
/// # Errors
///
/// When the store cannot be read.
pub fn walk_readings(
    reader: &Reader,
    filter: &ReadingFilter,
    after: Option<RecordMark>,
    limit: usize,
    mut enough: impl FnMut() -> bool,
    mut each: impl FnMut(&StoredReading<'_>),
) -> Result<Option<RecordMark>, StoreError> {
    let open =
        TimeSpan { from: filter.from.unwrap_or(Timestamp::MIN), to: filter.to.unwrap_or(Timestamp::MAX) };
    let Some(TimeSpan { mut from, to }) = known(reader, open)? else { return Ok(None) };
    if let Some(at) = after.and_then(|mark| Timestamp::from_millisecond(mark.at_ms).ok()) {
        from = from.max(at);
    }
    let (mut given, mut last) = (0, after);
    while from < to {
        let end = later(from, READ_AT_ONCE).min(to);
        let part = ReadingFilter { from: Some(from), to: Some(end), ..filter.clone() };
        let mut more = false;
        reader.readings(&part, |row| {
            let here = RecordMark { at_ms: row.at.as_millisecond(), series: row.series.number };
            if last.is_some_and(|last| here <= last) {
                return ControlFlow::Continue(());
            }
            if given == limit {
                more = true;
                return ControlFlow::Break(());
            }
            each(&row);
            (given, last) = (given + 1, Some(here));
            ControlFlow::Continue(())
        })?;
        if more {
            return Ok(last);
        }
        from = end;
        if from < to && enough() {
            // Everything before this moment was looked at.
            return Ok(Some(RecordMark { at_ms: from.as_millisecond() - 1, series: u32::MAX }));
        }
    }
    Ok(None)
}

/// Passes on the bins of a sensor that begin within a span, oldest first, at most `limit`;
/// empty ones are left out. Returns early when `enough` says so. Returns the first moment
/// at which the next bin may begin; `None` when the end was reached.
///
/// # Errors
///
/// When the store cannot be read.
#[expect(clippy::too_many_arguments, reason = "a sensor, a span, and when to stop")]
pub(super) fn walk_bins(
    reader: &Reader,
    (site, sensor): (&str, &str),
    span: TimeSpan,
    step: BinWidth,
    zone: &TimeZone,
    limit: usize,
    mut enough: impl FnMut() -> bool,
    mut each: impl FnMut(&Bin),
) -> Result<Option<Timestamp>, StoreError> {
    let at_once = match step {
        BinWidth::Raw => READ_AT_ONCE,
        BinWidth::Hour => HOURS_AT_ONCE,
        BinWidth::Day => DAYS_AT_ONCE,
    };
    let Some(known) = known(reader, TimeSpan { from: Timestamp::MIN, to: span.to })? else { return Ok(None) };
    // The bin in which the record begins may itself begin before it.
    let mut from = span.from.max(bin_of(known.from, step, zone).0);
    let (mut given, mut last) = (0, None);
    while from < known.to {
        let end = later(from, at_once).min(known.to);
        for bin in reader.bins(site, sensor, from, end, step, zone)? {
            if given == limit {
                return Ok(last);
            }
            each(&bin);
            (given, last) = (given + 1, Some(bin.end));
        }
        from = end;
        if from < known.to && enough() {
            return Ok(Some(from));
        }
    }
    Ok(None)
}

/// The part of a span of which anything is known; `None` where there is none.
fn known(reader: &Reader, span: TimeSpan) -> Result<Option<TimeSpan>, StoreError> {
    const MOMENT: SignedDuration = SignedDuration::from_millis(1);
    Ok(reader.known_span()?.and_then(|(first, last)| {
        let known = TimeSpan { from: span.from.max(first), to: span.to.min(later(last, MOMENT)) };
        (known.from < known.to).then_some(known)
    }))
}

fn later(at: Timestamp, by: SignedDuration) -> Timestamp {
    at.checked_add(by).unwrap_or(Timestamp::MAX)
}

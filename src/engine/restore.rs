//! The core rebuilt from what is stored: at a start nothing is forgotten, and
//! nothing that stands is raised again.

use jiff::Timestamp;

use crate::alarms::AlarmRecord;
use crate::engine::Router;
use crate::garden::record::{AlarmChange, Batch};
use crate::garden::{Core, restore_from};
use crate::store::{Reader, Store, StoreError};

/// How far before the restored readings a running count is looked for.
const COUNT_BACK_S: i64 = 7 * 86_400;

/// Rebuilds the core from what is stored. Returns the ends of alarms whose place is no
/// longer in its garden's file.
pub(crate) fn restore(router: &mut Router, store: &Store) -> Result<Vec<AlarmChange>, StoreError> {
    let reader = Reader::open(store.path())?;
    let core = &mut router.core;
    let log = reader.log(0)?;
    for row in &log {
        core.restore_replacement(&row.entry);
    }
    if let Some(latest) = reader.latest_at()? {
        restore_readings(core, store, &reader, latest)?;
    }
    for row in log {
        core.restore_log(&row.entry);
    }
    // Some stand without any reading: the daemon's own, and what a water test raised. Of
    // those that are normal it is known how often they came.
    let stored: Vec<AlarmRecord> = reader.alarms_known()?.into_iter().map(|row| row.record).collect();
    core.restore_alarms(stored.clone());
    for (key, since, count) in reader.note_counts()? {
        if stored.iter().any(|alarm| alarm.key == key && alarm.since == since) {
            core.restore_notes(key, since, count);
        }
    }
    // Only now are the daemon's own where they stood.
    Ok(core.ends_of_removed(&stored, crate::engine::system_now()))
}

fn restore_readings(
    core: &mut Core,
    store: &Store,
    reader: &Reader,
    latest: Timestamp,
) -> Result<(), StoreError> {
    // A clock that was once ahead has left rows of times that have not come.
    let from = restore_from(latest.min(crate::engine::system_now()));
    let back_to = from.saturating_sub(jiff::SignedDuration::from_secs(COUNT_BACK_S)).unwrap_or(from);
    let to = latest.min(crate::engine::system_now()).saturating_add(jiff::SignedDuration::from_millis(1));
    let to = to.unwrap_or(latest);
    crate::engine::long_memory::restore(core, reader, None, to)?;
    reader
        .last_before(from, back_to, store.series(), |sensor, at, raw| core.restore_count(sensor, raw, at))?;
    let mut scratch = Batch::default();
    reader.rebuild(from, store.series(), |reading| core.restore_reading(&reading, &mut scratch))
}

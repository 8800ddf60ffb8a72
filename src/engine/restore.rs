//! The core rebuilt from what is stored: at a start nothing is forgotten, and
//! nothing that stands is raised again.

use std::collections::HashMap;
use std::ops::{ControlFlow, RangeInclusive};

use jiff::{SignedDuration, Timestamp};

use crate::alarms::AlarmRecord;
use crate::engine::Router;
use crate::garden::record::{AlarmChange, Batch};
use crate::garden::{Core, restore_from};
use crate::model::Id;
use crate::store::{Reader, SeriesMap, Store, StoreError};

/// How far before the restored readings a running count is looked for.
const COUNT_BACK_S: i64 = 7 * 86_400;
/// How far behind the newest reading of all sites a site's own newest one is looked for:
/// as far as anything is remembered.
const SITE_BACK_S: i64 = 64 * 86_400;

/// Rebuilds the core from what is stored. Returns the ends of alarms whose place is no
/// longer in its garden's file. The computer's clock shows `now`.
pub(crate) fn restore(
    router: &mut Router,
    store: &Store,
    now: Timestamp,
) -> Result<Vec<AlarmChange>, StoreError> {
    let reader = Reader::open(store.path())?;
    restore_past(&mut router.core, store.series(), &reader, now)?;
    let stored = restore_standing(&mut router.core, &reader)?;
    // Only now are the daemon's own where they stood.
    Ok(router.core.ends_of_removed(&stored, now))
}

/// Restores what the stored readings make of each site. It may take long; the record may be
/// written meanwhile.
pub(crate) fn restore_past(
    core: &mut Core,
    series: &SeriesMap,
    reader: &Reader,
    now: Timestamp,
) -> Result<(), StoreError> {
    for row in reader.log(0)? {
        core.restore_replacement(&row.entry);
    }
    match reader.latest_at()? {
        Some(latest) => restore_readings(core, series, reader, latest, now),
        None => Ok(()),
    }
}

/// Lays what people wrote and the stored alarms over it. Returns the stored alarms.
pub(crate) fn restore_standing(core: &mut Core, reader: &Reader) -> Result<Vec<AlarmRecord>, StoreError> {
    for row in reader.log(0)? {
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
    Ok(stored)
}

/// Restores each site's readings as far back from its own newest one as the rules remember:
/// where the readings' own times are the clock, one site may be weeks behind another.
fn restore_readings(
    core: &mut Core,
    series: &SeriesMap,
    reader: &Reader,
    latest: Timestamp,
    now: Timestamp,
) -> Result<(), StoreError> {
    // A clock that was once ahead has left rows of times that have not come.
    let ends = ends_of_sites(core, series, reader, latest.min(now))?;
    let by_id: HashMap<Id, Timestamp> =
        core.sites().map(|garden| garden.site.id.clone()).zip(ends.iter().copied()).collect();
    crate::engine::long_memory::restore(core, reader, |site| by_id.get(site).map(|end| just_after(*end)))?;
    // Where each sensor's readings begin.
    let from: Vec<Timestamp> = per_sensor(core, &ends).into_iter().map(restore_from).collect();
    restore_counts(core, series, reader, &from)?;
    let mut scratch = Batch::default();
    for span in spans(&ends, latest) {
        reader.rebuild(span, series, |reading| {
            if from.get(reading.sensor.0 as usize).is_some_and(|from| reading.at >= *from) {
                core.restore_reading(&reading, &mut scratch);
            }
        })?;
    }
    Ok(())
}

/// The newest reading of each site up to `latest`, in the order of the sites; `latest`
/// for one that has long said nothing.
fn ends_of_sites(
    core: &Core,
    series: &SeriesMap,
    reader: &Reader,
    latest: Timestamp,
) -> Result<Vec<Timestamp>, StoreError> {
    let sites: Vec<usize> = per_sensor(core, &(0..core.sites().count()).collect::<Vec<_>>());
    let mut ends: Vec<Option<Timestamp>> = vec![None; core.sites().count()];
    let mut missing = core.sites().filter(|garden| !garden.sensors.is_empty()).count();
    reader.newest_first(before(latest, SITE_BACK_S)..just_after(latest), series, |reading| {
        if let Some(&site) = sites.get(reading.sensor.0 as usize)
            && ends[site].is_none()
        {
            ends[site] = Some(reading.at);
            missing -= 1;
        }
        if missing > 0 { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    })?;
    Ok(ends.into_iter().map(|end| end.unwrap_or(latest)).collect())
}

/// Restores the running counts of the week before each sensor's readings begin.
fn restore_counts(
    core: &mut Core,
    series: &SeriesMap,
    reader: &Reader,
    from: &[Timestamp],
) -> Result<(), StoreError> {
    let (Some(first), Some(last)) = (from.iter().min(), from.iter().max()) else { return Ok(()) };
    let mut found = vec![false; from.len()];
    let mut missing = from.len();
    reader.newest_first(before(*first, COUNT_BACK_S)..*last, series, |reading| {
        let index = reading.sensor.0 as usize;
        if let Some(&from) = from.get(index)
            && !reading.late
            && (before(from, COUNT_BACK_S)..from).contains(&reading.at)
            && !std::mem::replace(&mut found[index], true)
        {
            missing -= 1;
            core.restore_count(reading.sensor, reading.raw, reading.at);
        }
        if missing > 0 { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    })
}

/// What is read for sites whose newest readings are at `ends`, oldest first and nothing
/// twice; the last span goes on to `latest`, which may be ahead of all of them.
fn spans(ends: &[Timestamp], latest: Timestamp) -> Vec<RangeInclusive<Timestamp>> {
    let mut ends = ends.to_vec();
    ends.sort_unstable();
    let mut spans: Vec<RangeInclusive<Timestamp>> = Vec::new();
    for end in ends {
        match spans.last_mut().filter(|last| restore_from(end) <= *last.end()) {
            Some(last) => *last = *last.start()..=end,
            None => spans.push(restore_from(end)..=end),
        }
    }
    if let Some(last) = spans.last_mut() {
        *last = *last.start()..=latest;
    }
    spans
}

/// What is known of each site, for each sensor in the order of their numbers.
fn per_sensor<T: Copy>(core: &Core, of_sites: &[T]) -> Vec<T> {
    core.sites().zip(of_sites).flat_map(|(garden, it)| vec![*it; garden.sensors.len()]).collect()
}

fn before(at: Timestamp, seconds: i64) -> Timestamp {
    at.saturating_sub(SignedDuration::from_secs(seconds)).unwrap_or(at)
}

fn just_after(at: Timestamp) -> Timestamp {
    at.saturating_add(SignedDuration::from_millis(1)).unwrap_or(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_that_touch_are_read_once() {
        let day = |n: i64| Timestamp::from_second(n * 86_400).expect("a time");
        let span = |from: i64, to: i64| day(from)..=day(to);
        assert_eq!(spans(&[], day(9)), []);
        assert_eq!(spans(&[day(100), day(91)], day(101)), [span(76, 101)]);
        assert_eq!(spans(&[day(100), day(60), day(50)], day(100)), [span(35, 60), span(85, 100)]);
    }
}

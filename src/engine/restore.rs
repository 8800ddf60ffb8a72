//! The core rebuilt from what is stored: at a start nothing is forgotten, and
//! nothing that stands is raised again.
//!
//! A site goes on from its kept state ([`site_state`](crate::engine::site_state)) and takes
//! the readings that were judged after it. Where there is none that can be used, the readings
//! of its last fifteen days are taken again.
//!
//! # Where the two differ
//!
//! A kept state is as that of a daemon that was never stopped, to the bit. The readings alone
//! bring back less: rises, dry days, weather, evidence about gauges, trials of soil and
//! drydowns that began before the fifteen days; the usual rises that a probe learned in their
//! first hours; what batteries said; when the words of an alarm were renewed. Where they
//! differ, the kept state is right, but for two things that the readings know better: rain
//! that came late counts among the rain days, and what an entry of the log had made a site
//! forget comes back once that is struck. So after a strike a site is not resumed, nor is its
//! state kept until its readings have been taken again.
//!
//! After a crash the readings since the state was kept are taken in the order of their own
//! times: in which order they came is not stored, nor what batteries said with them.

use std::collections::HashMap;
use std::ops::{ControlFlow, RangeInclusive};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use tracing::{info, warn};

use crate::alarms::AlarmRecord;
use crate::engine::Router;
use crate::engine::error_chain::ErrorChain;
use crate::engine::site_state::{self, NotUsed};
use crate::garden::log::LogEntry;
use crate::garden::plan::Garden;
use crate::garden::record::{AlarmChange, Batch};
use crate::garden::{Clock, Core, restore_from};
use crate::model::Id;
use crate::store::{Reader, SeriesMap, SiteSnapshot, Store, StoreError};

/// What is said of a kept state that is not used.
const SET_ASIDE: &str = "what was kept of the garden is not used; its last weeks of readings are taken again";
/// A reading's time may be this far ahead, seconds; more is a wrong clock.
const AHEAD_S: i64 = 300;

/// How far before the restored readings a running count is looked for.
const COUNT_BACK_S: i64 = 7 * 86_400;
/// How far behind the newest reading of all sites a site's own newest one is looked for:
/// as far as anything is remembered.
const SITE_BACK_S: i64 = 64 * 86_400;

/// A kept state that a site goes on from.
#[derive(Clone, Copy, Debug)]
pub(crate) struct KeptState {
    pub(crate) at: Timestamp,
    /// The last entry of the log that is in it.
    log_to: i64,
}

/// Of each site, the kept state that it goes on from; `None`: its readings are taken again.
pub(crate) type KeptStates = Vec<Option<KeptState>>;

/// Rebuilds the core from what is stored. Returns the ends of alarms whose place is no
/// longer in its garden's file, or whose garden has none. The computer's clock shows `now`.
pub(crate) fn restore(
    router: &mut Router,
    store: &Store,
    now: Timestamp,
) -> Result<(Vec<AlarmChange>, KeptStates), StoreError> {
    let reader = Reader::open(store.path())?;
    let kept = restore_past(&mut router.core, store.series(), &reader, now)?;
    let stored = restore_standing(&mut router.core, &reader, &kept)?;
    // Only now are the daemon's own where they stood.
    let mut ends = router.core.ends_of_removed(&stored, now);
    ends.extend(router.core.ends_of_unknown(&stored, now));
    Ok((ends, kept))
}

/// Lets each site go on from its kept state, where there is one that can be used, and take
/// the readings after it; else restores what its stored readings make of it. It may take
/// long; the record may be written meanwhile.
pub(crate) fn restore_past(
    core: &mut Core,
    series: &SeriesMap,
    reader: &Reader,
    now: Timestamp,
) -> Result<KeptStates, StoreError> {
    let latest = reader.latest_at()?;
    let kept = resume(core, reader, latest, now);
    for entry in log_after(core, reader, &kept)? {
        core.restore_replacement(&entry);
    }
    if let Some(latest) = latest {
        restore_readings(core, series, reader, &kept, (latest, now))?;
    }
    Ok(kept)
}

/// Lays what people wrote and the stored alarms over it. Returns the stored alarms.
pub(crate) fn restore_standing(
    core: &mut Core,
    reader: &Reader,
    kept: &KeptStates,
) -> Result<Vec<AlarmRecord>, StoreError> {
    for entry in log_after(core, reader, kept)? {
        core.restore_log(&entry);
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

/// Lets each site go on from its kept state. One that cannot be used is set aside: it never
/// stops a start.
fn resume(core: &mut Core, reader: &Reader, latest: Option<Timestamp>, now: Timestamp) -> KeptStates {
    let ids: Vec<Id> = core.sites().map(|garden| garden.site.id.clone()).collect();
    let mut kept = Vec::with_capacity(ids.len());
    for (site, id) in ids.iter().enumerate() {
        let row = reader.snapshot(id.as_str()).unwrap_or_else(|reason| {
            warn!(site = %id, reason = %ErrorChain(&reason), "{SET_ASIDE}");
            None
        });
        kept.push(row.and_then(|row| match go_on(core, reader, (site, &row), latest, now) {
            Ok(()) => Some(KeptState { at: row.kept_at, log_to: row.log_to }),
            // Of an import, whose clock is another, it is always so.
            Err(NotUsed::Changed) if core.clock() == Clock::Readings => None,
            Err(reason) => {
                info!(site = %id, %reason, "{SET_ASIDE}");
                None
            }
        }));
    }
    kept
}

/// What the devices of each site last said of their batteries, where it was kept: as of the
/// last kept state, at most a day before the daemon's last stop or now.
pub(crate) fn kept_batteries(gardens: &[Garden], reader: &Reader, now: Timestamp) -> HashMap<(Id, Id), f64> {
    let shared: Vec<Arc<Garden>> = gardens.iter().cloned().map(Arc::new).collect();
    let mut core = Core::new(&shared, Clock::Arrival);
    let latest = reader.latest_at().ok().flatten();
    resume(&mut core, reader, latest, now);
    let of_site = |garden: &Arc<Garden>| core.view(garden.site.id.as_str());
    let views = shared.iter().filter_map(of_site);
    views
        .flat_map(|view| {
            let site = view.id.clone();
            view.sensors.into_iter().filter_map(move |it| Some(((site.clone(), it.id), it.battery?)))
        })
        .collect()
}

fn go_on(
    core: &mut Core,
    reader: &Reader,
    (site, row): (usize, &SiteSnapshot),
    latest: Option<Timestamp>,
    now: Timestamp,
) -> Result<(), NotUsed> {
    // What an entry had made the site forget comes back with its readings alone.
    if reader.struck_since(&row.site, row.log_to).unwrap_or(true) {
        return Err(NotUsed::Struck);
    }
    site_state::open(core, site, row, latest, now)
}

/// Entries of the log that the sites do not know yet: all of a site whose readings are taken
/// again, and those that were judged after a kept state.
fn log_after(core: &Core, reader: &Reader, kept: &KeptStates) -> Result<Vec<LogEntry>, StoreError> {
    let states: HashMap<&Id, KeptState> =
        core.sites().zip(kept).filter_map(|(garden, kept)| Some((&garden.site.id, (*kept)?))).collect();
    let oldest = kept.iter().map(|kept| kept.map_or(0, |kept| kept.log_to)).min().unwrap_or(0);
    let judged = reader.log_judged()?;
    let mut rows = reader.log(oldest)?;
    rows.retain(|row| match states.get(&row.entry.site) {
        // What comes after is still to be judged.
        Some(kept) => (kept.log_to + 1..=judged).contains(&row.seq),
        None => true,
    });
    Ok(rows.into_iter().map(|row| row.entry).collect())
}

/// Restores each site's readings as far back from its own newest one as the rules remember:
/// where the readings' own times are the clock, one site may be weeks behind another. Those
/// of a site that goes on from a kept state begin after it.
fn restore_readings(
    core: &mut Core,
    series: &SeriesMap,
    reader: &Reader,
    kept: &KeptStates,
    (latest, now): (Timestamp, Timestamp),
) -> Result<(), StoreError> {
    // A clock that was once ahead has left rows of times that have not come.
    let ends = ends_of_sites(core, series, reader, kept, latest.min(now))?;
    let by_id: HashMap<Id, Timestamp> = core
        .sites()
        .zip(&ends)
        .zip(kept)
        .filter(|(_, kept)| kept.is_none())
        .map(|((garden, end), _)| (garden.site.id.clone(), *end))
        .collect();
    crate::engine::long_memory::restore(core, reader, |site| by_id.get(site).map(|end| just_after(*end)))?;
    let taken: Vec<SiteSpan> = (0..)
        .zip(kept)
        .zip(&ends)
        .map(|((site, kept), end)| match kept.and_then(|kept| core.resumed_from(site, kept.at)) {
            Some(from) => SiteSpan { from, to: latest, goes_on: true },
            None => SiteSpan { from: restore_from(*end), to: *end, goes_on: false },
        })
        .collect();
    // Where each sensor's readings begin.
    let of_sensor = per_sensor(core, &taken);
    restore_counts(core, series, reader, &of_sensor)?;
    // Those of a time that has not come would make a state that goes on forget what it knows.
    let until = if core.clock() == Clock::Arrival { ahead_of(now) } else { Timestamp::MAX };
    let mut scratch = Batch::default();
    for span in spans(&taken, latest) {
        reader.rebuild(span, series, |reading| {
            let Some(of_site) = of_sensor.get(reading.sensor.0 as usize) else { return };
            let after_state = || {
                reading.at <= until && core.judged_last(reading.sensor).is_none_or(|last| reading.at > last)
            };
            if reading.at >= of_site.from && (!of_site.goes_on || after_state()) {
                core.restore_reading(&reading, &mut scratch);
            }
        })?;
    }
    Ok(())
}

/// The readings of a site that a start takes.
#[derive(Clone, Copy)]
struct SiteSpan {
    from: Timestamp,
    to: Timestamp,
    /// Whether they follow a kept state.
    goes_on: bool,
}

/// The newest reading of each site up to `latest`, in the order of the sites; `latest`
/// for one that has long said nothing, or goes on from a kept state.
fn ends_of_sites(
    core: &Core,
    series: &SeriesMap,
    reader: &Reader,
    kept: &KeptStates,
    latest: Timestamp,
) -> Result<Vec<Timestamp>, StoreError> {
    let sites: Vec<usize> = per_sensor(core, &(0..core.sites().count()).collect::<Vec<_>>());
    let mut ends: Vec<Option<Timestamp>> = kept.iter().map(|kept| kept.map(|_| latest)).collect();
    let mut missing =
        core.sites().zip(kept).filter(|(garden, kept)| kept.is_none() && !garden.sensors.is_empty()).count();
    if missing == 0 {
        return Ok(vec![latest; kept.len()]);
    }
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
    of_sensor: &[SiteSpan],
) -> Result<(), StoreError> {
    let from = || of_sensor.iter().filter(|it| !it.goes_on).map(|it| it.from);
    let (Some(first), Some(last)) = (from().min(), from().max()) else { return Ok(()) };
    let mut found: Vec<bool> = of_sensor.iter().map(|it| it.goes_on).collect();
    let mut missing = from().count();
    reader.newest_first(before(first, COUNT_BACK_S)..last, series, |reading| {
        let index = reading.sensor.0 as usize;
        if let Some(&SiteSpan { from, .. }) = of_sensor.get(index)
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

/// What is read for all sites, oldest first and nothing twice; the last span goes on to
/// `latest`, which may be ahead of all of them.
fn spans(of_sites: &[SiteSpan], latest: Timestamp) -> Vec<RangeInclusive<Timestamp>> {
    let mut wanted: Vec<(Timestamp, Timestamp)> = of_sites.iter().map(|it| (it.from, it.to)).collect();
    wanted.sort_unstable();
    let mut spans: Vec<RangeInclusive<Timestamp>> = Vec::new();
    for (from, to) in wanted {
        match spans.last_mut().filter(|last| from <= *last.end()) {
            Some(last) => *last = *last.start()..=to.max(*last.end()),
            None => spans.push(from..=to),
        }
    }
    if let Some(last) = spans.last_mut() {
        *last = *last.start()..=latest.max(*last.end());
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

/// Up to where the time of a reading can be right where the clock shows `now`.
fn ahead_of(now: Timestamp) -> Timestamp {
    now.saturating_add(SignedDuration::from_secs(AHEAD_S)).unwrap_or(now)
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
        let anew = |end: i64| SiteSpan { from: day(end - 15), to: day(end), goes_on: false };
        assert_eq!(spans(&[], day(9)), []);
        assert_eq!(spans(&[anew(100), anew(91)], day(101)), [span(76, 101)]);
        assert_eq!(spans(&[anew(100), anew(60), anew(50)], day(100)), [span(35, 60), span(85, 100)]);
        // One that goes on holds nothing of another's before it.
        let goes_on = SiteSpan { from: day(99), to: day(100), goes_on: true };
        assert_eq!(spans(&[goes_on, anew(60)], day(100)), [span(45, 60), span(99, 100)]);
        assert_eq!(spans(&[goes_on, anew(100)], day(100)), [span(85, 100)]);
    }
}

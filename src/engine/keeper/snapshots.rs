//! When the state of each site is kept: once each of its days, and at an orderly stop.
//!
//! A state is kept right after a commit, when nothing waits: then the file holds all that
//! the core has taken, and no more. One site at a time is packed, so that live readings
//! wait some milliseconds for it and memory holds no second copy of the fleet.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::Timestamp;
use jiff::civil::Date;
use tracing::warn;

use crate::engine::daemon_health::DaemonHealth;
use crate::engine::error_chain::ErrorChain;
use crate::engine::keeper::Engine;
use crate::engine::site_state;
use crate::garden::plan::Garden;
use crate::model::Id;
use crate::store::{SiteSnapshot, StoreError};

/// Time between two sites at least.
const EVERY: Duration = Duration::from_secs(1);
/// And at least so many times what the last one took.
const TIMES: u32 = 50;
/// Time until it is tried again after the store could not be written.
const RETRY: Duration = Duration::from_secs(60);
/// Bytes of one transaction at a stop, about.
const BYTES_MAX: usize = 8 * 1024 * 1024;

/// When the sites' states were kept.
#[derive(Debug, Default)]
pub(super) struct SnapshotTimes {
    /// The site's own day of it, and the plan that it then had.
    days: HashMap<Id, (Date, Arc<Garden>)>,
    /// The site that is looked at next.
    next: usize,
    /// When it may be the next one's turn; `None`: at once.
    due: Option<Instant>,
    failed: bool,
    /// Sites of which an entry of the log was struck: what it had made them forget comes back
    /// when their readings are taken again, so no later state of them is kept.
    replayed_next: Vec<Id>,
}

impl SnapshotTimes {
    /// Notes when a site's state was kept.
    pub(super) fn note(&mut self, garden: &Arc<Garden>, at: Timestamp) {
        let day = garden.site.time_zone.to_datetime(at).date();
        self.days.insert(garden.site.id.clone(), (day, Arc::clone(garden)));
    }

    /// Goes over to another plan, in which these sites go on as they are. The readings of the
    /// others were taken again.
    pub(super) fn take_over(&mut self, went_on: &BTreeSet<Id>) {
        self.replayed_next.retain(|site| went_on.contains(site));
    }

    /// The next start takes the readings of a site again.
    pub(super) fn replay_next(&mut self, site: &Id) {
        if !self.replayed_next.contains(site) {
            self.replayed_next.push(site.clone());
        }
    }

    /// The number of the next site whose day is over at `now`, or whose plan is another.
    fn due_site<'g>(&self, gardens: impl Iterator<Item = &'g Arc<Garden>>, now: Timestamp) -> Option<usize> {
        let is_due = |garden: &Garden| {
            let kept = self.days.get(&garden.site.id);
            !kept.is_some_and(|(day, plan)| {
                std::ptr::eq(Arc::as_ptr(plan), garden)
                    && *day == garden.site.time_zone.to_datetime(now).date()
            })
        };
        let due = gardens.enumerate().filter(|(_, garden)| is_due(garden)).map(|(site, _)| site);
        // Those after the last one first, then round again.
        due.min_by_key(|site| (*site < self.next, *site))
    }
}

impl Engine {
    /// Keeps the state of one site whose day is over, when one is due.
    pub(super) fn keep_due_state(&mut self, now: Timestamp) {
        if self.snapshots.due.is_some_and(|due| Instant::now() < due) || !self.is_settled() {
            return;
        }
        let began = Instant::now();
        let mut wait = EVERY;
        let gardens = || self.router.core.site_states().map(|site| &site.garden);
        let due = self.snapshots.due_site(gardens(), now);
        if let Some((site, garden)) = due.and_then(|site| Some((site, Arc::clone(gardens().nth(site)?)))) {
            self.snapshots.next = site + 1;
            match self.keep_state(site, now) {
                Ok(()) => {
                    self.snapshots.note(&garden, now);
                    self.snapshots.failed = false;
                }
                Err(reason) => {
                    self.state_not_kept(&reason);
                    wait = RETRY;
                }
            }
        }
        self.snapshots.due = Some(Instant::now() + wait.max(began.elapsed() * TIMES));
    }

    /// Keeps the state of every site, for the next start, as a daemon does that stops in
    /// order. Nothing is kept where something waits to be committed.
    ///
    /// # Errors
    /// When the store cannot be written; those that were kept before stay.
    pub fn keep_states(&mut self, daemon_health: &DaemonHealth, now: Timestamp) -> Result<(), StoreError> {
        if !self.is_settled() {
            return Ok(());
        }
        let sites = self.router.core.sites().count();
        let mut rows: Vec<SiteSnapshot> = Vec::new();
        for site in 0..sites {
            daemon_health.pulse.beat();
            rows.extend(self.sealed(site, now));
            if site + 1 == sites || rows.iter().map(|row| row.packed.len()).sum::<usize>() >= BYTES_MAX {
                self.store.keep_snapshots(&rows)?;
                rows.clear();
            }
        }
        Ok(())
    }

    /// Keeps the state of one site.
    fn keep_state(&mut self, site: usize, now: Timestamp) -> Result<(), StoreError> {
        let row = self.sealed(site, now);
        self.store.keep_snapshots(row.as_slice())
    }

    /// The state of a site as it is kept; `None` where the next start takes its readings.
    fn sealed(&self, site: usize, now: Timestamp) -> Option<SiteSnapshot> {
        let id = &self.router.core.sites().nth(site)?.site.id;
        if self.snapshots.replayed_next.contains(id) {
            return None;
        }
        site_state::seal(&self.router.core, site, self.log_to, now)
    }

    /// Lets go of the kept states of the sites that a batch concerns: it is about to change
    /// their past.
    pub(super) fn forget_states_of_batch(&mut self) -> Result<(), StoreError> {
        if self.kept_states.is_empty() {
            return Ok(());
        }
        let core = &self.router.core;
        let batch = &self.batch;
        let sensors =
            batch.readings.iter().map(|it| it.sensor).chain(batch.reflags.iter().map(|it| it.sensor));
        let mut sites: Vec<usize> = sensors.filter_map(|sensor| core.site_of(sensor)).collect();
        sites.dedup();
        for site in sites {
            if let Some(id) = self.kept_states.remove(&site) {
                self.store.forget_snapshot(id.as_str())?;
            }
        }
        Ok(())
    }

    /// How many sites went on from a kept state when the store was opened.
    pub fn goes_on(&self) -> u64 {
        self.gone_on
    }

    /// Whether all that the core has taken is in the file.
    pub(super) fn is_settled(&self) -> bool {
        self.batch.is_empty() && self.told.is_empty() && self.letters.is_empty()
    }

    pub(super) fn state_not_kept(&mut self, reason: &StoreError) {
        if !std::mem::replace(&mut self.snapshots.failed, true) {
            warn!(
                reason = %ErrorChain(reason),
                "how the gardens stand could not be kept; the next start takes longer"
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use jiff::SignedDuration;

    use super::*;
    use crate::settings::from_text;

    #[test]
    fn each_site_has_its_turn_once_a_day_of_its_own_and_after_a_change_of_its_plan() {
        let garden = |site: &str, zone: &str| {
            let text = format!(
                "[site]\nid = \"{site}\"\nname = \"School\"\ntime_zone = \"{zone}\"\nlatitude_deg = -34.9\n\
                 elevation_m = 95\n"
            );
            let trug = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"t.db\"\n";
            let settings = from_text(("trug.toml", trug), &[("g.toml", &text)], std::iter::empty());
            Arc::new(settings.unwrap_or_else(|faults| panic!("{faults}")).gardens.remove(0))
        };
        let zones = [("a", "Australia/Adelaide"), ("b", "Europe/Berlin"), ("c", "Australia/Adelaide")];
        let mut gardens = zones.map(|(site, zone)| garden(site, zone));
        let mut times = SnapshotTimes::default();
        let mut kept = Vec::new();
        let start: Timestamp = "2026-04-17T00:00:00Z".parse().expect("a time");
        for hour in 0..48 {
            let now = start + SignedDuration::from_hours(hour);
            if hour == 40 {
                gardens[1] = garden("b", "Europe/Berlin");
            }
            while let Some(site) = times.due_site(gardens.iter(), now) {
                times.next = site + 1;
                times.note(&gardens[site], now);
                kept.push((hour, site));
            }
        }
        // Adelaide's midnight is at 14:30 UTC, Berlin's at 22:00.
        let expected =
            [(0, 0), (0, 1), (0, 2), (15, 0), (15, 2), (22, 1), (39, 2), (39, 0), (40, 1), (46, 1)];
        assert_eq!(kept, expected);
    }
}

//! When the state of each site is kept: once each of its days, and at an orderly stop.
//!
//! A state is kept right after a commit, when nothing waits: then the file holds all that
//! the core has taken, and no more. One site at a time is packed, so that live readings
//! wait some milliseconds for it and memory holds no second copy of the fleet.

use std::time::{Duration, Instant};

use jiff::Timestamp;
use jiff::civil::Date;
use tracing::warn;

use crate::engine::daemon_health::DaemonHealth;
use crate::engine::error_chain::ErrorChain;
use crate::engine::keeper::Engine;
use crate::engine::site_state;
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
#[derive(Debug)]
pub(super) struct SnapshotTimes {
    /// The site's own day of it.
    days: Vec<Option<Date>>,
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
    pub(super) fn new(days: Vec<Option<Date>>) -> Self {
        Self { days, next: 0, due: None, failed: false, replayed_next: Vec::new() }
    }

    /// The next start takes the readings of a site again.
    pub(super) fn replay_next(&mut self, site: &Id) {
        if !self.replayed_next.contains(site) {
            self.replayed_next.push(site.clone());
        }
    }

    /// The next site whose day is over, by `today` of each.
    fn due_site(&self, today: impl Fn(usize) -> Date) -> Option<usize> {
        let sites = self.days.len();
        (self.next..sites).chain(0..self.next.min(sites)).find(|site| self.days[*site] != Some(today(*site)))
    }
}

impl Engine {
    /// Keeps the state of one site whose day is over, when one is due.
    pub(super) fn keep_due_state(&mut self, now: Timestamp) {
        if self.snapshots.due.is_some_and(|due| Instant::now() < due) || !self.is_settled() {
            return;
        }
        let zones: Vec<_> = self.router.core.sites().map(|garden| garden.site.time_zone.clone()).collect();
        let today = |site: usize| zones[site].to_datetime(now).date();
        let began = Instant::now();
        let mut wait = EVERY;
        if let Some(site) = self.snapshots.due_site(today) {
            self.snapshots.next = site + 1;
            match self.keep_state(site, now) {
                Ok(()) => (self.snapshots.days[site], self.snapshots.failed) = (Some(today(site)), false),
                Err(reason) => {
                    self.state_not_kept(&reason);
                    wait = RETRY;
                }
            }
        }
        self.snapshots.due = Some(Instant::now() + wait.max(began.elapsed() * TIMES));
    }

    /// Keeps the state of every site, for the next start.
    pub(super) fn keep_states_at_stop(&mut self, daemon_health: &DaemonHealth, now: Timestamp) {
        if self.is_settled()
            && let Err(reason) = self.keep_every(now, || daemon_health.pulse.beat())
        {
            self.state_not_kept(&reason);
        }
    }

    /// Keeps the state of every site, as a daemon does that stops in order. All that came
    /// has to be committed.
    ///
    /// # Errors
    /// When the store cannot be written; those that were kept before stay.
    pub fn keep_states(&mut self, now: Timestamp) -> Result<(), StoreError> {
        assert!(self.is_settled(), "what waits is committed first");
        self.keep_every(now, || {})
    }

    fn keep_every(&mut self, now: Timestamp, beat: impl Fn()) -> Result<(), StoreError> {
        let sites = self.router.core.sites().count();
        let mut rows: Vec<SiteSnapshot> = Vec::new();
        for site in 0..sites {
            beat();
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
        self.snapshots.days.iter().flatten().count() as u64
    }

    /// Whether all that the core has taken is in the file.
    pub(super) fn is_settled(&self) -> bool {
        self.batch.is_empty() && self.told.is_empty() && self.letters.is_empty()
    }

    fn state_not_kept(&mut self, reason: &StoreError) {
        if !std::mem::replace(&mut self.snapshots.failed, true) {
            warn!(
                reason = %ErrorChain(reason),
                "how the gardens stand could not be kept; the next start takes longer"
            );
        }
    }
}

//! Commits that are tried until they are kept, and what is noted of a store that fails.

use std::sync::PoisonError;
use std::sync::atomic::Ordering;
use std::time::Duration;

use jiff::Timestamp;
use tokio_util::sync::CancellationToken;
use tracing::{error, info, warn};

use crate::engine::daemon_health::DaemonHealth;
use crate::engine::error_chain::ErrorChain;
use crate::engine::keeper::{Engine, Inbox};
use crate::garden::system::health::{StoreHealth, SystemHealth};
use crate::store::Committed;

/// How much later than due a failing store is noted here, seconds: the task that tells of
/// it past the store looks each second and has to come first.
const AFTER_DIRECT_S: i64 = 5;
/// Readings that were not taken beside others are logged this often, seconds.
const CONFLICTS_EVERY_S: i64 = 600;
/// Waits between tries to write a store that cannot be written.
const RETRY_FIRST: Duration = Duration::from_millis(500);
const RETRY_LONGEST: Duration = Duration::from_secs(30);

impl Engine {
    /// Commits, trying again until it is done. `false` when the daemon stopped first.
    pub(super) fn commit_at_last(
        &mut self,
        inbox: &mut Inbox,
        daemon_health: &DaemonHealth,
        now: fn() -> Timestamp,
        stop: &CancellationToken,
    ) -> bool {
        let mut wait = RETRY_FIRST;
        // As it will be stored: what is told past the store says the same.
        let began = now();
        let began = Timestamp::from_millisecond(began.as_millisecond()).unwrap_or(began);
        daemon_health.store_watch.writing(began);
        loop {
            if self.try_commit(daemon_health, &now) {
                return true;
            }
            let until = std::time::Instant::now() + wait;
            while std::time::Instant::now() < until {
                if stop.is_cancelled() {
                    return false;
                }
                // It waits for the disk, and goes round: the page shows how the garden stands.
                daemon_health.pulse.beat();
                while let Ok(request) = inbox.requests.try_recv() {
                    self.answer(request);
                }
                std::thread::sleep(Duration::from_millis(50));
            }
            if let Some((since, until)) = daemon_health.store_watch.writing_until() {
                let noted_by = until.saturating_sub(jiff::SignedDuration::from_secs(AFTER_DIRECT_S));
                self.record_fails(since, noted_by.unwrap_or(since));
            }
            wait = (wait * 2).min(RETRY_LONGEST);
        }
    }

    /// Adds up what has come in.
    fn count(&self, committed: &Committed, daemon_health: &DaemonHealth) {
        let counts = &daemon_health.counts;
        counts.stored.fetch_add(committed.stored as u64, Ordering::Relaxed);
        counts.repeated.fetch_add(committed.repeated as u64, Ordering::Relaxed);
        counts.conflicting.fetch_add(committed.conflicting as u64, Ordering::Relaxed);
        counts.summarised.fetch_add(committed.summarised as u64, Ordering::Relaxed);
        counts.late.store(self.late() as u64, Ordering::Relaxed);
        counts.refused.store(self.refused() as u64, Ordering::Relaxed);
        counts.over_limit.store(self.router.over_count(), Ordering::Relaxed);
    }

    /// Logs at most once in ten minutes that readings were not taken beside others.
    fn log_conflicts(&mut self, more: usize, now_s: i64) {
        let (count, logged) = &mut self.conflicts;
        *count += more;
        let due = logged.is_none_or(|logged| !(0..CONFLICTS_EVERY_S).contains(&(now_s - logged)));
        if *count > 0 && due {
            warn!(
                count = std::mem::take(count),
                "readings came with a time that already has another value; the first stays, see the rejects"
            );
            *logged = Some(now_s);
        }
    }

    /// Tries once to commit. `false` where the store could not be written: all of it still waits.
    pub(super) fn try_commit(&mut self, daemon_health: &DaemonHealth, now: &dyn Fn() -> Timestamp) -> bool {
        self.tell_new(self.telling_moment(now()));
        daemon_health.store_watch.sort(&mut self.told.messages, &mut self.sent);
        match self.write(now()) {
            Ok(committed) => {
                self.record_kept(daemon_health, now());
                self.count(&committed, daemon_health);
                self.log_conflicts(committed.conflicting, now().as_second());
                if daemon_health.store_failing.swap(false, Ordering::Relaxed) {
                    info!("the store can be written again; nothing was lost");
                }
                true
            }
            Err(reason) => {
                let words = ErrorChain(&reason).to_string();
                *daemon_health.store_reason.lock().unwrap_or_else(PoisonError::into_inner) = words;
                if !daemon_health.store_failing.swap(true, Ordering::Relaxed) {
                    error!(
                        reason = %ErrorChain(&reason),
                        "the store cannot be written; readings wait at the broker until it can"
                    );
                }
                false
            }
        }
    }

    /// Notes that a write is over. One that took long had hung, if it did not fail.
    fn record_kept(&mut self, daemon_health: &DaemonHealth, now: Timestamp) {
        if let Some((since, until)) = daemon_health.store_watch.writing_until()
            && until.as_second() > since.as_second()
        {
            self.record_fails(since, until);
            let written = SystemHealth { store: Some(StoreHealth::Written), ..SystemHealth::default() };
            self.router.core.judge_health(&written, now.max(until), &mut self.batch);
            daemon_health.store_watch.stand(self.router.core.store_alarms());
        }
        daemon_health.store_watch.written();
    }

    /// Notes that nothing was kept since `since`, as far as that was due by `at`.
    fn record_fails(&mut self, since: Timestamp, at: Timestamp) {
        let failing = SystemHealth { store: Some(StoreHealth::Failing { since }), ..SystemHealth::default() };
        self.router.core.judge_health(&failing, at, &mut self.batch);
    }
}

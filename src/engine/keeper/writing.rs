//! Commits that are tried until they are kept, and what is noted of a store that fails.

use std::sync::atomic::Ordering;
use std::time::Duration;

use jiff::Timestamp;
use tokio_util::sync::CancellationToken;
use tracing::{error, info, warn};

use crate::engine::error_chain::ErrorChain;
use crate::engine::keeper::Keeper;
use crate::engine::signs::Signs;
use crate::garden::system::health::{StoreHealth, SystemHealth};

/// How much later than due a failing store is noted here, seconds: whoever tells of it
/// past the store looks each second and has to come first.
const AFTER_DIRECT_S: i64 = 5;
/// Waits between tries to write a store that cannot be written.
const RETRY_FIRST: Duration = Duration::from_millis(500);
const RETRY_LONGEST: Duration = Duration::from_secs(30);

impl Keeper {
    /// Commits, trying again until it is done. `false` when the daemon stopped first.
    pub(super) fn commit_at_last(
        &mut self,
        signs: &Signs,
        now: fn() -> Timestamp,
        stop: &CancellationToken,
    ) -> bool {
        let mut wait = RETRY_FIRST;
        // As it will be stored: what is told past the store says the same.
        let began = now();
        let began = Timestamp::from_millisecond(began.as_millisecond()).unwrap_or(began);
        signs.own.writing(began);
        loop {
            self.tell_new(now());
            signs.own.sort(&mut self.told.messages, &mut self.sent);
            match self.write(now()) {
                Ok(committed) => {
                    self.record_kept(signs, now());
                    if committed.conflicting > 0 {
                        warn!(
                            count = committed.conflicting,
                            "readings came with a time that already has another value; the first stays, see the rejects"
                        );
                    }
                    if signs.store_failing.swap(false, Ordering::Relaxed) {
                        info!("the store can be written again; nothing was lost");
                    }
                    return true;
                }
                Err(reason) => {
                    if !signs.store_failing.swap(true, Ordering::Relaxed) {
                        error!(
                            reason = %ErrorChain(&reason),
                            "the store cannot be written; readings wait at the broker until it can"
                        );
                    }
                }
            }
            let until = std::time::Instant::now() + wait;
            while std::time::Instant::now() < until {
                if stop.is_cancelled() {
                    return false;
                }
                // It waits for the disk, and goes round.
                signs.pulse.beat();
                std::thread::sleep(Duration::from_millis(50));
            }
            if let Some((since, until)) = signs.own.writing_until() {
                let noted_by = until.saturating_sub(jiff::SignedDuration::from_secs(AFTER_DIRECT_S));
                self.record_fails(since, noted_by.unwrap_or(since));
            }
            wait = (wait * 2).min(RETRY_LONGEST);
        }
    }

    /// Notes that a write is over. One that took long had hung, if it did not fail.
    fn record_kept(&mut self, signs: &Signs, now: Timestamp) {
        if let Some((since, until)) = signs.own.writing_until()
            && until.as_second() > since.as_second()
        {
            self.record_fails(since, until);
            let written = SystemHealth { store: Some(StoreHealth::Written), ..SystemHealth::default() };
            self.desk.core.judge_health(&written, now.max(until), &mut self.batch);
            signs.own.stand(self.desk.core.store_alarms());
        }
        signs.own.written();
    }

    /// Notes that nothing was kept since `since`, as far as that was due by `at`.
    fn record_fails(&mut self, since: Timestamp, at: Timestamp) {
        let failing = SystemHealth { store: Some(StoreHealth::Failing { since }), ..SystemHealth::default() };
        self.desk.core.judge_health(&failing, at, &mut self.batch);
    }
}

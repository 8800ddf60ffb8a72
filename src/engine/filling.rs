//! Quarter hours of the record are made, old readings put into their days' figures, and those of
//! past days packed, beside the engine's work in small steps.

use std::time::{Duration, Instant};

use jiff::Timestamp;
use tracing::{debug, info, warn};

use crate::engine::error_chain::ErrorChain;
use crate::store::{PackProgress, QuarterProgress, Store, StoreError, ThinProgress};

/// Time between two steps while messages come without a pause.
const BUSY_EVERY: Duration = Duration::from_millis(250);
/// Time between two steps while nothing comes and there is more to do.
const PAUSE: Duration = Duration::from_millis(5);
/// Time until it is tried again after the store could not be written.
const RETRY: Duration = Duration::from_secs(60);
/// Steps in a row from which on it is said that an older record is caught up with.
const MANY: u32 = 200;

/// When a step is due.
#[derive(Debug, Default)]
pub(crate) struct QuarterFiller {
    last: Option<Instant>,
    /// Steps in a row that left something to do.
    steps: u32,
    failed: bool,
    /// Readings that have gone into their days' figures since nothing was to do.
    thinned: u64,
    /// Readings that were packed since nothing was to do.
    packed: u64,
}

impl QuarterFiller {
    /// How long the engine may wait for messages: less than `longest` while there is
    /// more to do.
    pub(crate) fn patience(&self, longest: Duration) -> Duration {
        if self.steps > 0 && !self.failed { PAUSE } else { longest }
    }

    /// Does a step when one is due. `busy`: messages wait.
    pub(crate) fn step(&mut self, store: &mut Store, now: Timestamp, busy: bool) {
        let since = self.last.map_or(RETRY, |last| last.elapsed());
        let least = if self.failed {
            RETRY
        } else if busy {
            BUSY_EVERY
        } else {
            Duration::ZERO
        };
        if since < least {
            return;
        }
        match self.next(store, now) {
            Ok(QuarterProgress::More) => {
                (self.steps, self.failed) = (self.steps.saturating_add(1), false);
                if self.steps == MANY && self.thinned + self.packed == 0 {
                    info!("the charts' quarter hours are being made of the record; all else goes on");
                }
            }
            Ok(QuarterProgress::Done) => {
                if self.thinned > 0 {
                    info!(readings = self.thinned, "old readings went into their days' figures");
                } else if self.packed > 0 {
                    debug!(readings = self.packed, "readings of past days were packed");
                } else if self.steps >= MANY {
                    info!("the charts' quarter hours are all made");
                }
                (self.steps, self.failed, self.thinned, self.packed) = (0, false, 0, 0);
            }
            Err(reason) => {
                if !self.failed {
                    warn!(
                        reason = %ErrorChain(&reason),
                        "quarter hours and days' figures could not be made, or past days not be packed; charts are slower, \
                         or the record larger, until they are"
                    );
                }
                self.failed = true;
            }
        }
        self.last = Some(Instant::now());
    }

    /// A step of the quarter hours; where all are there, one of the days; then one of packing.
    fn next(&mut self, store: &mut Store, now: Timestamp) -> Result<QuarterProgress, StoreError> {
        if store.fill_quarters(now)? == QuarterProgress::More {
            return Ok(QuarterProgress::More);
        }
        match store.thin(now)? {
            ThinProgress::More { readings } => {
                self.thinned += readings;
                Ok(QuarterProgress::More)
            }
            ThinProgress::Done => match store.pack(now)? {
                PackProgress::More { readings } => {
                    self.packed += readings;
                    Ok(QuarterProgress::More)
                }
                PackProgress::Done => Ok(QuarterProgress::Done),
            },
        }
    }
}

/// Makes the quarter hours of past readings at once, for as long as `longest`; the
/// daemon makes the rest.
pub(crate) fn fill_for(store: &mut Store, now: Timestamp, longest: Duration) {
    let began = Instant::now();
    while began.elapsed() < longest {
        match store.fill_many_quarters(now) {
            Ok(QuarterProgress::More) => {}
            Ok(QuarterProgress::Done) => return,
            Err(reason) => {
                warn!(reason = %ErrorChain(&reason), "quarter hours for the charts could not be made");
                return;
            }
        }
    }
}

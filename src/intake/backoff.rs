//! Waits between tries: exponential backoff with jitter, for all that is sent.

use std::time::Duration;

use rand::{Rng, RngExt as _};

/// First and longest wait after a failed connection to a broker.
const BROKER_FIRST: Duration = Duration::from_millis(500);
pub(super) const BROKER_LONGEST: Duration = Duration::from_secs(30);

/// Waits that double from the first to the longest. Each is drawn from its upper half, so
/// that many daemons do not come back at the same moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Backoff {
    first: Duration,
    longest: Duration,
    failures: u32,
}

impl Backoff {
    pub(crate) fn new(first: Duration, longest: Duration) -> Self {
        Self { first, longest, failures: 0 }
    }

    /// Between connections to a broker.
    pub(crate) fn of_broker() -> Self {
        Self::new(BROKER_FIRST, BROKER_LONGEST)
    }

    /// Begins with the first wait again.
    pub(crate) fn reset(&mut self) {
        self.failures = 0;
    }

    /// Counts a failure and returns the wait that follows it.
    pub(crate) fn next(&mut self) -> Duration {
        let wait = self.after(self.failures);
        self.failures = self.failures.saturating_add(1);
        wait
    }

    /// The wait after a failure that `earlier` others in a row came before.
    pub(crate) fn after(&self, earlier: u32) -> Duration {
        jittered(self.full(earlier), &mut rand::rng())
    }

    /// The longest wait, jittered like every other.
    pub(crate) fn longest(&self) -> Duration {
        jittered(self.longest, &mut rand::rng())
    }

    /// The wait before jitter.
    fn full(&self, earlier: u32) -> Duration {
        let doubled = 2u32.checked_pow(earlier).and_then(|times| self.first.checked_mul(times));
        doubled.map_or(self.longest, |wait| wait.min(self.longest))
    }
}

/// Between a half of a time and all of it.
fn jittered(time: Duration, random: &mut impl Rng) -> Duration {
    let half = time / 2;
    half + half.mul_f64(random.random_range(0.0..=1.0))
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng as _;
    use rand_chacha::ChaCha8Rng;

    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    #[test]
    fn waits_double_up_to_the_longest() {
        let backoff = Backoff::new(SECOND, 60 * SECOND);
        let full: Vec<u64> = (0..9).map(|earlier| backoff.full(earlier).as_secs()).collect();
        assert_eq!(full, [1, 2, 4, 8, 16, 32, 60, 60, 60]);
        assert_eq!(backoff.full(u32::MAX), 60 * SECOND);
        assert_eq!(Backoff::new(60 * SECOND, SECOND).full(0), SECOND, "the longest is a bound for the first");
    }

    #[test]
    fn a_wait_that_succeeded_begins_again() {
        let mut backoff = Backoff::new(SECOND, 60 * SECOND);
        let within = |wait: Duration, full: u32| wait >= full * SECOND / 2 && wait <= full * SECOND;
        for full in [1, 2, 4, 8, 16, 32, 60, 60] {
            let wait = backoff.next();
            assert!(within(wait, full), "{wait:?} of {full} s");
        }
        backoff.reset();
        assert!(within(backoff.next(), 1));
        assert!(within(backoff.longest(), 60));
    }

    #[test]
    fn jitter_fills_the_upper_half() {
        let mut random = ChaCha8Rng::seed_from_u64(10);
        let waits: Vec<f64> = (0..1000).map(|_| jittered(SECOND, &mut random).as_secs_f64()).collect();
        assert!(waits.iter().all(|wait| (0.5..=1.0).contains(wait)));
        for tenth in 0..10 {
            let from = 0.5 + f64::from(tenth) * 0.05;
            let count = waits.iter().filter(|wait| (from..from + 0.05).contains(*wait)).count();
            // 100 are expected; with a standard deviation below 10, half of that is never missed.
            assert!(count >= 50, "{count} waits from {from} s on");
        }
    }
}

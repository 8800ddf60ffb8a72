//! The clock by which people are told.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use jiff::Timestamp;

/// Before the first reading of a simulation.
const NOTHING_READ: i64 = i64::MIN;

/// The computer's clock; in a simulation the time of the newest reading. Its copies
/// share one time.
#[derive(Clone, Debug, Default)]
pub struct TellingClock {
    /// Milliseconds since 1970 of the newest reading.
    read_to: Option<Arc<AtomicI64>>,
}

impl TellingClock {
    /// A clock that goes on with the readings of a simulation.
    pub fn simulated() -> Self {
        Self { read_to: Some(Arc::new(AtomicI64::new(NOTHING_READ))) }
    }

    pub(crate) fn is_simulated(&self) -> bool {
        self.read_to.is_some()
    }

    /// The present moment where the computer's clock shows `wall`.
    pub fn now(&self, wall: Timestamp) -> Timestamp {
        let read_to = self.read_to.as_ref().map(|it| it.load(Ordering::Relaxed));
        read_to
            .filter(|ms| *ms != NOTHING_READ)
            .and_then(|ms| Timestamp::from_millisecond(ms).ok())
            .unwrap_or(wall)
    }

    /// Moves a simulation's time on.
    pub(crate) fn advance(&self, to: Timestamp) {
        if let Some(read_to) = &self.read_to {
            read_to.fetch_max(to.as_millisecond(), Ordering::Relaxed);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_simulation_goes_by_its_readings_and_all_else_by_the_computer() {
        let at = |text: &str| text.parse::<Timestamp>().expect("a time");
        let (wall, read) = (at("2026-11-29T08:00:00Z"), at("2026-01-19T02:00:00Z"));
        let clock = TellingClock::default();
        clock.advance(read);
        assert_eq!(clock.now(wall), wall);
        let clock = TellingClock::simulated();
        assert_eq!(clock.now(wall), wall, "before the first reading");
        clock.clone().advance(read);
        clock.advance(at("2026-01-18T00:00:00Z"));
        assert_eq!(clock.now(wall), read);
    }
}

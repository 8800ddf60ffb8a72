//! How many wrong links are answered: somebody who tries them out learns nothing,
//! but should not fill the log or keep the computer busy either.

use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use tokio::time::Instant;

/// Wrong links in one [`WINDOW`] that are told what is wrong with them. It is one
/// count for all callers: behind a proxy they look alike, and right links are
/// answered however many wrong ones come.
const MOST: u32 = 30;

const WINDOW: Duration = Duration::from_secs(60);

/// Counts wrong links.
#[derive(Debug, Default)]
pub(super) struct WrongLinks(Mutex<Option<(Instant, u32)>>);

impl WrongLinks {
    /// Counts one more; `false` when there were too many within the last minute.
    pub(super) fn one_more(&self, now: Instant) -> bool {
        let mut window = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let count = match *window {
            Some((began, count)) if now.saturating_duration_since(began) < WINDOW => {
                *window = Some((began, count.saturating_add(1)));
                count
            }
            _ => {
                *window = Some((now, 1));
                0
            }
        };
        count < MOST
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn after_a_minute_there_is_room_again() {
        let wrong = WrongLinks::default();
        let began = Instant::now();
        let answered = |at| (0..100).filter(|_| wrong.one_more(at)).count();
        assert_eq!(answered(began), 30);
        assert_eq!(answered(began + WINDOW - Duration::from_millis(1)), 0);
        assert_eq!(answered(began + WINDOW), 30);
    }
}

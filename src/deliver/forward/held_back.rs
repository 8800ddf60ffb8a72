//! What a server has taken and may still lose.

use std::collections::VecDeque;
use std::time::Duration;

use tokio::time::Instant;

use crate::store::ForwardProgress;

/// Progress that is told once it is old enough: a server that answers before it has written
/// to its disk loses what it took last when it is killed.
#[derive(Debug)]
pub(super) struct HeldBack {
    /// The last position that was told.
    told: i64,
    hold: Duration,
    held: VecDeque<(Instant, ForwardProgress)>,
}

impl HeldBack {
    pub(super) fn new(told: i64, hold: Duration) -> Self {
        Self { told, hold, held: VecDeque::new() }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.held.is_empty()
    }

    /// Adds what the server took or refused at `at`.
    pub(super) fn push(&mut self, progress: ForwardProgress, at: Instant) {
        self.held.push_back((at, progress));
    }

    /// Takes out what is old enough at `now`.
    pub(super) fn due(&mut self, now: Instant) -> Vec<ForwardProgress> {
        let hold = self.hold;
        let due = self.held.iter().take_while(|(at, _)| now.duration_since(*at) >= hold).count();
        let due: Vec<_> = self.held.drain(..due).map(|(_, progress)| progress).collect();
        self.told = due.last().map_or(self.told, |last| last.position);
        due
    }

    /// Returns when something is old enough; never where nothing is held.
    pub(super) async fn next_due(&self) {
        match self.held.front() {
            Some((at, _)) => tokio::time::sleep_until(*at + self.hold).await,
            None => std::future::pending().await,
        }
    }

    /// Gives up what is held, since all of it is sent again; returns the position after
    /// which that begins.
    pub(super) fn back(&mut self) -> i64 {
        self.held.clear();
        self.told
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn progress(position: i64) -> ForwardProgress {
        ForwardProgress { name: "school".to_owned(), position, ..ForwardProgress::default() }
    }

    #[test]
    fn progress_is_told_when_it_is_old_enough_and_taken_back_before() {
        let (start, second) = (Instant::now(), Duration::from_secs(1));
        let mut held = HeldBack::new(7, 10 * second);
        held.push(progress(20), start);
        held.push(progress(30), start + 5 * second);
        assert_eq!(held.due(start + 9 * second), []);
        assert_eq!(held.due(start + 10 * second), [progress(20)]);
        held.push(progress(40), start + 11 * second);
        assert_eq!(held.back(), 20);
        assert!(held.is_empty());
        assert_eq!(held.due(start + 60 * second), []);
    }

    #[test]
    fn without_a_hold_it_is_told_at_once() {
        let mut held = HeldBack::new(0, Duration::ZERO);
        let now = Instant::now();
        held.push(progress(5), now);
        assert_eq!(held.due(now), [progress(5)]);
    }
}

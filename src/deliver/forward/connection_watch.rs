//! Whether the server was started again behind our back.

use std::net::SocketAddr;
use std::time::Duration;

use tokio::time::Instant;

/// A connection that is found closed after a rest so short was hardly closed for the rest:
/// longer than the time after which we ask. Our own figure.
const SHORT: Duration = Duration::from_secs(15);
/// Connections in a row that were found closed: the server, or what lies between, does that
/// by habit. Our own figure.
const HABIT: u32 = 3;

/// Which connection the server answers on. A server that is killed and started again
/// between two requests shows by a new one, where the one before had outlived such rests.
#[derive(Debug, Default)]
pub(super) struct ConnectionWatch {
    /// Our end of the connection, and when the last answer came on it.
    last: Option<(SocketAddr, Instant)>,
    /// The longest rest that a connection outlived.
    outlived: Duration,
    /// New connections since one outlived a rest, and the rest before the last of them.
    changes: u32,
    before_change: Duration,
}

impl ConnectionWatch {
    /// Takes an answer to a request of `asked` by the connection's end here; returns
    /// whether the server may have been started again since the answer before.
    pub(super) fn answer(&mut self, end: SocketAddr, asked: Instant, now: Instant) -> bool {
        let Some((before, answered)) = self.last.replace((end, now)) else { return false };
        let rest = asked.saturating_duration_since(answered);
        if before == end {
            self.outlived = self.outlived.max(rest);
            if rest * 2 >= self.before_change {
                self.changes = 0;
            }
            return false;
        }
        self.changes = self.changes.saturating_add(1);
        self.before_change = rest;
        rest <= SHORT.max(self.outlived * 3 / 2) && self.changes <= HABIT
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn end(port: u16) -> SocketAddr {
        SocketAddr::from(([127, 0, 0, 1], port))
    }

    /// Answers at once to requests so many seconds apart, each with its port.
    fn suspicious(answers: &[(u64, u16)]) -> Vec<bool> {
        let (mut watch, mut at) = (ConnectionWatch::default(), Instant::now());
        answers
            .iter()
            .map(|(after, port)| {
                at += Duration::from_secs(*after);
                watch.answer(end(*port), at, at)
            })
            .collect()
    }

    #[test]
    fn a_new_connection_after_a_rest_that_others_outlived_is_a_sign() {
        assert_eq!(suspicious(&[(0, 1), (10, 1), (10, 2), (10, 2)]), [false, false, true, false]);
        assert_eq!(suspicious(&[(0, 1), (0, 2)]), [false, true], "there was no rest");
        // No connection is known to outlive a minute.
        assert_eq!(suspicious(&[(0, 1), (10, 1), (60, 2)]), [false, false, false]);
    }

    #[test]
    fn a_server_that_closes_each_connection_is_soon_known() {
        let each: Vec<(u64, u16)> = (0..7).map(|port| (0, port)).collect();
        assert_eq!(suspicious(&each), [false, true, true, true, false, false, false]);
        // What is sent again at once on the new one does not hide it.
        let rests: Vec<(u64, u16)> =
            [(0, 1), (10, 1)].into_iter().chain((2..8).flat_map(|port| [(12, port), (0, port)])).collect();
        let found = suspicious(&rests);
        assert_eq!(found.iter().filter(|it| **it).count(), 3, "{found:?}");
        assert!(!found[found.len() - 2], "{found:?}");
    }
}

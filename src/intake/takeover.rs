//! Another program that takes the session with the same client id: how it is known, and how
//! long we wait then.

use std::time::{Duration, Instant};

use super::backoff::{BROKER_LONGEST, Backoff};

/// How long a session must stand before the next loss of it to another program counts as
/// the first again.
const TAKEOVER_FORGOTTEN: Duration = Duration::from_secs(600);
/// First and longest wait after a session was taken over.
const TAKEOVER_FIRST: Duration = Duration::from_secs(1);
const TAKEOVER_LONGEST: Duration = Duration::from_secs(300);

/// A session that the broker closes within this time of granting it was closed soon. The
/// waits of [`Takeover::Likely`] are shorter, so that two daemons that take turns keep on
/// closing each other's sessions soon. Our own figure.
const CLOSED_SOON: Duration = Duration::from_secs(60);
/// So many sessions in a row that were closed soon and without a reason mean another
/// program: a broker that is started again does so once or twice. Our own figure.
const CLOSED_SOON_TIMES: u32 = 3;

/// How a session ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum SessionEnd {
    /// The broker said that another program took it over.
    TakenOver,
    /// The broker closed the connection without a reason, so long after it had granted the
    /// subscriptions.
    Closed { stood: Duration },
    /// In any other way, or it never stood.
    Other,
}

/// Another program took the session with the same client id; and the wait that follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Takeover {
    /// The broker says so.
    Said { wait: Duration },
    /// It has closed so many sessions in a row soon, and does not say why.
    Likely { times: u32, wait: Duration },
}

impl Takeover {
    pub(super) fn wait(self) -> Duration {
        let (Self::Said { wait } | Self::Likely { wait, .. }) = self;
        wait
    }

    /// `reason`: what the connection's end was given as.
    pub(super) fn words(self, client_id: &str, reason: &str) -> String {
        let what = match self {
            Self::Said { .. } => format!(
                "another program came to the broker with the client id {client_id:?} and took this session over"
            ),
            Self::Likely { times, .. } => format!(
                "the broker closed this session {times} times in a row, each time within a minute, and gave no reason \
                 ({reason}); most likely another program comes to it with the client id {client_id:?}"
            ),
        };
        format!("{what}; give each daemon its own [broker] client_id, or stop the other one")
    }
}

/// Two programs with one client id throw each other out, and each of them succeeds in
/// connecting: the waits after that grow all the same, so that they do not do so for ever
/// several times a second.
pub(super) struct TakeoverWatch {
    said: Backoff,
    last_said: Option<Instant>,
    /// Never longer than after other failures: the guess can be wrong.
    likely: Backoff,
    /// Sessions in a row that were closed soon and without a reason.
    closed_soon: u32,
}

impl TakeoverWatch {
    pub(super) fn new() -> Self {
        Self {
            said: Backoff::new(TAKEOVER_FIRST, TAKEOVER_LONGEST),
            last_said: None,
            likely: Backoff::new(TAKEOVER_FIRST, BROKER_LONGEST),
            closed_soon: 0,
        }
    }

    /// What the end of a session at `at` says of another program; `None`: nothing.
    pub(super) fn judge(&mut self, end: SessionEnd, at: Instant) -> Option<Takeover> {
        match end {
            SessionEnd::Closed { stood } if stood < CLOSED_SOON => {
                self.closed_soon = self.closed_soon.saturating_add(1);
                (self.closed_soon >= CLOSED_SOON_TIMES)
                    .then(|| Takeover::Likely { times: self.closed_soon, wait: self.likely.next() })
            }
            SessionEnd::TakenOver | SessionEnd::Closed { .. } | SessionEnd::Other => {
                self.closed_soon = 0;
                self.likely.reset();
                (end == SessionEnd::TakenOver).then(|| Takeover::Said { wait: self.next_said(at) })
            }
        }
    }

    /// The wait after a session that was taken over at `at`.
    fn next_said(&mut self, at: Instant) -> Duration {
        // The wait itself is no time in which the session stood.
        if self.last_said.is_some_and(|last| at.duration_since(last) > TAKEOVER_FORGOTTEN + TAKEOVER_LONGEST)
        {
            self.said.reset();
        }
        self.last_said = Some(at);
        self.said.next()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(watch: &mut TakeoverWatch, at: Instant) -> Duration {
        match watch.judge(SessionEnd::TakenOver, at) {
            Some(Takeover::Said { wait }) => wait,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_broker_that_closes_soon_again_and_again_without_a_reason_has_another_program() {
        let at = Instant::now();
        let soon = SessionEnd::Closed { stood: CLOSED_SOON / 2 };
        // What comes between begins the count again: a session that stood, a failure with a reason.
        for between in [SessionEnd::Closed { stood: CLOSED_SOON }, SessionEnd::Other] {
            let mut watch = TakeoverWatch::new();
            for end in [soon, soon, between, soon, soon, between] {
                assert_eq!(watch.judge(end, at), None, "{between:?}");
            }
        }
        let mut watch = TakeoverWatch::new();
        let found: Vec<Takeover> = (0..12).filter_map(|_| watch.judge(soon, at)).collect();
        assert_eq!(found.len(), 10, "{found:?}");
        assert!(
            matches!(found[0], Takeover::Likely { times: 3, wait } if wait <= TAKEOVER_FIRST),
            "{found:?}"
        );
        let longest = found[9].wait();
        // Two that take turns go on closing each other's sessions soon.
        assert!(longest >= BROKER_LONGEST / 2 && longest < CLOSED_SOON, "{found:?}");
        let words = found[0].words("trug", "closed");
        assert!(
            words.contains("3 times in a row") && words.contains("most likely another program"),
            "{words}"
        );
    }

    #[test]
    fn sessions_that_are_taken_over_again_and_again_wait_ever_longer() {
        let mut watch = TakeoverWatch::new();
        let mut at = Instant::now();
        let waits: Vec<Duration> = (0..10)
            .map(|_| {
                let wait = said(&mut watch, at);
                // It connects at once after each wait, and is thrown out a moment later.
                at += wait + Duration::from_secs(1);
                wait
            })
            .collect();
        assert!(waits[0] <= TAKEOVER_FIRST && waits[9] >= TAKEOVER_LONGEST / 2, "{waits:?}");
        let calm = said(&mut watch, at + 2 * TAKEOVER_FORGOTTEN);
        assert!(calm <= TAKEOVER_FIRST, "{calm:?}");
    }
}

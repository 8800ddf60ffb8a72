//! The steps of one alarm's life.

use jiff::Timestamp;

use super::{Delays, State};

/// Where one alarm stands, with the times that its next step needs.
///
/// ```text
///            breach              held for on_s                acknowledge
///  Normal ──────────▶ Pending ─────────────────▶ Unacknowledged ────────▶ Acknowledged
///    ▲ ▲                 │                          │     ▲                    │
///    │ └─── not breach ──┘       clear held for off_s     │ breach             │ clear held
///    │                                              ▼     │ held for on_s      │ for off_s
///    │◀──────────── acknowledge ─────── ReturnedUnacknowledged                 │
///    └─────────────────────────────────────────────────────────────────────────┘
/// ```
///
/// [`Input::Unknown`] changes nothing in any state: silence neither raises nor
/// clears. `Pending` is published as `normal`, since nobody has been told.
/// The state model follows ANSI/ISA-18.2-2016 and IEC 62682 (state names read
/// in the standards' public descriptions; the diagram itself from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Life {
    /// Within limits.
    #[default]
    Normal,
    /// Beyond the limit since `since`; the on-delay is running.
    Pending { since: Timestamp },
    /// Told; nobody has answered. `clear` is when the recovery began.
    Unacknowledged { since: Timestamp, clear: Option<Timestamp> },
    /// Somebody has taken it on.
    Acknowledged { since: Timestamp, clear: Option<Timestamp> },
    /// Over before anybody answered. `again` is when a new breach began.
    ReturnedUnacknowledged { since: Timestamp, again: Option<Timestamp> },
}

/// What is fed to an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// Beyond the limit.
    Breach,
    /// Back inside the limit but not past the deadband.
    Deadband,
    /// Inside the limit and past the deadband.
    Clear,
    /// An input of the judgement is missing.
    Unknown,
    /// Somebody has taken it on.
    Acknowledge,
}

impl Input {
    /// Every input.
    pub const ALL: [Self; 5] = [Self::Breach, Self::Deadband, Self::Clear, Self::Unknown, Self::Acknowledge];

    /// Judges a value against an upper limit with a deadband below it.
    /// A value that is not a number is unknown.
    pub fn above(value: f64, limit: f64, deadband: f64) -> Self {
        if value.is_nan() || limit.is_nan() {
            Self::Unknown
        } else if value > limit {
            Self::Breach
        } else if value > limit - deadband {
            Self::Deadband
        } else {
            Self::Clear
        }
    }

    /// Judges a value against a lower limit with a deadband above it.
    pub fn below(value: f64, limit: f64, deadband: f64) -> Self {
        Self::above(-value, -limit, deadband)
    }
}

/// A change of the published state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    pub from: State,
    pub to: State,
    /// When the condition began.
    pub since: Timestamp,
}

impl Life {
    /// The published state.
    pub fn state(self) -> State {
        match self {
            Self::Normal | Self::Pending { .. } => State::Normal,
            Self::Unacknowledged { .. } => State::Unacknowledged,
            Self::Acknowledged { .. } => State::Acknowledged,
            Self::ReturnedUnacknowledged { .. } => State::ReturnedUnacknowledged,
        }
    }

    /// When the condition began, where there is one.
    pub fn since(self) -> Option<Timestamp> {
        match self {
            Self::Normal => None,
            Self::Pending { since }
            | Self::Unacknowledged { since, .. }
            | Self::Acknowledged { since, .. }
            | Self::ReturnedUnacknowledged { since, .. } => Some(since),
        }
    }

    /// A stored state brought back. The running delays begin anew from the
    /// readings that follow.
    pub fn restored(state: State, since: Timestamp) -> Self {
        match state {
            State::Normal => Self::Normal,
            State::Unacknowledged => Self::Unacknowledged { since, clear: None },
            State::Acknowledged => Self::Acknowledged { since, clear: None },
            State::ReturnedUnacknowledged => Self::ReturnedUnacknowledged { since, again: None },
        }
    }

    /// The next state, and the change to publish if there is one. `at` is the
    /// time of the reading (of the answer, for [`Input::Acknowledge`]).
    #[must_use]
    pub fn step(self, at: Timestamp, input: Input, delays: Delays) -> (Self, Option<Step>) {
        use Input::{Acknowledge, Breach, Clear, Deadband, Unknown};
        let held = |since: Timestamp, for_s: u32| at.as_second() - since.as_second() >= i64::from(for_s);
        let next = match (self, input) {
            (Self::Normal, Breach) if delays.on_s == 0 => Self::Unacknowledged { since: at, clear: None },
            (Self::Normal, Breach) => Self::Pending { since: at },
            (Self::Pending { since }, Breach) if held(since, delays.on_s) => {
                Self::Unacknowledged { since, clear: None }
            }
            (Self::Pending { .. }, Deadband | Clear) => Self::Normal,

            (Self::Unacknowledged { since, .. }, Breach | Deadband) => {
                Self::Unacknowledged { since, clear: None }
            }
            (Self::Unacknowledged { since, clear }, Clear) => {
                let began = clear.unwrap_or(at);
                if held(began, delays.off_s) {
                    Self::ReturnedUnacknowledged { since, again: None }
                } else {
                    Self::Unacknowledged { since, clear: Some(began) }
                }
            }
            (Self::Unacknowledged { since, clear }, Acknowledge) => Self::Acknowledged { since, clear },

            (Self::Acknowledged { since, .. }, Breach | Deadband) => {
                Self::Acknowledged { since, clear: None }
            }
            (Self::Acknowledged { since, clear }, Clear) => {
                let began = clear.unwrap_or(at);
                if held(began, delays.off_s) {
                    Self::Normal
                } else {
                    Self::Acknowledged { since, clear: Some(began) }
                }
            }

            (Self::ReturnedUnacknowledged { since, again }, Breach) => {
                let began = again.unwrap_or(at);
                if held(began, delays.on_s) {
                    Self::Unacknowledged { since: began, clear: None }
                } else {
                    Self::ReturnedUnacknowledged { since, again: Some(began) }
                }
            }
            (Self::ReturnedUnacknowledged { since, .. }, Deadband | Clear) => {
                Self::ReturnedUnacknowledged { since, again: None }
            }
            (Self::ReturnedUnacknowledged { .. }, Acknowledge) => Self::Normal,

            // Spelled out, so that a new state or input must be decided here.
            (Self::Normal, Deadband | Clear | Acknowledge | Unknown)
            | (Self::Pending { .. }, Breach | Acknowledge | Unknown)
            | (Self::Unacknowledged { .. } | Self::ReturnedUnacknowledged { .. }, Unknown)
            | (Self::Acknowledged { .. }, Acknowledge | Unknown) => self,
        };
        let (from, to) = (self.state(), next.state());
        let since = next.since().or(self.since()).unwrap_or(at);
        (next, (from != to).then_some(Step { from, to, since }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const DELAYS: Delays = Delays { deadband: 1.0, on_s: 60, off_s: 120 };

    fn t(s: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_000 + s).expect("in range")
    }

    fn lives() -> [Life; 5] {
        let since = t(0);
        [
            Life::Normal,
            Life::Pending { since },
            Life::Unacknowledged { since, clear: None },
            Life::Acknowledged { since, clear: None },
            Life::ReturnedUnacknowledged { since, again: None },
        ]
    }

    /// Published states after one input, every state by every input, first
    /// before and then after every delay has run out. Rows are `lives()`,
    /// columns are [`Input::ALL`]. From the transition table of ISA-18.2
    /// (from memory): A-B-C-D without the shelved, suppressed and latched ones.
    #[test]
    fn every_state_by_every_input() {
        use State::{Acknowledged as A, Normal as N, ReturnedUnacknowledged as R, Unacknowledged as U};
        let early = [[N, N, N, N, N], [N, N, N, N, N], [U, U, U, U, A], [A, A, A, A, A], [R, R, R, R, N]];
        let held = [[N, N, N, N, N], [U, N, N, N, N], [U, U, R, U, A], [A, A, N, A, A], [U, R, R, R, N]];
        for (row, life) in lives().into_iter().enumerate() {
            for (column, input) in Input::ALL.into_iter().enumerate() {
                let (next, step) = life.step(t(1), input, DELAYS);
                assert_eq!(next.state(), early[row][column], "{life:?} {input:?} at once");
                assert_eq!(step.is_some(), next.state() != life.state());
                // The same input again once the delays are over.
                let (next, _) = next_unless_answer(next, life, input).step(t(1000), input, DELAYS);
                assert_eq!(next.state(), held[row][column], "{life:?} {input:?} held");
            }
        }
    }

    /// An answer is given once; a condition goes on.
    fn next_unless_answer(next: Life, life: Life, input: Input) -> Life {
        // Normal needs one step to start pending, so the held table starts one later there.
        if input == Input::Acknowledge || matches!(life, Life::Normal) { life } else { next }
    }

    #[test]
    fn silence_never_raises_and_never_clears() {
        for life in lives() {
            assert_eq!(life.step(t(1_000_000), Input::Unknown, DELAYS), (life, None));
        }
    }

    #[test]
    fn a_limit_itself_is_no_breach_and_the_deadband_holds() {
        assert_eq!(Input::above(2.0, 2.0, 0.5), Input::Deadband);
        assert_eq!(Input::above(2.000_001, 2.0, 0.5), Input::Breach);
        assert_eq!(Input::above(1.5, 2.0, 0.5), Input::Clear);
        assert_eq!(Input::below(11.9, 12.0, 0.5), Input::Breach);
        assert_eq!(Input::below(12.4, 12.0, 0.5), Input::Deadband);
        assert_eq!(Input::below(12.5, 12.0, 0.5), Input::Clear);
        assert_eq!(Input::above(f64::NAN, 2.0, 0.5), Input::Unknown);
    }

    proptest! {
        /// Every published change follows from the state before it, and an
        /// alarm that was raised is never normal again without a clear reading
        /// or an answer.
        #[test]
        fn no_alarm_is_lost(inputs in prop::collection::vec((0usize..5, 1i64..400), 1..200)) {
            let (mut life, mut now, mut published) = (Life::Normal, 0, State::Normal);
            for (pick, wait_s) in inputs {
                now += wait_s;
                let input = Input::ALL[pick];
                let (next, step) = life.step(t(now), input, DELAYS);
                if let Some(step) = step {
                    prop_assert_eq!(step.from, published);
                    prop_assert!(step.to != step.from);
                    if step.to == State::Normal {
                        prop_assert!(matches!(input, Input::Clear | Input::Acknowledge));
                    }
                    published = step.to;
                }
                prop_assert_eq!(next.state(), published);
                life = next;
            }
        }
    }
}

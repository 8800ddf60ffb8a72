//! The steps of one alarm's life.

use jiff::Timestamp;

use super::{AlarmPolicy, State};

/// Where one alarm stands, with the times that its next step needs.
///
/// ```text
///            breach              held for on_s                acknowledge
///  Normal ──────────▶ Pending ─────────────────▶ Unacknowledged ────────▶ Acknowledged
///    ▲ ▲                 │                        │  ▲       ▲  re-alarm timer │  │
///    │ └─── not breach ──┘     clear for off_s    │  │       └────────────────┘  │
///    │                          ▼        ┌────────┘  │ breach                    │
///    │◀── acknowledge ── Returned-       │           │ held for on_s             │
///    │                   Unacknowledged ─┼───────────┤                           │
///    │                                   ▼ latching  │                           │
///    │                   Latched-Unacknowledged ─────┤                           │
///    │                          │ acknowledge        │                           │
///    │                          ▼                    │                           │
///    │◀───── reset ──── Latched-Acknowledged ────────┘◀── clear, latching ───────┤
///    └◀───────────────────────────────────────────────── clear for off_s ────────┘
///
///  any of these ── shelve, suppress, take out of service ──▶ Hidden
///  Hidden ── shelf time over, unshelve, release, put back ──▶ Normal or Unacknowledged,
///                                                            by the condition as it stands
///  Hidden (one shot) ── condition over ──▶ Normal
/// ```
///
/// [`Input::Unknown`] changes nothing but what a timer changes: silence neither
/// raises nor clears. `Pending` is published as `normal`, since nobody has been
/// told. The state model follows ANSI/ISA-18.2-2016 and IEC 62682: the names and
/// the shelved, suppressed, out-of-service and latched states were read in
/// public descriptions and in OPC UA Part 9, the diagram is from memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
pub enum Life {
    /// Within limits.
    #[default]
    Normal,
    /// Beyond the limit since `since`; the on-delay is running.
    Pending { since: Timestamp },
    /// Told; nobody has answered. `clear` is when the recovery began.
    Unacknowledged { since: Timestamp, clear: Option<Timestamp> },
    /// Somebody has taken it on, at `answered`.
    Acknowledged { since: Timestamp, clear: Option<Timestamp>, answered: Timestamp },
    /// Over before anybody answered. `again` is when a new breach began.
    ReturnedUnacknowledged { since: Timestamp, again: Option<Timestamp> },
    /// Over, but the harm may be done: it stays until somebody has looked.
    LatchedUnacknowledged { since: Timestamp, again: Option<Timestamp> },
    /// Somebody has taken it on; it stays until they say that all is well.
    LatchedAcknowledged { since: Timestamp, again: Option<Timestamp> },
    /// Out of people's sight. Its condition goes on being judged.
    Hidden { hiding: Hiding, condition: AlarmCondition },
}

/// Why an alarm is out of sight.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Hiding {
    /// Somebody has put it aside until a time; with `one_shot` only until its
    /// condition is over, if that comes first.
    Shelved { until: Timestamp, one_shot: bool },
    /// By the garden's plan: a fallow bed, the holidays, a tank being cleaned.
    Suppressed,
    /// Somebody has taken it out of service, until it is put back.
    OutOfService,
}

/// The condition of a hidden alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum AlarmCondition {
    Clear,
    /// Beyond the limit; the on-delay is running.
    Pending {
        since: Timestamp,
    },
    /// Beyond the limit for long enough. `clear` is when the recovery began.
    Active {
        since: Timestamp,
        clear: Option<Timestamp>,
    },
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
    /// Time went by; nothing was judged.
    Time,
    /// Somebody has taken it on.
    Acknowledge,
    /// Somebody has looked, and all is well: ends a latch.
    Reset,
    /// Somebody puts it aside.
    Shelve { until: Timestamp, one_shot: bool },
    /// Somebody takes it up again before its time.
    Unshelve,
    /// The garden's plan hides it.
    Suppress,
    /// The garden's plan hides it no more.
    Release,
    /// Somebody takes it out of service.
    TakeOut,
    /// Somebody puts it back into service.
    PutBack,
}

impl Input {
    /// Judges a value against an upper limit with a deadband below it.
    /// A value that is not a number is unknown. One that stands at the deadband's end is
    /// still in it: a value must be past the deadband to clear (OPC UA Part 9). Without a
    /// deadband the limit itself is clear.
    pub fn above(value: f64, limit: f64, deadband: f64) -> Self {
        if value.is_nan() || limit.is_nan() {
            Self::Unknown
        } else if value > limit {
            Self::Breach
        } else if deadband > 0.0 && value >= limit - deadband {
            Self::Deadband
        } else {
            Self::Clear
        }
    }

    /// Judges a value against a lower limit with a deadband above it.
    pub fn below(value: f64, limit: f64, deadband: f64) -> Self {
        Self::above(-value, -limit, deadband)
    }

    /// What can raise, and cannot clear where something that was to be judged is missing.
    pub(crate) fn unless_missing(self, missing: bool) -> Self {
        match self {
            Self::Clear | Self::Deadband if missing => Self::Unknown,
            other => other,
        }
    }

    /// A breach of any is a breach; clear only where all are. Of nothing, nothing is
    /// known.
    pub(crate) fn worst(inputs: impl IntoIterator<Item = Self>) -> Self {
        // What people do is no judgement.
        const RANKED: [Input; 4] = [Input::Clear, Input::Deadband, Input::Unknown, Input::Breach];
        let rank = |input: &Self| RANKED.iter().position(|ranked| ranked == input);
        inputs.into_iter().max_by_key(rank).unwrap_or(Self::Unknown)
    }

    /// Whether it comes from a person or from the garden's plan, not from a judgement.
    pub fn is_answer(self) -> bool {
        match self {
            Self::Breach | Self::Deadband | Self::Clear | Self::Unknown | Self::Time => false,
            Self::Acknowledge
            | Self::Reset
            | Self::Shelve { .. }
            | Self::Unshelve
            | Self::Suppress
            | Self::Release
            | Self::TakeOut
            | Self::PutBack => true,
        }
    }
}

/// A change of the published state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LifeStep {
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
            Self::LatchedUnacknowledged { .. } => State::LatchedUnacknowledged,
            Self::LatchedAcknowledged { .. } => State::LatchedAcknowledged,
            Self::Hidden { hiding: Hiding::Shelved { .. }, .. } => State::Shelved,
            Self::Hidden { hiding: Hiding::Suppressed, .. } => State::Suppressed,
            Self::Hidden { hiding: Hiding::OutOfService, .. } => State::OutOfService,
        }
    }

    /// Whether the condition has held for its on-delay and is not over yet, seen or
    /// hidden.
    pub fn holds(self) -> bool {
        matches!(self.condition(), AlarmCondition::Active { .. })
    }

    /// When the condition began, where there is one.
    pub fn since(self) -> Option<Timestamp> {
        match self {
            Self::ReturnedUnacknowledged { since, .. }
            | Self::LatchedUnacknowledged { since, .. }
            | Self::LatchedAcknowledged { since, .. } => Some(since),
            _ => self.condition().since(),
        }
    }

    /// Until when it is put aside, and whether only until its condition is over.
    pub fn shelf(self) -> Option<(Timestamp, bool)> {
        match self {
            Self::Hidden { hiding: Hiding::Shelved { until, one_shot }, .. } => Some((until, one_shot)),
            _ => None,
        }
    }

    /// A stored state brought back over `replayed`, what the readings alone made of
    /// it. `at` is when the state was entered. The running delays begin again with
    /// the readings that follow.
    pub fn restored(
        state: State,
        since: Timestamp,
        at: Timestamp,
        shelf: Option<(Timestamp, bool)>,
        replayed: Self,
    ) -> Self {
        let hidden = |hiding| Self::Hidden { hiding, condition: replayed.condition() };
        match state {
            State::Normal => Self::Normal,
            State::Unacknowledged => Self::Unacknowledged { since, clear: None },
            State::Acknowledged => Self::Acknowledged { since, clear: None, answered: at },
            State::ReturnedUnacknowledged => Self::ReturnedUnacknowledged { since, again: None },
            State::LatchedUnacknowledged => Self::LatchedUnacknowledged { since, again: None },
            State::LatchedAcknowledged => Self::LatchedAcknowledged { since, again: None },
            State::Shelved => {
                let (until, one_shot) = shelf.unwrap_or((at, false));
                hidden(Hiding::Shelved { until, one_shot })
            }
            State::Suppressed => hidden(Hiding::Suppressed),
            State::OutOfService => hidden(Hiding::OutOfService),
        }
    }

    /// The same with its condition begun at `since`, as it was stored. Of one out of sight
    /// the condition may have ended and begun again unstored: it is believed to have
    /// begun at `since` only where `unseen` says that its own beginning was not seen.
    #[must_use]
    pub(crate) fn begun(self, since: Timestamp, unseen: impl Fn(Timestamp) -> bool) -> Self {
        match self {
            Self::Normal | Self::Pending { .. } => self,
            Self::Unacknowledged { clear, .. } => Self::Unacknowledged { since, clear },
            Self::Acknowledged { clear, answered, .. } => Self::Acknowledged { since, clear, answered },
            Self::ReturnedUnacknowledged { again, .. } => Self::ReturnedUnacknowledged { since, again },
            Self::LatchedUnacknowledged { again, .. } => Self::LatchedUnacknowledged { since, again },
            Self::LatchedAcknowledged { again, .. } => Self::LatchedAcknowledged { since, again },
            Self::Hidden { hiding, condition: AlarmCondition::Active { since: seen, clear } }
                if since < seen && unseen(seen) =>
            {
                Self::Hidden { hiding, condition: AlarmCondition::Active { since, clear } }
            }
            Self::Hidden { .. } => self,
        }
    }

    /// The condition without what people have been told.
    pub fn condition(self) -> AlarmCondition {
        match self {
            Self::Normal => AlarmCondition::Clear,
            Self::Pending { since } => AlarmCondition::Pending { since },
            Self::Unacknowledged { since, clear } | Self::Acknowledged { since, clear, .. } => {
                AlarmCondition::Active { since, clear }
            }
            Self::ReturnedUnacknowledged { again, .. }
            | Self::LatchedUnacknowledged { again, .. }
            | Self::LatchedAcknowledged { again, .. } => {
                again.map_or(AlarmCondition::Clear, |since| AlarmCondition::Pending { since })
            }
            Self::Hidden { condition, .. } => condition,
        }
    }

    /// The next state, and the change to publish if there is one. `at` is the
    /// time of the reading, of the answer, or of the look at the clock.
    #[must_use]
    pub fn step(self, at: Timestamp, input: Input, policy: AlarmPolicy) -> (Self, Option<LifeStep>) {
        let next = match self {
            Self::Hidden { hiding, condition } => hidden(hiding, condition, at, input, policy),
            _ => self.hide(input).unwrap_or_else(|| self.seen(at, input, policy)),
        };
        let (from, to) = (self.state(), next.state());
        let since = next.since().or(self.since()).unwrap_or(at);
        (next, (from != to).then_some(LifeStep { from, to, since }))
    }

    /// Out of sight, where the input says so.
    fn hide(self, input: Input) -> Option<Self> {
        let hiding = match input {
            Input::Shelve { until, one_shot } => Hiding::Shelved { until, one_shot },
            Input::Suppress => Hiding::Suppressed,
            Input::TakeOut => Hiding::OutOfService,
            _ => return None,
        };
        Some(Self::Hidden { hiding, condition: self.condition() })
    }

    /// The next state of an alarm in sight.
    fn seen(self, at: Timestamp, input: Input, policy: AlarmPolicy) -> Self {
        use Input::{Acknowledge, Breach, Deadband, Reset, Time};
        let is_told_again =
            |answered| policy.again_s.is_some_and(|again_s| has_passed(answered, again_s, at));
        match (self, input) {
            (Self::Unacknowledged { since, clear }, Acknowledge) => {
                Self::Acknowledged { since, clear, answered: at }
            }
            (Self::ReturnedUnacknowledged { .. }, Acknowledge) => Self::Normal,
            (Self::LatchedUnacknowledged { since, again }, Acknowledge) => {
                Self::LatchedAcknowledged { since, again }
            }
            (Self::LatchedAcknowledged { .. }, Reset) => Self::Normal,
            // Taken on, and still there after the time in which it should have been mended.
            (Self::Acknowledged { since, clear: None, answered }, Breach | Deadband | Time)
                if is_told_again(answered) =>
            {
                Self::Unacknowledged { since, clear: None }
            }
            _ => self.with(self.condition().judged(at, input, policy), policy.latching),
        }
    }

    /// The state that follows from the condition's next one.
    fn with(self, next: AlarmCondition, latching: bool) -> Self {
        use AlarmCondition::{Active, Clear, Pending};
        match (self, next) {
            (Self::Normal | Self::Pending { .. }, _) => next.shown(),

            (Self::Unacknowledged { .. }, Active { since, clear }) => Self::Unacknowledged { since, clear },
            (Self::Unacknowledged { since, .. }, Clear | Pending { .. }) if latching => {
                Self::LatchedUnacknowledged { since, again: None }
            }
            (Self::Unacknowledged { since, .. }, Clear | Pending { .. }) => {
                Self::ReturnedUnacknowledged { since, again: None }
            }

            (Self::Acknowledged { answered, .. }, Active { since, clear }) => {
                Self::Acknowledged { since, clear, answered }
            }
            (Self::Acknowledged { since, .. }, Clear | Pending { .. }) if latching => {
                Self::LatchedAcknowledged { since, again: None }
            }
            (Self::Acknowledged { .. }, Clear | Pending { .. }) => Self::Normal,

            // A breach that begins again after the alarm had returned.
            (
                Self::ReturnedUnacknowledged { .. }
                | Self::LatchedUnacknowledged { .. }
                | Self::LatchedAcknowledged { .. },
                Active { .. },
            ) => next.shown(),
            (Self::ReturnedUnacknowledged { since, .. }, Clear | Pending { .. }) => {
                Self::ReturnedUnacknowledged { since, again: next.since() }
            }
            (Self::LatchedUnacknowledged { since, .. }, Clear | Pending { .. }) => {
                Self::LatchedUnacknowledged { since, again: next.since() }
            }
            (Self::LatchedAcknowledged { since, .. }, Clear | Pending { .. }) => {
                Self::LatchedAcknowledged { since, again: next.since() }
            }
            (Self::Hidden { .. }, _) => self,
        }
    }
}

/// Whether so many seconds have passed since a moment.
fn has_passed(since: Timestamp, seconds: u32, at: Timestamp) -> bool {
    at.as_second() - since.as_second() >= i64::from(seconds)
}

/// The next state of an alarm out of sight.
fn hidden(hiding: Hiding, before: AlarmCondition, at: Timestamp, input: Input, policy: AlarmPolicy) -> Life {
    let condition = before.judged(at, input, policy);
    let stays = Life::Hidden { hiding, condition };
    match (hiding, input) {
        (Hiding::Shelved { .. }, Input::Unshelve)
        | (Hiding::Suppressed, Input::Release)
        | (Hiding::OutOfService, Input::PutBack) => condition.shown(),
        (Hiding::Shelved { until, .. }, _) if at >= until => condition.shown(),
        (Hiding::Shelved { one_shot: true, .. }, _)
            if matches!(before, AlarmCondition::Active { .. }) && condition == AlarmCondition::Clear =>
        {
            Life::Normal
        }
        (Hiding::Shelved { .. } | Hiding::Suppressed | Hiding::OutOfService, _) => stays,
    }
}

impl AlarmCondition {
    fn since(self) -> Option<Timestamp> {
        match self {
            Self::Clear => None,
            Self::Pending { since } | Self::Active { since, .. } => Some(since),
        }
    }

    /// The condition after a judgement; other inputs leave it.
    fn judged(self, at: Timestamp, input: Input, policy: AlarmPolicy) -> Self {
        let delays = policy.delays;
        match (self, input) {
            (Self::Clear, Input::Breach) if delays.on_s == 0 => Self::Active { since: at, clear: None },
            (Self::Clear, Input::Breach) => Self::Pending { since: at },
            (Self::Pending { since }, Input::Breach) if has_passed(since, delays.on_s, at) => {
                Self::Active { since, clear: None }
            }
            (Self::Pending { .. }, Input::Deadband | Input::Clear) => Self::Clear,
            (Self::Active { since, .. }, Input::Breach | Input::Deadband) => {
                Self::Active { since, clear: None }
            }
            (Self::Active { since, clear }, Input::Clear) => {
                let began = clear.unwrap_or(at);
                if has_passed(began, delays.off_s, at) {
                    Self::Clear
                } else {
                    Self::Active { since, clear: Some(began) }
                }
            }
            (Self::Clear | Self::Pending { .. } | Self::Active { .. }, _) => self,
        }
    }

    /// The alarm in sight again, by its condition.
    fn shown(self) -> Life {
        match self {
            Self::Clear => Life::Normal,
            Self::Pending { since } => Life::Pending { since },
            Self::Active { since, clear } => Life::Unacknowledged { since, clear },
        }
    }
}

#[cfg(test)]
mod tests;

//! The life of an alarm, state by state.

use super::*;
use crate::alarms::Delays;
use proptest::prelude::*;

const DELAYS: Delays = Delays { deadband: 1.0, on_s: 60, off_s: 120 };
const PLAIN: AlarmPolicy = AlarmPolicy { delays: DELAYS, latching: false, again_s: None };
const LATCHING: AlarmPolicy = AlarmPolicy { latching: true, ..PLAIN };
const AGAIN: AlarmPolicy = AlarmPolicy { again_s: Some(500), ..PLAIN };

fn t(s: i64) -> Timestamp {
    Timestamp::from_second(1_776_000_000 + s).expect("in range")
}

const SINCE_S: i64 = 0;
/// Long after every delay has run out.
const LATE_S: i64 = 1000;

/// Every state in the order of [`State::ALL`], with the pending one behind normal.
fn lives(condition: AlarmCondition) -> [Life; 10] {
    let since = t(SINCE_S);
    let hidden = |hiding| Life::Hidden { hiding, condition };
    [
        Life::Normal,
        Life::Pending { since },
        Life::Unacknowledged { since, clear: Some(since) },
        Life::Acknowledged { since, clear: None, answered: since },
        Life::ReturnedUnacknowledged { since, again: Some(since) },
        Life::LatchedUnacknowledged { since, again: Some(since) },
        Life::LatchedAcknowledged { since, again: Some(since) },
        hidden(Hiding::Shelved { until: t(100_000), one_shot: false }),
        hidden(Hiding::Suppressed),
        hidden(Hiding::OutOfService),
    ]
}

const SHELVE: Input = Input::Shelve { until: Timestamp::MAX, one_shot: false };
const INPUTS: [Input; 13] = [
    Input::Breach,
    Input::Deadband,
    Input::Clear,
    Input::Unknown,
    Input::Time,
    Input::Acknowledge,
    Input::Reset,
    SHELVE,
    Input::Unshelve,
    Input::Suppress,
    Input::Release,
    Input::TakeOut,
    Input::PutBack,
];

/// The published state after one input once every delay has run out, every
/// state by every input. The states' letters and the transitions are those of
/// ISA-18.2 and IEC 62682 (from memory; shelving, latching and re-alarming read
/// in OPC UA Part 9): A normal, B unacknowledged, C acknowledged, D returned
/// unacknowledged, E latched unacknowledged, F latched acknowledged, G shelved,
/// H suppressed by design, I out of service. Hidden ones have a condition that
/// holds, so that they come back as B.
#[test]
fn every_state_by_every_input() {
    const TABLE: [(&str, &str); 10] = [
        // breach, deadband, clear, unknown, time, acknowledge, reset,
        // shelve, unshelve, suppress, release, take out, put back
        ("A", "AAAAAAAGAHAIA"),
        ("A", "BAAAAAAGAHAIA"),
        ("B", "BBDBBCBGBHBIB"),
        ("C", "CCCCCCCGCHCIC"),
        ("D", "BDDDDADGDHDID"),
        ("E", "BEEEEFEGEHEIE"),
        ("F", "BFFFFFAGFHFIF"),
        ("G", "GGGGGGGGBGGGG"),
        ("H", "HHHHHHHHHHBHH"),
        ("I", "IIIIIIIIIIIIB"),
    ];
    let letter = |state: State| {
        let at = State::ALL.iter().position(|s| *s == state).expect("every state is listed");
        &"ABCDEFGHI"[at..=at]
    };
    let active = AlarmCondition::Active { since: t(SINCE_S), clear: None };
    for (life, (from, row)) in lives(active).into_iter().zip(TABLE) {
        assert_eq!(letter(life.state()), from);
        for (column, input) in INPUTS.into_iter().enumerate() {
            let (next, step) = life.step(t(LATE_S), input, PLAIN);
            assert_eq!(letter(next.state()), &row[column..=column], "{life:?} {input:?}");
            assert_eq!(step.is_some(), next.state() != life.state(), "told if and only if it changed");
            if let Some(step) = step {
                assert_eq!((step.from, step.to), (life.state(), next.state()));
            }
        }
    }
}

/// Before the delays have run out only people and the plan change what is told.
#[test]
fn nothing_is_told_before_its_delay() {
    let pending = AlarmCondition::Pending { since: t(SINCE_S) };
    for life in lives(pending) {
        for input in INPUTS.into_iter().filter(|input| !input.is_answer()) {
            let (next, step) = life.step(t(1), input, PLAIN);
            assert_eq!(step, None, "{life:?} {input:?}");
            assert_eq!(next.state(), life.state());
        }
    }
}

#[test]
fn a_latching_alarm_stays_until_somebody_has_looked() {
    let raised = Life::Unacknowledged { since: t(0), clear: Some(t(0)) };
    let (latched, step) = raised.step(t(LATE_S), Input::Clear, LATCHING);
    assert_eq!(step.map(|s| s.to), Some(State::LatchedUnacknowledged));
    let (seen, _) = latched.step(t(1100), Input::Acknowledge, LATCHING);
    assert_eq!(seen.state(), State::LatchedAcknowledged);
    assert_eq!(seen.step(t(9000), Input::Clear, LATCHING).0.state(), State::LatchedAcknowledged);
    assert_eq!(seen.step(t(9000), Input::Reset, LATCHING).0, Life::Normal);
    let taken = Life::Acknowledged { since: t(0), clear: Some(t(0)), answered: t(0) };
    assert_eq!(taken.step(t(LATE_S), Input::Clear, LATCHING).0.state(), State::LatchedAcknowledged);
    assert_eq!(taken.step(t(LATE_S), Input::Clear, PLAIN).0, Life::Normal);
}

#[test]
fn one_that_was_taken_on_and_still_holds_is_told_again() {
    let taken = Life::Acknowledged { since: t(0), clear: None, answered: t(100) };
    for input in [Input::Breach, Input::Deadband, Input::Time] {
        assert_eq!(taken.step(t(599), input, AGAIN).1, None);
        assert_eq!(taken.step(t(600), input, AGAIN).1.map(|s| s.to), Some(State::Unacknowledged));
        assert_eq!(taken.step(t(1_000_000), input, PLAIN).1, None);
    }
    // One that is getting better is left alone.
    let better = Life::Acknowledged { since: t(0), clear: Some(t(590)), answered: t(100) };
    assert_eq!(better.step(t(600), Input::Time, AGAIN).1, None);
}

#[test]
fn a_shelf_ends_by_its_time_or_by_hand() {
    let shelve = |one_shot| Input::Shelve { until: t(5000), one_shot };
    let raised = Life::Unacknowledged { since: t(0), clear: None };
    let (aside, step) = raised.step(t(10), shelve(false), PLAIN);
    assert_eq!(step.map(|s| (s.from, s.to)), Some((State::Unacknowledged, State::Shelved)));
    assert_eq!(aside.shelf(), Some((t(5000), false)));
    for input in [Input::Time, Input::Unknown, Input::Breach] {
        assert_eq!(aside.step(t(4999), input, PLAIN).1, None);
        let (back, _) = aside.step(t(5000), input, PLAIN);
        assert_eq!(back, Life::Unacknowledged { since: t(0), clear: None }, "{input:?}");
    }
    // Over meanwhile: back to normal, and nobody is told.
    let (clearing, _) = aside.step(t(20), Input::Clear, PLAIN);
    let (over, step) = clearing.step(t(200), Input::Clear, PLAIN);
    assert_eq!(step, None);
    assert_eq!(over.step(t(5000), Input::Time, PLAIN).0, Life::Normal);
    // One shot: the end of the condition takes it off the shelf.
    let (once, _) = raised.step(t(10), shelve(true), PLAIN);
    let (clearing, _) = once.step(t(20), Input::Clear, PLAIN);
    assert_eq!(clearing.step(t(200), Input::Clear, PLAIN).0, Life::Normal);
    // Before the condition ever held it waits for its time.
    let (early, _) = Life::Normal.step(t(10), shelve(true), PLAIN);
    assert_eq!(early.step(t(200), Input::Clear, PLAIN).0.state(), State::Shelved);
}

#[test]
fn silence_never_raises_and_never_clears() {
    for life in lives(AlarmCondition::Active { since: t(0), clear: None }) {
        assert_eq!(life.step(t(90_000), Input::Unknown, AGAIN), (life, None));
    }
}

#[test]
fn a_stored_state_comes_back() {
    let shelf = Some((t(5000), true));
    for state in State::ALL {
        let replayed = Life::Unacknowledged { since: t(3), clear: None };
        let life = Life::restored(state, t(0), t(7), shelf, replayed);
        assert_eq!(life.state(), state);
        if state.is_hidden() {
            assert_eq!(life.since(), Some(t(3)), "the condition goes on condition");
        }
        assert_eq!(life.shelf(), if state == State::Shelved { shelf } else { None });
    }
}

#[test]
fn a_limit_itself_is_no_breach_and_the_deadband_holds() {
    assert_eq!(Input::above(2.0, 2.0, 0.5), Input::Deadband);
    assert_eq!(Input::above(2.000_001, 2.0, 0.5), Input::Breach);
    assert_eq!(Input::above(1.5, 2.0, 0.5), Input::Deadband, "at its end, not past it");
    assert_eq!(Input::above(1.499_999, 2.0, 0.5), Input::Clear);
    assert_eq!(Input::above(2.0, 2.0, 0.0), Input::Clear, "without a deadband");
    assert_eq!(Input::below(11.9, 12.0, 0.5), Input::Breach);
    assert_eq!(Input::below(12.4, 12.0, 0.5), Input::Deadband);
    assert_eq!(Input::below(12.5, 12.0, 0.5), Input::Deadband);
    assert_eq!(Input::below(12.500_001, 12.0, 0.5), Input::Clear);
    assert_eq!(Input::above(f64::NAN, 2.0, 0.5), Input::Unknown);
}

proptest! {
    /// Every published change follows from the state before it; an alarm that
    /// was raised is never normal again without a clear judgement or an answer;
    /// one that latches never without an answer.
    #[test]
    fn no_alarm_is_lost(
        inputs in prop::collection::vec((0usize..13, 1i64..400), 1..200),
        latching in any::<bool>(),
    ) {
        let policy = AlarmPolicy { latching, ..AGAIN };
        let (mut life, mut now, mut published) = (Life::Normal, 0, State::Normal);
        // Whether a clear judgement or an answer came since it was raised.
        let mut over = true;
        for (pick, wait_s) in inputs {
            now += wait_s;
            let input = match INPUTS[pick] {
                Input::Shelve { .. } => Input::Shelve { until: t(now + 700), one_shot: pick % 2 == 0 },
                other => other,
            };
            let (next, step) = life.step(t(now), input, policy);
            over |= input == Input::Clear || input.is_answer();
            if let Some(step) = step {
                prop_assert_eq!(step.from, published);
                prop_assert!(step.to != step.from);
                if step.to == State::Normal {
                    prop_assert!(over, "{:?} to {:?} by {:?}", life, next, input);
                    if latching && !step.from.is_hidden() {
                        prop_assert!(input.is_answer());
                    }
                }
                over = step.to != State::Unacknowledged;
                published = step.to;
            }
            prop_assert_eq!(next.state(), published);
            life = next;
        }
    }
}

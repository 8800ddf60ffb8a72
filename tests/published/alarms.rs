//! The life of an alarm and the targets of its figures, against the public model.

use jiff::{SignedDuration, Timestamp};
use trug::alarms::targets as t;
use trug::alarms::{AlarmCondition, AlarmPolicy, Delays, Hiding, Input, Life, State};

use super::harness::{Checks, Row, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![metrics(), sequences(), states(), transitions()]
}

/// Each number of the targets is the one that the table gives.
fn metrics() -> Checks {
    let mut checks = Checks::of("alarm_metrics.csv");
    for row in table(checks.table) {
        let ours = match (row.text("metric"), row.text("item")) {
            ("average rate", "alarms an hour, very likely acceptable") => t::HOUR_ACCEPTABLE,
            ("average rate", "alarms a day, very likely acceptable") => 24.0 * t::HOUR_ACCEPTABLE,
            ("average rate", "alarms an hour, most that one person can take") => t::HOUR_MOST,
            ("average rate", "alarms a day, most that one person can take") => 24.0 * t::HOUR_MOST,
            ("peak", "alarms in a ten-minute span above which it is too busy") => t::BUSY_ABOVE as f64,
            ("flood", "begins above alarms in ten minutes") => t::BUSY_ABOVE as f64,
            ("flood", "ends below alarms in ten minutes") => t::FLOOD_ENDS as f64,
            ("peak" | "flood", _) => 100.0 * t::BUSY_PART,
            ("frequent", _) => 100.0 * t::FREQUENT_PART,
            ("chattering", "alarms that chatter") | ("out of sight", _) => 0.0,
            ("chattering", "changes above which it chatters") => t::CHANGES_ABOVE as f64,
            ("chattering", "seconds for those changes") => t::CHANGES_WITHIN_S as f64,
            ("chattering", "times raised from which it chatters") => t::CHATTER_TIMES as f64,
            ("chattering", "seconds for those times") => t::CHATTER_WITHIN_S as f64,
            ("fleeting", "seconds below which it is fleeting") => t::FLEETING_S as f64,
            ("fleeting", "seconds without another") => t::FLEETING_ALONE_S as f64,
            ("standing", "hours after which it has stood for too long") => t::STANDING_S as f64 / 3600.0,
            ("standing", "on any day fewer than") => t::STANDING_TOO_MANY as f64,
            ("priority", "percent low") => 100.0 * t::PRIORITY_PARTS[0],
            ("priority", "percent medium") => 100.0 * t::PRIORITY_PARTS[1],
            ("priority", "percent high") => 100.0 * t::PRIORITY_PARTS[2],
            other => panic!("{other:?} is not a target of ours"),
        };
        checks.near(&row, row.text("item"), ours, row.number("number"), 0.0);
    }
    checks
}

fn at(s: i64) -> Timestamp {
    Timestamp::UNIX_EPOCH + SignedDuration::from_secs(1_776_000_000 + s)
}

/// Values against an upper limit, one a minute, with deadband and delays.
fn sequences() -> Checks {
    const MINUTE_S: u32 = 60;
    let mut checks = Checks::of("alarm_sequences.csv");
    for row in table(checks.table) {
        let delay_s = |column| row.number(column) as u32 * MINUTE_S;
        let delays = Delays {
            deadband: row.number("deadband"),
            on_s: delay_s("on_delay_samples"),
            off_s: delay_s("off_delay_samples"),
        };
        let policy = AlarmPolicy { delays, latching: false, again_s: None };
        let (mut life, mut active) = (Life::Normal, Vec::new());
        let values = row.json("values");
        for (minute, value) in (0..).zip(values.as_array().expect("a list")) {
            let value = value.as_f64().expect("a number");
            let input = Input::above(value, row.number("high_limit"), delays.deadband);
            life = life.step(at(minute * i64::from(MINUTE_S)), input, policy).0;
            active.push(i64::from(life.state().is_active()));
        }
        let expected: Vec<i64> = serde_json::from_value(row.json("active")).expect("a list of 0 and 1");
        checks.same(&row, row.text("values"), &active, &expected);
    }
    checks
}

fn state(id: &str) -> State {
    State::ALL["ABCDEFGHI".find(id).expect("a letter of the model")]
}

fn states() -> Checks {
    let mut checks = Checks::of("alarm_states.csv");
    for row in table(checks.table) {
        let state = state(row.text("id"));
        checks.same(&row, "name", &state.name(), &row.text("name"));
        let flag = |column| row.maybe(column).map(|n| n > 0.5);
        // Of a hidden alarm the model says neither.
        let hidden = state.is_hidden();
        checks.same(&row, "in alarm", &(!hidden).then_some(state.is_active()), &flag("in_alarm"));
        checks.same(&row, "acknowledged", &(!hidden).then_some(!state.waits()), &flag("acknowledged"));
    }
    checks
}

const DELAYS: Delays = Delays { deadband: 1.0, on_s: 60, off_s: 120 };
/// Long after every delay and the reminder have run out.
const LATE_S: i64 = 10_000;

/// An alarm in a state, with its condition as the row has it.
fn life(state: State, condition: &str, one_shot: bool) -> Life {
    let since = at(0);
    let active = condition == "active";
    let condition = if active { AlarmCondition::Active { since, clear: None } } else { AlarmCondition::Clear };
    match state {
        State::Normal => Life::Normal,
        State::Unacknowledged => Life::Unacknowledged { since, clear: None },
        State::Acknowledged => Life::Acknowledged { since, clear: None, answered: since },
        State::ReturnedUnacknowledged => Life::ReturnedUnacknowledged { since, again: None },
        State::LatchedUnacknowledged => Life::LatchedUnacknowledged { since, again: None },
        State::LatchedAcknowledged => Life::LatchedAcknowledged { since, again: None },
        State::Shelved => {
            Life::Hidden { hiding: Hiding::Shelved { until: at(LATE_S), one_shot }, condition }
        }
        State::Suppressed => Life::Hidden { hiding: Hiding::Suppressed, condition },
        State::OutOfService => Life::Hidden { hiding: Hiding::OutOfService, condition },
    }
}

/// Each row of the model, with every delay waited for.
fn transitions() -> Checks {
    let mut checks = Checks::of("alarm_transitions.csv");
    for row in table(checks.table) {
        // Where the row does not say whether it latches, both must do.
        for latching in [false, true] {
            if matches!((row.text("latching"), latching), ("yes", false) | ("no", true)) {
                continue;
            }
            let got = played(&row, latching).name();
            checks.same(&row, row.text("event"), &got, &state(row.text("to")).name());
        }
    }
    checks
}

/// The state to which a row's event leads.
fn played(row: &Row, latching: bool) -> State {
    let policy = AlarmPolicy { delays: DELAYS, latching, again_s: Some(9000) };
    let one_shot = row.text("event") == "one-shot and condition goes inactive";
    // A one-shot shelf ends by its condition's end, so that it must hold before.
    let condition = if one_shot { "active" } else { row.text("condition") };
    let before = life(state(row.text("from")), condition, one_shot);
    let shelve = |one_shot| Input::Shelve { until: at(2 * LATE_S), one_shot };
    // When and what; the delays are 60 and 120 seconds.
    let inputs: &[(i64, Input)] = match row.text("event") {
        "condition true" => &[(0, Input::Breach), (60, Input::Breach)],
        "condition clears" | "one-shot and condition goes inactive" => &[(0, Input::Clear), (120, Input::Clear)],
        "acknowledge" => &[(10, Input::Acknowledge)],
        "reset" => &[(10, Input::Reset)],
        "re-alarm timer" => &[(9000, Input::Time)],
        "shelve timed" => &[(10, shelve(false))],
        "shelve one-shot" => &[(10, shelve(true))],
        "shelf time expires" => &[(LATE_S, Input::Time)],
        "unshelve" => &[(10, Input::Unshelve)],
        "design logic suppresses" => &[(10, Input::Suppress)],
        "design logic releases" => &[(10, Input::Release)],
        "remove from service" => &[(10, Input::TakeOut)],
        "return to service" => &[(10, Input::PutBack)],
        other => panic!("{other:?} is no event of the model"),
    };
    let mut life = before;
    for (index, &(s, input)) in inputs.iter().enumerate() {
        let (next, step) = life.step(at(s), input, policy);
        // Nothing is published before the delay has run out, and then it is.
        assert_eq!(step.is_some(), next.state() != life.state(), "{row:?}");
        let first_of_two = inputs.len() == 2 && index == 0;
        assert!(!(first_of_two && step.is_some()), "{row:?}: told before its delay");
        life = next;
    }
    life.state()
}

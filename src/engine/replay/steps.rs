//! Steps of alarms: which a replay can make, what people answered, what differs.

use std::collections::VecDeque;

use jiff::Timestamp;

use crate::alarms::{AlarmKey, AlarmRecord, Answer, Input, Kind, PlaceKind, State};
use crate::garden::record::AlarmChange;
use crate::store::{ReplayDay, StoredStep};

/// Steps that the computer's clock made (a shelf's end, an entry of the log) may come so
/// much sooner or later in a replay, which knows the times of readings alone,
/// milliseconds.
const CLOCK_MS: i64 = 120_000;

/// Whether the stored readings and the log show what alarms of a kind judge. Silence is
/// seen by arrivals as is a wrong clock, a battery and the program's own health are not stored as readings.
pub(super) fn is_replayed(kind: Kind) -> bool {
    let own = Kind::at(|place| place == PlaceKind::System).any(|own| own == kind);
    !own && !matches!(
        kind,
        Kind::SensorSilent | Kind::GatewaySilent | Kind::BatteryLow | Kind::DeviceClock | Kind::JobOverdue
    )
}

/// Which of the two histories has a step that the other has not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepSide {
    /// The stored one: by today's calibration and rules it is not so.
    Stored,
    /// The replayed one.
    Replayed,
}

/// A step of an alarm that is in one of the two histories alone.
#[derive(Clone, Debug)]
pub struct StepDifference {
    pub side: StepSide,
    pub from: State,
    /// The alarm after the step.
    pub record: AlarmRecord,
}

/// Answers of people that wait for their moment.
#[derive(Debug, Default)]
pub(super) struct AnswerQueue(VecDeque<Answer>);

impl AnswerQueue {
    /// Adds the answers that are among stored steps, in their order.
    pub(super) fn fill(&mut self, stored: &[StoredStep]) {
        self.0.extend(stored.iter().filter_map(|step| {
            let row = &step.row;
            Some(Answer {
                key: row.record.key.clone(),
                at: row.record.at,
                input: Some(input_of(row.from?, &row.record)?),
                how: row.how.clone()?,
                // Its beginning may have moved.
                since: None,
                note: None,
            })
        }));
    }

    pub(super) fn next_at(&self) -> Option<Timestamp> {
        self.0.front().map(|answer| answer.at)
    }

    pub(super) fn pop(&mut self) -> Option<Answer> {
        self.0.pop_front()
    }
}

/// What a person answered, by the step that it made.
fn input_of(from: State, after: &AlarmRecord) -> Option<Input> {
    Some(match (from, after.state) {
        (_, State::Shelved) => {
            let (until, one_shot) = after.shelf?;
            Input::Shelve { until, one_shot }
        }
        (_, State::OutOfService) => Input::TakeOut,
        (_, State::Suppressed) => return None,
        (State::Shelved, _) => Input::Unshelve,
        (State::OutOfService, _) => Input::PutBack,
        (State::LatchedAcknowledged, _) => Input::Reset,
        _ => Input::Acknowledge,
    })
}

/// Holds the replayed steps of a day against the stored ones. An alarm of which any step
/// differs is to be written again for the whole day, so that its steps keep their order.
pub(super) fn step_differences(
    stored: &[StoredStep],
    replayed: Vec<AlarmChange>,
    day: &mut ReplayDay,
    differences: &mut Vec<StepDifference>,
) {
    let mut matched = vec![false; stored.len()];
    let mut new = Vec::new();
    for step in &replayed {
        let same = (0..stored.len()).find(|&at| !matched[at] && is_same(&stored[at], step));
        match same {
            Some(at) => matched[at] = true,
            None => new.push(step),
        }
    }
    let gone: Vec<&StoredStep> =
        stored.iter().zip(&matched).filter(|(_, is)| !**is).map(|(it, _)| it).collect();
    if gone.is_empty() && new.is_empty() {
        return;
    }
    let differs = |key: &AlarmKey| {
        gone.iter().any(|step| step.row.record.key == *key) || new.iter().any(|step| step.record.key == *key)
    };
    day.gone.extend(stored.iter().filter(|step| differs(&step.row.record.key)).map(|step| step.seq));
    let mut found: Vec<StepDifference> = gone
        .iter()
        .map(|step| StepDifference {
            side: StepSide::Stored,
            from: step.row.from.unwrap_or(State::Normal),
            record: step.row.record.clone(),
        })
        .chain(new.iter().map(|step| StepDifference {
            side: StepSide::Replayed,
            from: step.from,
            record: step.record.clone(),
        }))
        .collect();
    found.sort_by_key(|step| step.record.at);
    differences.extend(found);
    let written: Vec<bool> = replayed.iter().map(|step| differs(&step.record.key)).collect();
    day.steps.extend(replayed.into_iter().zip(written).filter(|(_, is)| *is).map(|(step, _)| step));
}

fn is_same(stored: &StoredStep, step: &AlarmChange) -> bool {
    let (before, now) = (&stored.row.record, &step.record);
    let apart = |a: Timestamp, b: Timestamp| (a.as_millisecond() - b.as_millisecond()).abs();
    let (at, since) = (apart(before.at, now.at), apart(before.since, now.since));
    let in_time = at <= CLOCK_MS && since <= CLOCK_MS;
    before.key == now.key
        && before.state == now.state
        && stored.row.from == Some(step.from)
        && in_time
        && before.said.text == now.said.text
        && same_values(before, now)
}

/// Numbers come back from the store to their last digit but one.
fn same_values(before: &AlarmRecord, now: &AlarmRecord) -> bool {
    let finite = |it: &AlarmRecord| -> Vec<(String, f64)> {
        let values = it.said.values.iter().filter(|(_, value)| value.is_finite());
        values.map(|(name, value)| (name.to_string(), *value)).collect()
    };
    let (before, now) = (finite(before), finite(now));
    before.len() == now.len()
        && before
            .iter()
            .zip(&now)
            .all(|((name, a), (other, b))| name == other && (a - b).abs() <= 1e-12 * a.abs().max(b.abs()))
}

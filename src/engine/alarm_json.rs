//! The contract's alarm object, the same on the broker and on the command line.

use jiff::Timestamp;
use serde::Serialize;

use crate::alarms::{AlarmKey, AlarmRecord, Priority, Values};
use crate::garden::record::AlarmChange;
use crate::store::AlarmRow;
use crate::why::Step;

/// One alarm as JSON.
#[derive(Serialize)]
pub(crate) struct AlarmJson<'a> {
    kind: &'a str,
    site: &'a str,
    place: &'a str,
    /// The state before; in the history only.
    #[serde(skip_serializing_if = "Option::is_none")]
    from: Option<&'a str>,
    state: &'a str,
    priority: &'a str,
    since: String,
    at: String,
    /// How often it was raised within its kind's hours, and when the first time began; only
    /// where it came back.
    #[serde(skip_serializing_if = "Option::is_none")]
    times: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    first: Option<String>,
    /// Until when it is put aside.
    #[serde(skip_serializing_if = "Option::is_none")]
    until: Option<String>,
    /// How a person's answer came.
    #[serde(skip_serializing_if = "Option::is_none")]
    how: Option<&'a str>,
    /// What that person said; in listings only.
    #[serde(skip_serializing_if = "Option::is_none")]
    note: Option<&'a str>,
    r#for: &'a [String],
    text: &'a str,
    values: NumbersJson<'a>,
    source: &'a str,
    /// The equations behind the numbers, where there are any.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    why: Vec<StepJson<'a>>,
}

/// One equation with its numbers put in, as JSON.
#[derive(Serialize)]
pub(crate) struct StepJson<'a> {
    gives: &'a str,
    equation: &'a str,
    numbers: &'a str,
    source: &'a str,
    check: &'a str,
}

/// The steps to a figure as JSON.
pub(crate) fn steps(why: &[Step]) -> Vec<StepJson<'_>> {
    why.iter()
        .map(|step| StepJson {
            gives: &step.gives,
            equation: &step.form,
            numbers: &step.with,
            source: &step.source,
            check: &step.check,
        })
        .collect()
}

impl<'a> AlarmJson<'a> {
    /// What is sent when the state changes.
    pub(crate) fn of_change(it: &'a AlarmChange) -> Self {
        Self::of(&it.record, it.priority, it.how.as_deref(), &it.tell)
    }

    /// What is stored: the present state, or a step of the history. The priority is
    /// the one that the garden gives the kind today.
    pub(crate) fn of_row(it: &'a AlarmRow, priority: Priority, note: Option<&'a str>) -> Self {
        let from = it.from.map(|state| state.name());
        Self { from, note, ..Self::of(&it.record, priority, it.how.as_deref(), &it.tell) }
    }

    fn of(it: &'a AlarmRecord, priority: Priority, how: Option<&'a str>, tell: &'a [String]) -> Self {
        let AlarmKey { site, kind, place } = &it.key;
        Self {
            kind: kind.name(),
            site: site.as_str(),
            place: place.as_str(),
            from: None,
            state: it.state.name(),
            priority: priority.name(),
            since: whole_millis(it.since),
            at: whole_millis(it.at),
            times: (it.course.times > 1).then_some(it.course.times),
            first: it.course.first.filter(|_| it.course.times > 1).map(whole_millis),
            until: it.shelf.map(|(until, _)| whole_millis(until)),
            how,
            note: None,
            r#for: tell,
            text: &it.said.text,
            values: NumbersJson(&it.said.values),
            source: &it.said.source,
            why: steps(&it.said.why),
        }
    }
}

/// A time as the store keeps it: what is published at once and what is published again
/// from the store say the same.
fn whole_millis(at: Timestamp) -> String {
    Timestamp::from_millisecond(at.as_millisecond()).unwrap_or(at).to_string()
}

/// Named numbers in the order to show, to four decimals. A number that is none
/// has no place in JSON and is left out.
struct NumbersJson<'a>(&'a Values);

impl Serialize for NumbersJson<'_> {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let finite = self.0.iter().filter(|(_, value)| value.is_finite());
        serializer.collect_map(finite.map(|(name, value)| (name, (value * 10_000.0).round() / 10_000.0)))
    }
}

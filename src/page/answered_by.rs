//! Who answered the alarms of a page, and when.

use jiff::Timestamp;
use maud::{Markup, html};

use super::PageSource;
use super::context::PageContext;
use super::wait::ask;
use crate::alarms::{Kind, State};
use crate::garden::view::{AlarmView, SiteView};
use crate::model::Id;
use crate::text::labels;

/// Alarms of which a page says who answered them.
const ANSWERED_MAX: usize = 24;

/// Who answered an alarm, and when.
#[derive(Clone, Debug)]
pub(super) struct AnsweredBy {
    kind: Kind,
    place: Id,
    at: Timestamp,
    how: String,
}

/// Who answered the open alarms that are answered; what cannot be read is left out.
pub(super) async fn answered<V: PageSource>(context: &PageContext<V>, view: &SiteView) -> Vec<AnsweredBy> {
    let mut found = Vec::new();
    let of =
        |alarm: &&AlarmView| matches!(alarm.record.state, State::Acknowledged | State::LatchedAcknowledged);
    for alarm in view.alarms.iter().filter(of).take(ANSWERED_MAX) {
        let key = &alarm.record.key;
        let steps = ask(context.views.steps(key, alarm.record.since)).await.unwrap_or_default();
        let is_answer = |to| matches!(to, State::Acknowledged | State::LatchedAcknowledged);
        let step =
            steps.into_iter().rev().filter(|step| is_answer(step.to)).find_map(|it| Some((it.at, it.how?)));
        if let Some((at, how)) = step {
            found.push(AnsweredBy { kind: key.kind, place: key.place.clone(), at, how });
        }
    }
    found
}

/// "Ms Lee is dealing with it since today 2:10 pm." Nothing where that is not known.
pub(super) fn answered_words(alarm: &AlarmView, answered: &[AnsweredBy], view: &SiteView) -> Option<Markup> {
    let key = &alarm.record.key;
    let by = answered.iter().find(|it| it.kind == key.kind && it.place == key.place)?;
    let (way, who) = labels::answered_by(&by.how);
    let when = labels::moment(by.at, view.now, &view.time_zone);
    Some(html! {
        @if let Some(who) = who { (who) " answered this " (when) ", " (labels::how(way)) "." }
        @else { "Answered " (when) ", " (labels::how(way)) "." }
    })
}

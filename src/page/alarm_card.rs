//! One alarm with what can be answered to it, for every page that shows alarms.

use maud::{Markup, html};

use super::access::Visitor;
use super::answered_by::{AnsweredBy, answered_words};
use super::care;
use super::markup::{apart, item};
use super::reasons;
use crate::alarms::{AlarmNote, Finding, Kind, State};
use crate::garden::view::{AlarmView, SiteView};
use crate::model::Id;
use crate::text::labels;
use crate::text::spoken::TextParts;

/// An answer that was not taken: what was wrong with its note, and the note.
#[derive(Clone, Copy, Debug)]
pub(super) struct RefusedNote<'a> {
    pub(super) why: &'a str,
    pub(super) note: &'a str,
}

/// Notes of one occurrence that are shown, the newest.
pub(super) const NOTES_MAX: usize = 20;

/// For how long an alarm can be paused: the form's word, and what the button says.
pub(super) const ASIDE: [(&str, &str); 4] = [
    ("aside-2h", "Pause for 2 hours"),
    ("aside-morning", "Pause until 7 am tomorrow"),
    ("aside-day", "Pause for a day"),
    ("aside-week", "Pause for a week"),
];

/// The same for an alarm about fish, which cannot wait longer.
const ASIDE_FISH: [(&str, &str); 1] = [ASIDE[0]];

/// The times for which an alarm of a kind can be paused.
fn aside(kind: Kind) -> &'static [(&'static str, &'static str)] {
    if kind.is_about_fish() { &ASIDE_FISH } else { &ASIDE }
}

/// A note as it was typed. A form's text has line ends of its own; a note is one line.
pub(super) fn note_line(typed: &str) -> String {
    typed.replace(['\r', '\n', '\t'], " ")
}

/// The alarm's id on a page, and the ids of its fields begin with it.
pub(super) fn id(alarm: &AlarmView) -> String {
    id_of(alarm.record.key.kind, &alarm.record.key.place)
}

pub(super) fn id_of(kind: Kind, place: &Id) -> String {
    format!("{}-{place}", kind.name())
}

/// A note to an alarm: when, how, and its text.
pub(super) fn note(note: &AlarmNote, view: &SiteView) -> Markup {
    html! {
        p class="note" {
            (labels::moment(note.at, view.now, &view.time_zone)) ", " (labels::how(&note.how)) ": "
            (labels::shown(&note.note, AlarmNote::TEXT_MAX))
        }
    }
}

/// Says that only the newest notes are shown.
pub(super) fn older_notes() -> Markup {
    html! { p class="standing" { "Older notes are not shown here. The command trug alarms lists all of them." } }
}

/// The last `most` of a list.
pub(super) fn last<T>(list: &[T], most: usize) -> &[T] {
    &list[list.len().saturating_sub(most)..]
}

/// How urgent an alarm is, in words.
pub(super) fn urgency(alarm: &AlarmView, view: &SiteView) -> Markup {
    let by = labels::by_when(alarm.priority, alarm.record.since, view.now, &view.time_zone);
    html! { span class={ "urgency " (alarm.priority.name()) } { (by) } }
}

/// One alarm: how urgent, since when, what it says, who answered, why, its notes, and the
/// buttons where there is a password.
pub(super) fn card(
    alarm: &AlarmView,
    view: &SiteView,
    visitor: &Visitor,
    answered: &[AnsweredBy],
    notes: &[&AlarmNote],
    refused: Option<RefusedNote<'_>>,
) -> Markup {
    let record = &alarm.record;
    let moment = |at| labels::moment(at, view.now, &view.time_zone);
    html! {
        article class="alarm" id=(id(alarm)) {
            h3 { (alarm.place_name) ": " (labels::kind(record.key.kind)) }
            p class="standing" {
                @if let Some((until, _)) = record.shelf {
                    "Paused until " (moment(until)) "."
                } @else if record.state == State::ReturnedUnacknowledged {
                    "From " (moment(record.since)) " to " (moment(record.at)) ". " (labels::state(record.state))
                } @else {
                    @if record.state.is_active() { (urgency(alarm, view)) " " }
                    "Since " (moment(record.since)) ". " (labels::state(record.state))
                }
            }
            (said(alarm))
            @if record.state.is_active() { (care::beside(&view.id, record.key.kind)) }
            @if let Some(by) = answered_words(alarm, answered, view) { p class="by" { (by) } }
            @let shown = last(notes, NOTES_MAX);
            @if shown.len() < notes.len() { (older_notes()) }
            @for note in shown { (self::note(note, view)) }
            details {
                summary { "Why" }
                @if !record.said.values.is_empty() {
                    dl {
                        @for (name, number) in &record.said.values {
                            @let (name, number) = labels::named_value(name, *number);
                            @if record.key.kind == Kind::TankTemperatureShock {
                                (item(&name, apart(number)))
                            } @else {
                                (item(&name, number))
                            }
                        }
                    }
                }
                (reasons::steps(&record.said.why))
                p { "Rule: " (record.said.source) }
                p { "Name for commands: " code { (record.key.kind.name()) "/" (record.key.place) } }
            }
            @if visitor.sees_forms() { (answers(alarm, view, visitor, refused)) }
        }
    }
}

/// An alarm's text: what is wrong, in bold the first thing to do, then the rest.
pub(super) fn said(alarm: &AlarmView) -> Markup {
    let parts = TextParts::of(&alarm.record.said.text);
    html! {
        @match parts.first {
            Some(first) if alarm.record.state.is_active() => {
                p { (parts.wrong) }
                p { strong { (first) } @for sentence in &parts.rest { " " (sentence) } }
                @if let Some(care) = parts.care { p class="caution" { (care) } }
            }
            _ => p { (alarm.record.said.text) },
        }
    }
}

/// What a form about an alarm sends along.
fn named(alarm: &AlarmView, visitor: &Visitor) -> Markup {
    let record = &alarm.record;
    html! {
        (visitor.form_field())
        input type="hidden" name="kind" value=(record.key.kind.name());
        input type="hidden" name="place" value=(record.key.place);
        input type="hidden" name="since" value=(record.since);
    }
}

/// The buttons of the answer that an alarm waits for, if it waits for one.
fn buttons(alarm: &AlarmView) -> Markup {
    let record = &alarm.record;
    html! {
        @if record.state.waits() {
            @if record.key.kind.asks_found() {
                (found_buttons())
            }
            button type="submit" name="do" value="seen" { (seen_words(record.state)) }
        } @else if record.state == State::LatchedAcknowledged {
            button type="submit" name="do" value="reset" { "Checked: close" }
        } @else if record.state == State::Shelved {
            button type="submit" name="do" value="back" { "Resume" }
        }
    }
}

/// The buttons that say what ran.
fn found_buttons() -> Markup {
    html! {
        @for found in Finding::ALL {
            button type="submit" name="do" value={ "found-" (found.name()) } { (found.words()) }
        }
    }
}

/// What the button says by which somebody answers an alarm.
pub(super) fn seen_words(state: State) -> &'static str {
    if state.is_active() { "I'll deal with this" } else { "I have seen this" }
}

/// Whether an alarm waits for a button.
fn has_button(state: State) -> bool {
    state.waits() || matches!(state, State::LatchedAcknowledged | State::Shelved)
}

/// The buttons alone, for the list of what to do; `then` is the page to come back to.
pub(super) fn quick_answers(alarm: &AlarmView, visitor: &Visitor, view: &SiteView, then: &str) -> Markup {
    let name = format!("{}: {}", alarm.place_name, labels::kind(alarm.record.key.kind));
    html! {
        @if visitor.sees_forms() && has_button(alarm.record.state) {
            form class="deal" method="post" action={ "/site/" (view.id) "/alarms/answer" } aria-label={ "Answer to " (name) } {
                (named(alarm, visitor))
                input type="hidden" name="then" value=(then);
                @if alarm.record.state.is_active() && alarm.record.key.kind.asks_found() {
                    button type="submit" name="do" value="seen" { (seen_words(alarm.record.state)) }
                    // While water runs, finding it comes first; what it was can wait.
                    details {
                        summary { "I found what it was" }
                        div class="deal" { (found_buttons()) }
                    }
                } @else {
                    (buttons(alarm))
                }
            }
        }
    }
}

fn answers(
    alarm: &AlarmView,
    view: &SiteView,
    visitor: &Visitor,
    refused: Option<RefusedNote<'_>>,
) -> Markup {
    let record = &alarm.record;
    let id = id(alarm);
    let (note, fault, help) = (format!("{id}-note"), format!("{id}-fault"), format!("{id}-help"));
    let name = format!("{}: {}", alarm.place_name, labels::kind(record.key.kind));
    let described = if refused.is_some() { format!("{fault} {help}") } else { help.clone() };
    html! {
        form class="answer" method="post" action={ "/site/" (view.id) "/alarms/answer" } aria-label={ "Answer to " (name) } {
            (named(alarm, visitor))
            (buttons(alarm))
            details open[refused.is_some()] {
                summary { @if record.state.is_hidden() { "Add a note" } @else { "Pause, or add a note" } }
                label for=(note) { "A note for the others" }
                @if let Some(refused) = refused { p id=(fault) class="fault" { "The note was not saved: " (refused.why) "." } }
                textarea id=(note) name="note" rows="2" autocomplete="off" aria-describedby=(described)
                    aria-invalid=[refused.map(|_| "true")] {
                    "\n" @if let Some(refused) = refused { (refused.note) }
                }
                p id=(help) class="standing" {
                    "At most " (AlarmNote::TEXT_MAX) " characters. It is saved with the button you press. Enter no "
                    "child's name."
                }
                button class="quiet" type="submit" name="do" value="note" { "Save the note only" }
                @if !record.state.is_hidden() {
                    @for (word, label) in aside(record.key.kind) { button class="quiet" type="submit" name="do" value=(word) { (label) } }
                    p class="standing" {
                        @if record.key.kind.is_about_fish() {
                            "Only the person who looks after the fish pauses this, and only while somebody stays with them. "
                        }
                        "While it is paused, nobody is told. The trouble itself goes on."
                    }
                }
            }
        }
    }
}

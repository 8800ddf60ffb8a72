//! One alarm with what can be answered to it, for every page that shows alarms.

use maud::{Markup, html};

use super::access::Visitor;
use super::markup::item;
use super::reasons;
use crate::alarms::{AlarmNote, Finding, Kind, Priority, State};
use crate::garden::view::{AlarmView, SiteView};
use crate::model::Id;
use crate::text::labels;

/// An answer that was not taken: what was wrong with its note, and the note.
#[derive(Clone, Copy, Debug)]
pub(super) struct RefusedNote<'a> {
    pub(super) why: &'a str,
    pub(super) note: &'a str,
}

/// Notes of one occurrence that are shown, the newest.
pub(super) const NOTES_MAX: usize = 20;

/// For how long an alarm can be put aside: the form's word, and what the button says.
pub(super) const ASIDE: [(&str, &str); 4] = [
    ("aside-2h", "Put it aside for 2 hours"),
    ("aside-morning", "Put it aside until tomorrow, 7 am"),
    ("aside-day", "Put it aside for a day"),
    ("aside-week", "Put it aside for a week"),
];

/// The same for an alarm about fish, which cannot wait longer.
const ASIDE_FISH: [(&str, &str); 1] = [ASIDE[0]];

/// The times for which an alarm of a kind can be put aside.
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
    html! { p class="standing" { "Older notes are not shown here; trug alarms lists all of them." } }
}

/// The last `most` of a list.
pub(super) fn last<T>(list: &[T], most: usize) -> &[T] {
    &list[list.len().saturating_sub(most)..]
}

/// How urgent an alarm is, in words.
pub(super) fn urgency(priority: Priority) -> Markup {
    html! { span class={ "urgency " (priority.name()) } { (labels::priority(priority)) } }
}

/// One alarm: how urgent, since when, what it says, why, its notes, and the buttons for
/// visitors who may answer.
pub(super) fn card(
    alarm: &AlarmView,
    view: &SiteView,
    visitor: &Visitor,
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
                    "Until " (moment(until)) ". " (labels::state(record.state))
                } @else if record.state == State::ReturnedUnacknowledged {
                    "From " (moment(record.since)) " to " (moment(record.at)) ". " (labels::state(record.state))
                } @else {
                    (urgency(alarm.priority)) " Since " (moment(record.since)) ". " (labels::state(record.state))
                }
            }
            p { (record.said.text) }
            @let shown = last(notes, NOTES_MAX);
            @if shown.len() < notes.len() { (older_notes()) }
            @for note in shown { (self::note(note, view)) }
            details {
                summary { "Why" }
                @if !record.said.values.is_empty() {
                    dl {
                        @for (name, number) in &record.said.values {
                            @let (name, number) = labels::named_value(name, *number);
                            (item(&name, number))
                        }
                    }
                }
                (reasons::steps(&record.said.why))
                p { "By the rule of: " (record.said.source) }
                p { "Name for commands: " code { (record.key.kind.name()) "/" (record.key.place) } }
            }
            @if visitor.may_change { (answers(alarm, view, visitor, refused)) }
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
            (visitor.form_field())
            input type="hidden" name="kind" value=(record.key.kind.name());
            input type="hidden" name="place" value=(record.key.place);
            input type="hidden" name="since" value=(record.since);
            @if record.state.waits() {
                @let words = if record.state.is_active() { "I am taking this on" } else { "I have seen this" };
                @if record.key.kind.asks_found() {
                    @for found in Finding::ALL {
                        button type="submit" name="do" value={ "found-" (found.name()) } { (found.words()) }
                    }
                }
                button type="submit" name="do" value="seen" { (words) }
            } @else if record.state == State::LatchedAcknowledged {
                button type="submit" name="do" value="reset" { "All is well: it is over" }
            } @else if record.state == State::Shelved {
                button type="submit" name="do" value="back" { "Take it up again" }
            }
            details open[refused.is_some()] {
                summary { @if record.state.is_hidden() { "Write a note" } @else { "Put it aside, or write a note" } }
                label for=(note) { "A note for the others, if you like" }
                @if let Some(refused) = refused { p id=(fault) class="fault" { "The note was not taken: " (refused.why) "." } }
                textarea id=(note) name="note" rows="2" autocomplete="off" aria-describedby=(described)
                    aria-invalid=[refused.map(|_| "true")] {
                    "\n" @if let Some(refused) = refused { (refused.note) }
                }
                p id=(help) class="standing" {
                    "At most " (AlarmNote::TEXT_MAX) " characters; it goes with whichever button you press. Write no "
                    "names of children."
                }
                @if !record.state.is_hidden() {
                    @for (word, label) in aside(record.key.kind) { button class="quiet" type="submit" name="do" value=(word) { (label) } }
                    p class="standing" {
                        @if record.key.kind.is_about_fish() {
                            "Only whoever answers for the fish may put this aside, and only while somebody is with them. "
                        }
                        "Nobody is told of it while it is put aside. What it is about goes on."
                    }
                }
                button class="quiet" type="submit" name="do" value="note" { "Only keep the note" }
            }
        }
    }
}

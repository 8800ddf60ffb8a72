//! Questions for the class, alarms, and what people wrote down.

use maud::{Markup, html};

use super::{GridColumn, grid};
use crate::analysis::month::Month;
use crate::garden::log::LogEntry;
use crate::report::{Contents, words};

pub(super) fn questions(month: &Month) -> Markup {
    html! {
        @if month.questions.is_empty() {
            p { "This month holds too little to ask of it." }
        } @else {
            ol class="questions" {
                @for it in &month.questions {
                    li {
                        p { strong { (it.ask) } }
                        p { "Look at: " (it.look_at) }
                        p { "To begin: " (it.begin) }
                    }
                }
            }
        }
        div class="care" {
            h3 { "Before you go out and measure" }
            ul {
                li { "Your school's rules come first." }
                li { "Wash your hands after soil, mulch or tank water. Keep cuts covered." }
                li { "Wet mulch and potting mix before you move them and do not breathe their dust; an adult opens the bags." }
                li { "Water tests come with chemicals: an adult does them, with glasses and gloves, and away from the tank." }
                li { "Fish are not part of an experiment: nobody changes their water or its temperature to see what happens." }
                li { "Hat, sunscreen, water to drink." }
            }
        }
    }
}

pub(super) fn section(contents: &Contents<'_>) -> Markup {
    let month = contents.month;
    let zone = &month.time_zone;
    let alarms = grid(
        "Alarms that were raised",
        &month.alarms,
        &[
            ("When", &|(at, ..)| words::moment(*at, zone)),
            ("What was wrong", &|(_, kind, _)| kind.clone()),
            ("Where", &|(.., place)| place.clone()),
        ],
    );
    let columns: [GridColumn<'_, LogEntry>; 4] = [
        ("When", &|entry| words::moment(entry.at, zone)),
        ("Where", &|entry| words::log_place(month, entry.place.as_ref())),
        ("What", &|entry| entry.what.words()),
        ("Note", &|entry| crate::text::labels::shown(&entry.note, 2000)),
    ];
    let columns = if contents.notes { &columns[..] } else { &columns[..3] };
    html! {
        h3 { "Alarms" }
        @if month.alarms.is_empty() { p { "No alarm was raised." } } @else { (alarms) }
        h3 { "Log" }
        p class="caution" {
            @if contents.notes {
                strong { "Before you pass this on: " }
                "the notes are the words of whoever wrote them. Read them, and leave them out (--without-notes) where "
                "they name or hurt a person."
            } @else {
                "People's notes are left out."
            }
        }
        @if month.log.is_empty() {
            p { "Nobody wrote anything down." }
        } @else {
            (grid("What people saw and did", &month.log, columns))
        }
    }
}

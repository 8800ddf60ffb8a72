//! Questions for the class, alarms, and what people wrote down.

use maud::{Markup, html};

use super::{GridColumn, Within, grid};
use crate::analysis::month::Month;
use crate::garden::log::LogEntry;
use crate::report::pages::{FiguresPart, ReportPage};
use crate::report::{Contents, words};

/// Alarms and entries that the first page shows.
const SHOWN: usize = 12;

/// The last `most`.
fn newest<T>(all: &[T], most: usize) -> &[T] {
    &all[all.len().saturating_sub(most)..]
}

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
            h4 { "Before you go out and measure" }
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

/// The newest alarms and entries; all of them stand with the figures.
pub(super) fn short(contents: &Contents<'_>, within: Within<'_>) -> Markup {
    let month = contents.month;
    html! {
        (listed(contents, SHOWN))
        @if month.alarms.len().max(month.log.len()) > SHOWN {
            p { a href=(within.to(ReportPage::Figures(FiguresPart::Alarms))) { "All alarms and entries of the month" } }
        }
    }
}

/// All of them.
pub(super) fn section(contents: &Contents<'_>) -> Markup {
    listed(contents, usize::MAX)
}

/// The newest `most` alarms and entries.
fn listed(contents: &Contents<'_>, most: usize) -> Markup {
    let month = contents.month;
    let zone = &month.time_zone;
    let alarms = grid(
        "Alarms of the month",
        newest(&month.alarms, most),
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
    // On its own page the part stands right below a heading of the second level.
    let heading = |text: &str| html! { @if most == usize::MAX { h3 { (text) } } @else { h4 { (text) } } };
    html! {
        (heading("Alarms"))
        @if month.alarms.is_empty() { p { "There was no alarm." } } @else { (alarms) }
        (heading("Garden log"))
        p class="caution" {
            @if contents.notes {
                strong { "Before you pass this on: " }
                "the notes are people's own words. Read them. Leave them out (--without-notes) where they name or hurt a "
                "person."
            } @else {
                "People's notes are left out."
            }
        }
        @if month.log.is_empty() {
            p { "There is no entry of this month." }
        } @else {
            (grid("What people saw and did", newest(&month.log, most), columns))
        }
    }
}

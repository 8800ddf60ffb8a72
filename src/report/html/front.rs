//! The first page: the lesson, what to do next, and the month folded below.

use maud::{Markup, html};

use super::{Within, compared, fact, made, measured, not_over, tanks, told, water};
use crate::analysis::month::{ActionKind, BedMonth, Month};
use crate::report::lesson::{Lesson, lesson};
use crate::report::level::Level;
use crate::report::pages::{FiguresPart, ReportPage};
use crate::report::{Contents, words};

/// Beds of which the month in short tells.
const BEDS_MOST: usize = 8;

/// A folded part: its id, its heading, what is in it.
type Part = (&'static str, &'static str, Markup);

pub(super) fn body(contents: &Contents<'_>, level: Level, within: Within<'_>) -> Markup {
    let month = contents.month;
    let parts: [Part; 10] = [
        ("rain", "Rain", water::rain(month)),
        ("beds", "Water in the beds", water::beds(month)),
        ("bands", "Dry, moist and wet days", water::bands(month)),
        ("balance", "Water needed and got", water::balance(month)),
        ("tanks", "Tanks", tanks::section(month)),
        ("compared", "Two beds beside each other", compared::section(month, level, within)),
        ("questions", "More questions", told::questions(month)),
        ("alarms", "Alarms and Garden log", told::short(contents, within)),
        ("words", "Words and units", made::glossary()),
        ("teacher", "For the teacher", teacher(contents, within)),
    ];
    html! {
        (not_over(month))
        (asked(&lesson(month, level), within))
        (next(month))
        (glance(month))
        section class="parts" {
            h2 { "The whole month" }
            @for (id, name, part) in &parts {
                details class="part" id=(id) { summary { h3 { (name) } } (part) }
            }
        }
    }
}

/// One picture, one question, a guess, and then the answer.
fn asked(it: &Lesson<'_>, within: Within<'_>) -> Markup {
    let words = &it.words;
    html! {
        section class="lesson" id="lesson" {
            nav class="levels" aria-label="For whom" {
                ul {
                    @for level in Level::ALL {
                        li {
                            a href=(within.to(ReportPage::Lesson(level))) aria-current=[(level == it.level).then_some("page")] {
                                (level.words())
                            }
                        }
                    }
                }
            }
            h2 { (words.ask) }
            (it.picture("asked", false))
            p class="guess" { strong { "First guess. " } (words.guess) }
            @if !words.choices.is_empty() { ul class="guesses" { @for choice in &words.choices { li { (choice) } } } }
            details class="reveal" {
                summary { "Show what happened" }
                (it.picture("answered", true))
                p class="says" { (words.answer) }
                p { strong { "Why? " } (words.because) }
                p { strong { "Now think. " } (words.think) }
            }
            p class="to-print" {
                a href=(within.to(ReportPage::Worksheet(it.level))) { "Worksheet to print: ten rows and empty axes" }
            }
        }
    }
}

/// The one thing to do.
fn next(month: &Month) -> Markup {
    let action = &month.action;
    let heading = match action.kind {
        ActionKind::NothingToChange | ActionKind::Wait => "What to do now: nothing to change",
        _ => "What to do now",
    };
    html! {
        section class="next" id="next" {
            h2 { (heading) }
            @for (step, at) in action.steps.iter().zip(0_u32..) {
                p { @if at == 0 { strong { (step) } } @else { (step) } }
            }
            p { (action.why) }
        }
    }
}

/// The month in short.
fn glance(month: &Month) -> Markup {
    // Of many beds those that were dry most often.
    let mut beds: Vec<&BedMonth> = month.beds.iter().collect();
    if beds.len() > BEDS_MOST {
        beds.sort_by_key(|bed| std::cmp::Reverse(bed.dry_days()));
        beds.truncate(BEDS_MOST);
    }
    let dry: Vec<String> = beds
        .iter()
        .map(|bed| match bed.known_days() {
            0 => format!("{}: {}", bed.name, words::NOT_KNOWN),
            known => format!(
                "{}: {} of {}",
                bed.name,
                bed.dry_days(),
                words::counted(known, "known day", "known days")
            ),
        })
        .collect();
    let harvest = month.harvest_kg();
    html! {
        section class="glance" {
            h2 { "In short" }
            dl {
                (fact("Rain", &water::rain_in_short(month)))
                @if !dry.is_empty() { (fact("Dry days", &dry.join("; "))) }
                @for tank in &month.tanks { (fact(&tank.name, &tanks::in_short(tank))) }
                @if harvest > 0.0 { (fact("Harvest", &format!("{} kg", words::number(harvest, 1)))) }
                @if let Some(it) = month.comparisons.iter().find(|it| it.outcome.is_ok()) { (fact("Compared", &it.plain)) }
                (fact("Readings", &measured::in_short(month)))
            }
        }
    }
}

/// What a class does not need: figures behind the pictures, and how all was made.
fn teacher(contents: &Contents<'_>, within: Within<'_>) -> Markup {
    let month = contents.month;
    html! {
        ul class="onward" {
            li { a href=(within.to(ReportPage::Answers)) { "Answers for the teacher" } }
            li { a href=(within.to(ReportPage::Figures(FiguresPart::Measured))) { "Every chart and table of the month" } }
            @for (name, what) in super::links() { li { a href=(within.to_file(name)) { (what) } } }
        }
        h4 { "What was measured, and how well" }
        @if month.sensors.is_empty() { p { "This garden has no sensors in its file." } }
        p { "How complete each day is, how many readings of each sensor are good, and its longest gap: "
            a href=(within.to(ReportPage::Figures(FiguresPart::Measured))) { "picture and table" } "." }
        @if !month.comparisons.is_empty() {
            h4 { "The comparisons in figures" }
            (compared::in_figures(month))
            p { "What the figures do and do not show: " a href=(within.to(ReportPage::Figures(FiguresPart::Compared))) { "each comparison" } "." }
        }
        h4 { "How this was made" }
        (made::section(contents))
    }
}

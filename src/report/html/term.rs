//! A term or a year, in the form of the month: one picture and one question, a guess, the answer,
//! and the figures below.

use maud::{Markup, html};

use super::pictures::{BandDays, band_days};
use super::{GridColumn, by_itself, fact, grid};
use crate::analysis::month::{Term, TermBed, TermMonth, TermWater};
use crate::chart::svg::short;
use crate::report::drawing::{SIDE, WIDTH, drawing};
use crate::report::level::Level;
use crate::report::pages::ReportPage;
use crate::report::term::{TERM_SPREADSHEET, TermContents, needed_beside_given_l, needed_mm, saved_l, title};
use crate::report::{DICTIONARY, words};
use crate::text::spoken;

/// Where the page of a term stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TermWithin<'a> {
    /// By itself, in a folder whose first page is of this level.
    Nothing(Level),
    /// In the garden's page: its address, and what is asked for besides the level, such as
    /// `&from=2026-04-28&to=2026-07-03`.
    Page { base: &'a str, more: &'a str },
}

impl TermWithin<'_> {
    fn to(self, level: Level) -> String {
        match self {
            Self::Nothing(front) => ReportPage::Lesson(level).file(front),
            Self::Page { base, more } => format!("{base}?level={}{more}", level.name()),
        }
    }

    fn to_file(self, name: &str) -> String {
        match self {
            Self::Nothing(_) => name.to_owned(),
            Self::Page { base, more: "" } => format!("{base}/{name}"),
            Self::Page { base, more } => format!("{base}/{name}?{}", more.trim_start_matches('&')),
        }
    }
}

/// The page by itself.
pub fn term_document(contents: &TermContents<'_>, level: Level) -> Markup {
    let term = contents.term;
    by_itself(
        &term.local,
        &format!("{}, {}", title(term), term.name),
        &html! {
            h1 { (title(term)) }
            p class="as-of" { (term.name) }
            (term_body(contents, level, TermWithin::Nothing(contents.level)))
        },
    )
}

/// Months or beds by their names, each with what is shown of it; `None` where it is not known.
type Rows = Vec<(String, Option<f64>)>;

/// What is asked of the months, or of the beds, for a level.
struct SideBySide {
    ask: &'static str,
    unit: &'static str,
    rows: Rows,
    /// "a month"
    one: &'static str,
    because: &'static str,
    think: &'static str,
}

impl SideBySide {
    /// A value with its unit.
    fn figure(&self, value: f64) -> String {
        match self.unit {
            "L" => spoken::litres(value),
            "mm" => format!("{} mm", words::number(value, 1)),
            _ => words::counted(value.round() as u32, "day", "days"),
        }
    }

    /// Rows of which something is known.
    fn known(&self) -> usize {
        self.rows.iter().filter(|(_, value)| value.is_some()).count()
    }
}

const THIRST: &str = "Plants drink more when it is sunny, warm, dry and windy, and when they are large.";
const DRYING: &str = "Soil gets dry when plants drink and the sun shines, and less water comes than goes.";

/// What is asked: of the months where there are two to compare, else of the beds.
fn asked(term: &Term, level: Level) -> Option<SideBySide> {
    let months = of_months(term, level);
    let two = |it: &&SideBySide| it.known() >= 2;
    let at = months.iter().position(|it| two(&it));
    if let Some(at) = at {
        return months.into_iter().nth(at);
    }
    of_beds(term).into_iter().find(|it| two(&it)).or_else(|| months.into_iter().find(|it| it.known() > 0))
}

fn of_months(term: &Term, level: Level) -> Vec<SideBySide> {
    let rows = |value: &dyn Fn(&TermMonth) -> Option<f64>| -> Rows {
        term.months.iter().map(|month| (words::month_name(month.which), value(month))).collect()
    };
    let one = "a month";
    let rain = || SideBySide {
        ask: "Which month had the most rain?",
        unit: "mm",
        rows: rows(&|month| month.rain_mm),
        one,
        because: "The rain gauge catches the rain and counts it, day and night.",
        think: "In which month did you wear a raincoat most often?",
    };
    let needed = || SideBySide {
        ask: "In which month did the beds need the most water besides the rain?",
        unit: "L",
        rows: rows(&|month| month.litres(&term.beds, needed_mm)),
        one,
        because: THIRST,
        think: "What was the weather like in that month? What grew in the beds?",
    };
    let beyond = || SideBySide {
        ask: "In which month was the most water given beyond the need?",
        unit: "L",
        rows: rows(&|month| {
            let given = month.litres(&term.beds, |water| water.given_mm)?;
            let wanted = month.litres(&term.beds, |water| water.given_mm.and_then(|_| needed_mm(water)))?;
            Some((given - wanted).max(0.0))
        }),
        one,
        because: "Water beyond the need runs through below the roots. A timer that is never changed gives the same in \
                  cool weeks as in hot ones.",
        think: "How would the timer have to be set in each month?",
    };
    let dry = || SideBySide {
        ask: "In which month were the beds dry on the most days?",
        unit: "days",
        rows: rows(&|month| month.dry_days().map(f64::from)),
        one,
        because: DRYING,
        think: "What could the garden do before the next such month?",
    };
    match level {
        Level::SevenToNine => vec![rain(), dry(), needed()],
        Level::TenToTwelve => vec![needed(), dry(), rain()],
        Level::Older => vec![beyond(), dry(), needed(), rain()],
    }
}

/// Within one month there are only its beds to compare.
fn of_beds(term: &Term) -> [SideBySide; 2] {
    let rows = |value: &dyn Fn(&TermBed) -> Option<f64>| -> Rows {
        term.beds.iter().map(|bed| (bed.name.clone(), value(bed))).collect()
    };
    let is_known = |bed: &&TermBed| bed.figures.bands.iter().any(|(_, days)| *days > 0);
    [
        SideBySide {
            ask: "Which bed needed the most water besides the rain?",
            unit: "L",
            rows: rows(&|bed| needed_mm(&bed.figures.water).map(|mm| mm * bed.area_m2)),
            one: "a bed",
            because: THIRST,
            think: "How large is each bed? What grows in it?",
        },
        SideBySide {
            ask: "Which bed was dry on the most days?",
            unit: "days",
            rows: rows(&|bed| Some(bed).filter(is_known).map(|bed| f64::from(bed.figures.dry_days()))),
            one: "a bed",
            because: DRYING,
            think: "What could the garden do for that bed?",
        },
    ]
}

/// A bar for each row; with the question only their names.
fn bars(it: &SideBySide, id: &str, answered: bool) -> Markup {
    const ROW: f64 = 44.0;
    let most = it.rows.iter().filter_map(|(_, value)| *value).fold(0.0, f64::max).max(1e-9);
    let figure =
        |value: Option<f64>| value.map_or_else(|| words::NOT_KNOWN.to_owned(), |value| it.figure(value));
    let inside = html! {
        @for ((name, value), row) in it.rows.iter().zip(0_u32..) {
            @let top = f64::from(row) * ROW;
            @let width = value.map_or(0.0, |value| (WIDTH - 2.0 * SIDE - 90.0) * (value / most).clamp(0.0, 1.0));
            text x=(short(SIDE)) y=(short(top + 14.0)) { (name) }
            @if answered {
                rect class="bar" x=(short(SIDE)) y=(short(top + 19.0)) width=(short(width)) height="15" {}
                text x=(short(SIDE + width + 5.0)) y=(short(top + 31.0)) { (figure(*value)) }
            } @else {
                rect class="bar-hollow" x=(short(SIDE)) y=(short(top + 19.0)) width="24" height="15" {}
                text x=(short(SIDE + 32.0)) y=(short(top + 31.0)) { "?" }
            }
        }
    };
    let description = if answered {
        let each = |(name, value): &(String, Option<f64>)| format!("{name}: {}", figure(*value));
        it.rows.iter().map(each).collect::<Vec<_>>().join("; ") + "."
    } else {
        format!("A row for each {}. The bars are not shown yet.", it.one.trim_start_matches("a "))
    };
    let title = format!("The {}s side by side", it.one.trim_start_matches("a "));
    drawing(id, it.rows.len() as f64 * ROW + 4.0, &title, &description, &inside, "")
}

/// Everything below the heading.
pub fn term_body(contents: &TermContents<'_>, level: Level, within: TermWithin<'_>) -> Markup {
    let term = contents.term;
    html! {
        @if let Some(until) = term.until {
            p class="notice" role="note" {
                "This time is not over. Everything here is up to " (words::full_moment(until, &term.time_zone)) "."
            }
        }
        section class="lesson" id="lesson" {
            nav class="levels" aria-label="For whom" {
                ul {
                    @for of in Level::ALL {
                        li { a href=(within.to(of)) aria-current=[(of == level).then_some("page")] { (of.words()) } }
                    }
                }
            }
            @match asked(term, level) {
                None => {
                    h2 { "What will these months show?" }
                    p class="guess" { strong { "First guess. " } "Nothing of them is measured yet. Keep your guess." }
                }
                Some(it) => (question(&it)),
            }
        }
        section class="glance" { h2 { "In short" } dl { (in_short(term)) } }
        section {
            h2 { "Months side by side" }
            (months(term))
        }
        section {
            h2 { "Beds" }
            @if term.beds.is_empty() { p { "This garden has no beds in its file." } } @else { (beds(term)) }
        }
        section class="parts" {
            details class="part" id="bands" {
                summary { h3 { "Dry, moist and wet days" } }
                @let rows: Vec<BandDays<'_>> = term.beds.iter().map(|bed| {
                    (bed.name.as_str(), bed.figures.bands, bed.figures.water.days as usize)
                }).collect();
                @if !rows.is_empty() { (band_days(&rows)) }
            }
            details class="part" id="teacher" {
                summary { h3 { "For the teacher" } }
                ul class="onward" {
                    li { a href=(within.to_file(TERM_SPREADSHEET)) { "The spreadsheet" } }
                    li { a href=(within.to_file(DICTIONARY)) { "What the columns mean" } }
                }
                p {
                    "Needed: by weather and crop (FAO-56), less the rain. Given: by Garden log, water meter or the timer's "
                    "program; a probe cannot tell litres. Both are sums of the days on which all of that is known. Saved: "
                    "what the timer gave less than by its program of the first day."
                }
                p { "Made by trug " (contents.version) ": " code { (contents.command) } }
            }
        }
    }
}

fn question(it: &SideBySide) -> Markup {
    let most = it.rows.iter().filter_map(|(name, value)| Some((name, (*value)?)));
    let most = most.max_by(|a, b| a.1.total_cmp(&b.1));
    html! {
        h2 { (it.ask) }
        (bars(it, "asked", false))
        p class="guess" { strong { "First guess. " } "Point at " (it.one) ", and say why." }
        details class="reveal" {
            summary { "Show what happened" }
            (bars(it, "answered", true))
            @if let Some((name, value)) = most {
                p class="says" { (name) ": " (it.figure(value)) "." }
            }
            p { strong { "Why? " } (it.because) }
            p { strong { "Now think. " } (it.think) }
        }
    }
}

/// Litres of a bed, where its millimetres are known.
fn litres(bed: &TermBed, mm: Option<f64>) -> String {
    mm.map_or_else(|| words::NOT_KNOWN.to_owned(), |mm| spoken::litres(mm * bed.area_m2))
}

fn in_short(term: &Term) -> Markup {
    // Given and needed are put beside each other, so they are of the same beds.
    let given_known = term.beds.iter().filter(|bed| bed.figures.water.given_mm.is_some()).count();
    let counts = |water: &TermWater| given_known == 0 || water.given_mm.is_some();
    let sum = |mm: fn(&TermWater) -> Option<f64>| {
        let own = term.beds.iter().filter(|bed| counts(&bed.figures.water));
        let known = own.filter_map(|bed| Some(mm(&bed.figures.water)? * bed.area_m2));
        known.fold(None, |sum: Option<f64>, litres| Some(sum.unwrap_or(0.0) + litres))
    };
    let of = if given_known == 0 || given_known == term.beds.len() {
        String::new()
    } else {
        let beds = term.beds.len();
        format!(", of {given_known} of {beds} beds; of the others the litres are not known")
    };
    let all = |litres: Option<f64>| match litres {
        Some(litres) => format!("{}{of}", spoken::litres(litres)),
        None => words::NOT_KNOWN.to_owned(),
    };
    let saved: Vec<f64> = term.beds.iter().filter_map(|bed| saved_l(&bed.figures.water)).collect();
    let saved = if saved.is_empty() { "no timer was changed".to_owned() } else { timer(saved.iter().sum()) };
    let harvest: f64 = term.months.iter().map(|month| month.harvest_kg).sum();
    html! {
        (fact("Water given", &all(sum(|water| water.given_mm))))
        (fact("Water needed besides the rain", &all(sum(needed_mm))))
        (fact("Water saved", &saved))
        (fact("Harvest", &kilograms(harvest)))
    }
}

/// What a timer's change saved, in words.
fn timer(saved_l: f64) -> String {
    if saved_l >= 0.0 { spoken::litres(saved_l) } else { format!("none: {} more", spoken::litres(-saved_l)) }
}

/// What the Garden log has of the harvest.
fn kilograms(kg: f64) -> String {
    if kg > 0.0 { format!("{} kg", words::number(kg, 1)) } else { "none entered".to_owned() }
}

fn months(term: &Term) -> Markup {
    let all = |litres: Option<f64>| litres.map_or_else(|| words::NOT_KNOWN.to_owned(), spoken::litres);
    let rain = |month: &TermMonth| {
        let least = if month.rain_unknown > 0 && month.rain_mm.is_some() { "at least " } else { "" };
        format!("{least}{}", words::known(month.rain_mm, 1, " mm"))
    };
    let dry = |month: &TermMonth| {
        month.dry_days().map_or_else(|| words::NOT_KNOWN.to_owned(), |days| days.to_string())
    };
    let columns: [GridColumn<'_, TermMonth>; 6] = [
        ("Month", &|month| words::month_name(month.which)),
        ("Rain", &rain),
        ("Given", &|month| all(month.litres(&term.beds, |water| water.given_mm))),
        ("Needed besides the rain", &|month| all(needed_beside_given_l(month, &term.beds))),
        ("Dry days of all beds", &dry),
        ("Harvest", &|month| kilograms(month.harvest_kg)),
    ];
    html! {
        (grid("All beds together", &term.months, &columns))
        p { "Given and needed are of the same beds: those whose litres are known in that month." }
    }
}

fn beds(term: &Term) -> Markup {
    let days = |bed: &TermBed| {
        let [very, dry, moist, wet] = bed.figures.bands.map(|band| band.1);
        format!("{} dry, {moist} moist, {wet} wet", very + dry)
    };
    let saved = |bed: &TermBed| saved_l(&bed.figures.water).map_or_else(|| "no change".to_owned(), timer);
    let why = |bed: &TermBed| bed.figures.water.unknown.clone().unwrap_or_default();
    let columns: [GridColumn<'_, TermBed>; 7] = [
        ("Bed", &|bed| bed.name.clone()),
        ("Given", &|bed| litres(bed, bed.figures.water.given_mm)),
        ("Needed besides the rain", &|bed| litres(bed, needed_mm(&bed.figures.water))),
        ("Saved by the timer", &saved),
        ("Known days", &days),
        ("Harvest", &|bed| kilograms(bed.figures.harvest_kg)),
        ("Why not known", &why),
    ];
    grid("Each bed over the whole time", &term.beds, &columns)
}

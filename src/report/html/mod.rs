//! The month as a page for people: by itself, or inside the garden's own page.

mod compared;
mod made;
mod measured;
mod pictures;
mod tanks;
mod told;
mod water;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{Contents, DICTIONARY, PAGE, SPREADSHEET, words};
use crate::analysis::month::Month;
use crate::chart::Chart;

/// The style of the page by itself: the garden page's own.
pub fn style() -> String {
    [include_str!("../../page/style.css"), crate::chart::STYLE].concat()
}

/// Where a page stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Within {
    /// By itself, without script.
    Nothing,
    /// In the garden's page, whose script shows the figure under the pointer.
    Page,
}

/// The page by itself: nothing of it comes from elsewhere, and it needs no script.
pub fn document(contents: &Contents<'_>) -> Markup {
    let month = contents.month;
    html! {
        (DOCTYPE)
        html lang="en-AU" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title(month)) ", " (month.name) }
                style { (PreEscaped(style())) }
                link rel="icon" href="data:,";
            }
            body {
                main {
                    (head(month))
                    (body(contents, Within::Nothing))
                }
            }
        }
    }
}

/// "The garden in April 2026".
pub fn title(month: &Month) -> String {
    format!("The garden in {}", words::month_name(month.which))
}

/// Heading, and what the whole is.
fn head(month: &Month) -> Markup {
    html! {
        h1 { (title(month)) }
        p class="as-of" { (month.name) }
        p {
            "A month of the garden for a class to work with. The spreadsheet " a href=(SPREADSHEET) { (SPREADSHEET) }
            " and the CSV files in the same folder hold the figures; " a href=(DICTIONARY) { (DICTIONARY) }
            " says what each column means."
        }
    }
}

/// Everything below the heading.
pub fn body(contents: &Contents<'_>, within: Within) -> Markup {
    let month = contents.month;
    let sections: [(&str, &str, Markup); 12] = [
        ("measured", "What was measured, and how well", measured::section(month)),
        ("rain", "Rain", water::rain(month, within)),
        ("beds", "Water in the beds", water::beds(month, within)),
        ("drying", "How the beds dried", water::drying(month)),
        ("bands", "Days in each band", water::bands(month)),
        ("balance", "Water needed, water got", water::balance(month)),
        ("tanks", "Tanks", tanks::section(month, within)),
        ("compared", "Two beds beside each other", compared::section(month)),
        ("questions", "Questions to work on", told::questions(month)),
        ("alarms", "Alarms and log", told::section(contents)),
        ("words", "Words and units", made::glossary()),
        ("made", "How this was made", made::section(contents)),
    ];
    html! {
        @if let Some(until) = month.until {
            p class="notice" role="note" {
                "This month is not over. Everything here is up to " (words::full_moment(until, &month.time_zone)) "."
            }
        }
        (glance(month))
        nav class="contents" aria-label="Parts of this report" {
            ol { @for (id, name, _) in &sections { li { a href={ "#" (id) } { (name) } } } }
        }
        @for (id, name, section) in &sections {
            section id=(id) { h2 { (name) } (section) }
        }
    }
}

/// The month in short.
fn glance(month: &Month) -> Markup {
    let (good, expected) = month
        .sensors
        .iter()
        .fold((0_u64, 0_u64), |(good, all), it| (good + u64::from(it.good), all + u64::from(it.expected)));
    let dry: Vec<String> = month
        .beds
        .iter()
        .map(|bed| {
            let days: u32 = bed
                .days_in_bands()
                .iter()
                .filter(|(band, _)| *band <= crate::analysis::month::WaterBand::Dry)
                .map(|(_, days)| days)
                .sum();
            let known = bed.days.iter().filter(|day| day.band.is_some()).count();
            if known == 0 {
                return format!("{}: {}", bed.name, words::NOT_KNOWN);
            }
            format!("{}: {days} of {} known", bed.name, words::counted(known, "day", "days"))
        })
        .collect();
    html! {
        section class="glance" {
            h2 { "In short" }
            dl {
                (fact("Good readings", &match expected {
                    0 => words::NOT_KNOWN.to_owned(),
                    _ => format!(
                        "{good} of {expected} expected ({} %)",
                        words::number((good as f64 / expected as f64).min(1.0) * 100.0, 1)
                    ),
                }))
                (fact("Rain", &water::rain_in_short(month)))
                @if !dry.is_empty() { (fact("Days below the refill point", &dry.join("; "))) }
                @for tank in &month.tanks { (fact(&tank.name, &tanks::in_short(tank))) }
                @if let Some(it) = month.comparisons.first() { (fact("Two beds beside each other", &it.says)) }
            }
        }
    }
}

fn fact(name: &str, value: &str) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}

/// A column of a table: its heading, and its cell of a row.
type GridColumn<'a, R> = (&'a str, &'a dyn Fn(&R) -> String);

/// A table whose rows become small blocks on a phone. The first cell of a row names it.
fn grid<R>(caption: &str, rows: &[R], columns: &[GridColumn<'_, R>]) -> Markup {
    html! {
        table class={ "stacks figures-table" @if rows.len() <= 14 { " short" } } {
            caption { (caption) }
            thead { tr { @for (head, _) in columns { th scope="col" { (head) } } } }
            tbody {
                @for row in rows {
                    tr {
                        @for (at, (head, cell)) in columns.iter().enumerate() {
                            @let cell = cell(row);
                            @if at == 0 {
                                th scope="row" { (cell) }
                            } @else {
                                td data-label=(head) class=[is_number(&cell).then_some("n")] { (cell) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The same, folded away: what a picture shows, or what is long.
fn folded<R>(summary: &str, rows: &[R], columns: &[GridColumn<'_, R>]) -> Markup {
    html! { details { summary { (summary) } (grid(summary, rows, columns)) } }
}

fn is_number(cell: &str) -> bool {
    cell.starts_with(|c: char| c.is_ascii_digit() || c == '-') && !cell.contains(|c: char| c.is_alphabetic())
}

/// A chart over time.
fn chart(chart: &Chart, within: Within) -> Markup {
    let drawn = match within {
        Within::Nothing => chart.draw_alone(),
        Within::Page => chart.draw(),
    };
    html! { (drawn) (chart.table()) }
}

/// Names of the files beside the page.
pub fn links() -> [(&'static str, &'static str); 3] {
    [
        (PAGE, "The report by itself, to keep or to print"),
        (SPREADSHEET, "The spreadsheet"),
        (DICTIONARY, "What the columns mean"),
    ]
}

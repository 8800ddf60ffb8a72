//! The month as pages for people: by themselves, or inside the garden's own page.

mod answers;
mod compared;
mod days;
mod figures;
mod front;
mod made;
mod measured;
mod pictures;
mod style;
mod tanks;
mod term;
mod told;
mod water;
mod worksheet;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::level::Level;
use super::pages::{FiguresPart, ReportPage};
use super::{Contents, DICTIONARY, SPREADSHEET, words};
use crate::analysis::month::Month;
use crate::chart::Chart;
use crate::text::locale::LocalText;

/// The style of the class month, for the page and for the report.
pub const STYLE: &str = include_str!("lesson.css");

/// The style of the page by itself: the garden page's own.
pub fn style() -> String {
    packed(&[include_str!("../../page/style.css"), crate::chart::STYLE, STYLE].concat())
}

/// Where a page stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Within<'a> {
    /// By itself, without script, in a folder whose short names are of this level.
    Nothing(Level),
    /// In the garden's page, whose script shows the figure under the pointer: the month's own
    /// address, and what is asked for besides the level, such as `&notes=no`.
    Page { base: &'a str, more: &'a str },
}

impl Within<'_> {
    /// Where a page of the report is found.
    pub fn to(self, page: ReportPage) -> String {
        match (self, page) {
            (Self::Nothing(front), page) => page.file(front),
            (Self::Page { base, more }, ReportPage::Lesson(level)) => {
                format!("{base}?level={}{more}", level.name())
            }
            (Self::Page { base, more }, ReportPage::Worksheet(level)) => {
                format!("{base}/worksheet?level={}{more}", level.name())
            }
            (Self::Page { base, more }, ReportPage::Answers) => query(base, "answers", more),
            (Self::Page { base, more }, ReportPage::Figures(FiguresPart::Measured)) => {
                query(base, "figures", more)
            }
            (Self::Page { base, more }, ReportPage::Figures(part)) => {
                query(base, "figures", &format!("&part={}{more}", part.key()))
            }
        }
    }

    /// Where a file beside the pages is found.
    fn to_file(self, name: &str) -> String {
        match self {
            Self::Nothing(_) => name.to_owned(),
            Self::Page { base, more } => query(base, name, more),
        }
    }
}

fn query(base: &str, name: &str, more: &str) -> String {
    match more.strip_prefix('&') {
        Some(more) => format!("{base}/{name}?{more}"),
        None => format!("{base}/{name}"),
    }
}

/// A page by itself: nothing of it comes from elsewhere, and it needs no script.
pub fn document(contents: &Contents<'_>, page: ReportPage) -> Markup {
    let month = contents.month;
    let within = Within::Nothing(contents.level);
    by_itself(
        &month.local,
        &format!("{}, {}", page_title(month, page), month.name),
        &html! {
            h1 { (page_title(month, page)) }
            p class="as-of" { (month.name) }
            (body(contents, page, within))
        },
    )
}

/// A page by itself with the style of the report.
pub(super) fn by_itself(local: &LocalText, title: &str, main: &Markup) -> Markup {
    let page = html! {
        (DOCTYPE)
        html lang="en-AU" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(style())) }
                link rel="icon" href="data:,";
            }
            body { main { (main) } }
        }
    };
    PreEscaped(local.html(page.into_string()))
}

/// "The garden in April 2026".
pub fn title(month: &Month) -> String {
    format!("The garden in {}", words::month_name(month.which))
}

/// The heading of a page.
pub fn page_title(month: &Month, page: ReportPage) -> String {
    let name = words::month_name(month.which);
    match page {
        ReportPage::Lesson(_) => title(month),
        ReportPage::Worksheet(_) => format!("Worksheet, {name}"),
        ReportPage::Answers => format!("Answers for the teacher, {name}"),
        ReportPage::Figures(part) => format!("Every figure of {name}: {}", part.name()),
    }
}

/// Everything of a page below its heading.
pub fn body(contents: &Contents<'_>, page: ReportPage, within: Within<'_>) -> Markup {
    match page {
        ReportPage::Lesson(level) => front::body(contents, level, within),
        ReportPage::Worksheet(level) => worksheet::body(contents.month, level, within),
        ReportPage::Answers => answers::body(contents, within),
        ReportPage::Figures(part) => figures::body(contents, part, within),
    }
}

/// The way back from a page of its own.
fn back(within: Within<'_>, level: Level) -> Markup {
    html! { p class="way-back" { a href=(within.to(ReportPage::Lesson(level))) { "Back to the lesson" } } }
}

/// That the month is not over, and up to when it is known.
fn not_over(month: &Month) -> Markup {
    html! {
        @if let Some(until) = month.until {
            p class="notice" role="note" {
                "This month is not over. Everything here is up to " (words::full_moment(until, &month.time_zone)) "."
            }
        }
    }
}

fn fact(name: &str, value: &str) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}

/// A column of a table: its heading, and its cell of a row.
pub(super) type GridColumn<'a, R> = (&'a str, &'a dyn Fn(&R) -> String);

/// A table whose rows become small blocks on a phone. The first cell of a row names it.
pub(super) fn grid<R>(caption: &str, rows: &[R], columns: &[GridColumn<'_, R>]) -> Markup {
    html! {
        table class={ "stacks figures-table" @if rows.len() <= 14 { " short" } @if columns.len() > 7 { " many" } } {
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

/// A chart over time with its figures as a table.
fn chart(chart: &Chart, within: Within<'_>) -> Markup {
    let drawn = match within {
        Within::Nothing(_) => chart.draw_alone(),
        Within::Page { .. } => chart.draw(),
    };
    html! { (drawn) (chart.table()) }
}

/// How many readings were good, in a sentence.
pub(super) fn readings_in_short(month: &Month) -> String {
    measured::in_short(month)
}

pub use days::{DaysWithin, days_body, days_document};
pub use style::packed;
pub use term::{TermWithin, term_body, term_document};

/// Names of the files beside the pages.
pub fn links() -> [(&'static str, &'static str); 2] {
    [
        (SPREADSHEET, "The spreadsheet, with a summary to print on two pages"),
        (DICTIONARY, "What the columns mean"),
    ]
}

//! Every chart and table of the month: long, so each part is a page of its own.

use maud::{Markup, html};

use super::{Within, back, compared, measured, not_over, pictures, tanks, told, water};
use crate::report::Contents;
use crate::report::pages::{FiguresPart, ReportPage};

pub(super) fn body(contents: &Contents<'_>, shown: FiguresPart, within: Within<'_>) -> Markup {
    let month = contents.month;
    let parts = FiguresPart::all(month.beds.len());
    let after = parts.iter().skip_while(|part| **part != shown).nth(1).copied();
    let link = |part| within.to(ReportPage::Figures(part));
    html! {
        (back(within, contents.level))
        (not_over(month))
        nav class="contents" aria-label="Parts of the figures" {
            ol {
                @for part in &parts {
                    li {
                        @if *part == shown {
                            span aria-current="page" { (part.name()) }
                        } @else {
                            a href=(link(*part)) { (part.name()) }
                        }
                    }
                }
            }
        }
        section id=(shown.key()) { h2 { (shown.name()) } (section(contents, shown, within)) }
        @if let Some(after) = after { p { a href=(link(after)) { "Next: " (after.name()) } } }
    }
}

fn section(contents: &Contents<'_>, part: FiguresPart, within: Within<'_>) -> Markup {
    let month = contents.month;
    match part {
        FiguresPart::Measured => html! {
            (measured::garden(month))
            @if !month.sensors.is_empty() { (pictures::days_complete(month)) }
            (measured::sensors(month))
        },
        FiguresPart::Rain => water::rain_figures(month, within),
        FiguresPart::Beds(page) => water::bed_figures(month, FiguresPart::beds(page), within),
        FiguresPart::Drying => water::drying(month),
        FiguresPart::Bands => water::band_figures(month),
        FiguresPart::Balance => water::balance_figures(month),
        FiguresPart::Tanks => tanks::figures(month, within),
        FiguresPart::Compared => compared::statistics(month),
        FiguresPart::Alarms => told::section(contents),
    }
}

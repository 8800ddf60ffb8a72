//! A worksheet: one sheet of paper.

use maud::{Markup, html};

use super::{Within, back};
use crate::analysis::month::Month;
use crate::report::lesson::{lesson, pictures, ten_rows};
use crate::report::level::Level;

pub(super) fn body(month: &Month, level: Level, within: Within<'_>) -> Markup {
    let it = lesson(month, level);
    let rows = ten_rows(&it);
    html! {
        div class="worksheet" {
            (back(within, level))
            p class="line" { "Name:" }
            h2 { (it.words.ask) }
            p class="line" { "I think:" }
            p class="line" { "because:" }
            div class="halves" {
                table class="figures-table ten" {
                    caption { "Ten rows of the month" }
                    thead { tr { @for head in &rows.heads { th scope="col" { (head) } } } }
                    tbody {
                        @for row in &rows.rows {
                            tr {
                                @for (cell, at) in row.iter().zip(0_u32..) {
                                    @if at == 0 { th scope="row" { (cell) } } @else { td { (cell) } }
                                }
                            }
                        }
                    }
                }
                div {
                    ol class="steps" { @for step in &rows.steps { li { (step) } } }
                    (pictures::blank(&it, "blank", &rows.dates))
                }
            }
            p class="line" { "What I found:" }
            p class="line" { "What surprised me:" }
            p { strong { "Now think. " } (it.words.think) }
            p class="line" {}
        }
    }
}

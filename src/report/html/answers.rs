//! Answers for the teacher, on a page of their own.

use maud::{Markup, html};

use super::{Within, back};
use crate::report::Contents;
use crate::report::lesson::{lesson, ten_rows};
use crate::report::level::Level;
use crate::report::pages::ReportPage;

pub(super) fn body(contents: &Contents<'_>, within: Within<'_>) -> Markup {
    let month = contents.month;
    html! {
        (back(within, contents.level))
        p { "For whoever leads the lesson. A guess that was wrong and has a reason is worth more than one that was right by luck." }
        @for level in Level::ALL {
            @let it = lesson(month, level);
            section class="answers-of" {
                h2 { (level.words()) ": " (it.words.ask) }
                (it.picture(&format!("answer-{}", level.name()), true))
                p class="says" { (it.words.answer) }
                p { strong { "Why? " } (it.words.because) }
                p { strong { "Now think: " } (it.words.think) " " (it.words.teacher) }
                p {
                    strong { "Worksheet: " } (ten_rows(&it).answer) " "
                    a href=(within.to(ReportPage::Worksheet(level))) { "The sheet" }
                }
            }
        }
        section {
            h2 { "More questions" }
            @if month.questions.is_empty() { p { "This month holds too little to ask of it." } }
            ol class="questions" {
                @for it in &month.questions { li { p { strong { (it.ask) } } p { (it.answer) } } }
            }
        }
    }
}

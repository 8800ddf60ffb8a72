//! Figures and the reasons for them: the equation with its numbers put in, the
//! source and the check, behind a line that opens without script.

use maud::{Markup, html};

use super::markup::item;
use crate::garden::view::Figure;
use crate::why::Step;

/// The steps to a figure; nothing where there are none.
pub(super) fn steps(why: &[Step]) -> Markup {
    html! {
        @if !why.is_empty() {
            ol class="steps" {
                @for step in why {
                    li { (self::step(step)) }
                }
            }
        }
    }
}

/// The same behind a line that opens.
pub(super) fn why(why: &[Step]) -> Markup {
    html! { @if !why.is_empty() { details { summary { "Why" } (steps(why)) } } }
}

/// The figures of a place, each with its reasons. A step that stands above already is named
/// alone.
pub(super) fn figures(figures: &[Figure]) -> Markup {
    let mut shown: Vec<&Step> = Vec::new();
    html! {
        @if !figures.is_empty() {
            details class="figures" {
                summary { "Figures, and why" }
                dl {
                    @for figure in figures {
                        (item(&figure.name, html! {
                            (figure.value)
                            @if !figure.why.is_empty() {
                                details {
                                    summary { "Why" }
                                    ol class="steps" { @for it in &figure.why { li { (once(it, &mut shown)) } } }
                                }
                            }
                        }))
                    }
                }
            }
        }
    }
}

/// A step in full, unless it was shown.
fn once<'a>(step: &'a Step, shown: &mut Vec<&'a Step>) -> Markup {
    if shown.contains(&step) {
        return html! { p class="gives" { (step.gives) ", as above" } };
    }
    shown.push(step);
    self::step(step)
}

fn step(step: &Step) -> Markup {
    html! {
        p class="gives" { (step.gives) }
        p class="equation" { (step.form) }
        p class="numbers" { (step.with) }
        p class="source" { (step.source) "; " (step.check) "." }
    }
}

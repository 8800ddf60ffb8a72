//! `/site/ID/care`: all cautions on one page, and the ways to them from where work is told.

use maud::{Markup, html};

use super::PageSource;
use super::context::SitePage;
use super::problem::Problem;
use crate::alarms::Kind;
use crate::model::Id;
use crate::text::cautions::{self, Caution};

pub(super) async fn care<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, view) = (site.frame("/care"), &site.view);
    let body = html! {
        h1 { "Take care" }
        p { "The rules of your school, council and water supplier come first. So do licensed people in their trades." }
        p { "These are the usual cautions of school gardens and fish keeping. They are not all that can go wrong: look before you begin." }
        nav aria-label="Subjects" {
            ul class="subjects" {
                @for it in cautions::ALL { li { a href={ "#" (it.key) } { (it.title) } } }
            }
        }
        @for it in cautions::ALL {
            section class="care" id=(it.key) {
                h2 { (it.title) }
                ul { @for point in it.points { li { (point) } } }
                p class="caution" { (it.rules) }
            }
        }
    };
    Ok(frame.still(&format!("Take care at {}", view.name), &body))
}

/// "Take care: electricity and water, fish and tank water", each the way to its cautions.
pub(super) fn ways(site: &Id, subjects: &[&Caution]) -> Markup {
    html! {
        @if !subjects.is_empty() {
            p class="care-ways" {
                "Take care: "
                @for (number, it) in subjects.iter().enumerate() {
                    @if number > 0 { ", " }
                    a href={ "/site/" (site) "/care#" (it.key) } { (it.title) }
                }
            }
        }
    }
}

/// The cautions that belong beside the advice of an alarm.
pub(super) fn beside(site: &Id, kind: Kind) -> Markup {
    ways(site, cautions::beside(kind))
}

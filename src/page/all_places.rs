//! The page of all places.

use maud::{Markup, html};

use super::PageSource;
use super::context::SitePage;
use super::ground;
use super::places;
use super::problem::Problem;
use crate::text::labels;

/// `/site/ID/places`: the garden's drawing and all of its places, trouble first.
pub(super) async fn all<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, view) = (site.frame("/places"), &site.view);
    let body = html! {
        h1 { "Places" }
        p class="as-of" { (labels::full_moment(view.now, &view.time_zone)) }
        @if let Ok(garden) = site.garden() {
            (ground::drawing(garden, view))
            p class="way-to-move" { a href={ "/site/" (view.id) "/drawing" } { "Move or size the places of this drawing" } }
        }
        (places::beds(view))
        (places::tanks(view))
        (places::rain(view))
        (places::weather(view))
    };
    Ok(frame.page(&format!("Places at {}", view.name), &body))
}

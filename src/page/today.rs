//! One site: what to do today, first of all; then the garden's drawing and how its places
//! stand.

use std::sync::Arc;

use axum::extract::{Extension, RawQuery, State};
use maud::{Markup, html};

use super::PageSource;
use super::access::Visitor;
use super::answered_by::{self, AnsweredBy};
use super::context::{PageContext, SitePage};
use super::jobs;
use super::layout::PageFrame;
use super::place;
use super::places;
use super::problem::Problem;
use super::tasks::{self, TaskList};
use super::wait::ask;
use super::{gardens, ground};
use crate::garden::plan::Garden;
use crate::garden::view::{SensorView, SiteView};
use crate::text::labels;
use crate::text::spoken::counted;

/// `/`: of one site what to do there today; of several the list of them.
pub(super) async fn home<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
    Extension(visitor): Extension<Visitor>,
    RawQuery(query): RawQuery,
) -> Result<Markup, Problem> {
    let frame = context.frame(visitor, query.as_deref(), "/");
    let mut sites = ask(context.views.sites()).await?;
    let seen = frame.visitor.gardens.clone();
    sites.retain(|(id, _)| seen.holds(id.as_str()));
    if let [(id, _)] = sites.as_slice() {
        let view = context.view(id.as_str()).await?;
        let not_placed = context.not_placed(&view).await?;
        place::look_ahead(&context, &view);
        let garden = context.record.garden(view.id.as_str());
        let answered = answered_by::answered(&context, &view).await;
        return Ok(page(&frame.of_site(&view), garden, &view, &answered, not_placed.len()));
    }
    gardens::gardens(&context, frame, query.as_deref(), &seen, &sites).await
}

/// `/site/ID`.
pub(super) async fn today<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let not_placed = site.context.not_placed(&site.view).await?.len();
    place::look_ahead(&site.context, &site.view);
    let answered = answered_by::answered(&site.context, &site.view).await;
    Ok(page(&site.frame(""), site.garden().ok(), &site.view, &answered, not_placed))
}

/// `not_placed`: how many topics speak that no sensor names.
fn page(
    frame: &PageFrame,
    garden: Option<&Arc<Garden>>,
    view: &SiteView,
    answered: &[AnsweredBy],
    not_placed: usize,
) -> Markup {
    let site = format!("/site/{}", view.id);
    let list = TaskList { frame, view, garden, answered, place: None, then: site.clone() };
    let body = html! {
        h1 { "What to do today" }
        p class="as-of" { (labels::full_moment(view.now, &view.time_zone)) }
        div class="today" {
            div {
                (list.draw(tasks::nothing(view)))
                p class="onward" {
                    a href={ (site) "/write" } { "Add to the Garden log" }
                    a href={ (site) "/alarms" } { "All alarms" }
                }
            }
            section class="at-a-glance" {
                h2 { "The garden now" }
                @if let Some(garden) = garden { (ground::drawing(garden, view)) }
                (places::glance(view))
                (sensors(view, not_placed))
                (paused(view))
            }
            div {
                (jobs::coming(view))
                (timers(view))
            }
        }
        (care(view))
    };
    frame.page(&format!("Today at {}", view.name), &body)
}

/// That alarms are paused; nothing where none is.
fn paused(view: &SiteView) -> Markup {
    let paused = view.alarms.iter().filter(|alarm| alarm.record.state.is_hidden()).count();
    html! {
        @if paused > 0 {
            p { a href={ "/site/" (view.id) "/alarms#paused" } { (counted(paused, "alarm is paused", "alarms are paused")) } }
        }
    }
}

/// What is the matter with sensors, in a line; the rest stands on their own page.
fn sensors(view: &SiteView, not_placed: usize) -> Markup {
    let count = |of: fn(&SensorView) -> bool| view.sensors.iter().filter(|it| of(it)).count();
    let said = [
        (
            count(|it| it.silent || it.last_at.is_none()),
            "sensor has no fresh reading",
            "sensors have no fresh reading",
        ),
        (count(|it| it.faulty), "reads wrong", "read wrong"),
        (count(|it| it.battery_low), "battery is low", "batteries are low"),
        (not_placed, "topic has no sensor yet", "topics have no sensor yet"),
    ];
    let said = said.into_iter().filter(|(count, ..)| *count > 0);
    let said: Vec<String> = said.map(|(count, one, many)| counted(count, one, many)).collect();
    html! {
        p class="sensors-line" {
            a href={ "/site/" (view.id) "/sensors" } { "Sensors" }
            ": "
            @if view.sensors.is_empty() { "none in the garden's file." }
            @else if said.is_empty() { "all " (view.sensors.len()) " send good readings." }
            @else { (said.join("; ")) "." }
        }
    }
}

/// Programs of timers that the beds speak for; nothing where there are none.
fn timers(view: &SiteView) -> Markup {
    html! {
        @if !view.proposed_programs.is_empty() {
            section class="timers" {
                h2 { "Does a timer do this?" }
                @for program in &view.proposed_programs {
                    p { (program.words) }
                    details {
                        summary { "Lines for the garden's file" }
                        pre { code { (program.lines) } }
                    }
                }
                p { "If it is a timer, whoever runs Trug adds the lines to the garden's file. Trug then knows its "
                    "water, and tells when it does not come." }
            }
        }
    }
}

/// The usual cautions. Common practice in school gardens and fish keeping; the
/// school's own rules and the law of the place come first, and the page says so.
pub(super) fn care(view: &SiteView) -> Markup {
    html! {
        section class="care" id="care" {
            h2 { "Take care" }
            ul {
                li { "The rules of your school, council and water supplier come first, also on watering hours "
                     "and on keeping fish." }
                li { "Sensors can be wrong. Feel the soil and look at the fish before you act." }
                @if !view.tanks.is_empty() {
                    li { "Change a tank's water a little at a time, at nearly its temperature, and take the "
                         "chlorine out of tap water first. Sudden change harms fish more than a slow one." }
                    li { "Keep plugs and leads dry and above the water, on a safety switch. Unplug pumps and "
                         "heaters before you put a hand in the tank." }
                }
                li { "Damp down mulch, compost and potting mix before you move them, wear gloves and a mask, "
                     "and wash your hands: their dust can carry Legionella." }
                li { "Do not drink from rain tanks, fish tanks or drippers. Keep lids on tanks: small children "
                     "drown in shallow water." }
            }
            p { a href={ "/site/" (view.id) "/care" } { "All cautions, by subject" } }
        }
    }
}

//! One site: what to do today, the open alarms, and how every place stands.

use std::sync::Arc;

use axum::extract::{Extension, RawQuery, State};
use maud::{Markup, html};

use super::PageSource;
use super::access::Visitor;
use super::alarm_card::{self, urgency};
use super::context::{PageContext, SitePage};
use super::forms::local;
use super::ground;
use super::jobs;
use super::layout::PageFrame;
use super::lists::sites_page;
use super::places;
use super::problem::Problem;
use super::wait::ask;
use crate::garden::plan::Garden;
use crate::garden::view::{ChangeQuestion, MulchQuestion, SensorView, SiteView, ToDo, WettingQuestion};
use crate::model::Condition;
use crate::text::labels;
use crate::text::spoken::{self, counted};

/// `/`: of one site what to do there today; of several the list of them.
pub(super) async fn home<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
    Extension(visitor): Extension<Visitor>,
    RawQuery(query): RawQuery,
) -> Result<Markup, Problem> {
    let frame = context.frame(visitor, query.as_deref(), "/");
    let sites = ask(context.views.sites()).await?;
    let not_placed = context.topics_not_placed().await?;
    if let [(id, _)] = sites.as_slice() {
        let view = context.view(id.as_str()).await?;
        let garden = context.record.garden(view.id.as_str());
        return Ok(page(&frame.of_site(&view), garden.map(Arc::as_ref), &view, not_placed.len()));
    }
    Ok(sites_page(&frame, &sites, &not_placed))
}

/// `/site/ID`.
pub(super) async fn today<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let not_placed = site.context.not_placed(&site.view).await?.len();
    let garden = site.garden().ok().map(Arc::as_ref);
    Ok(page(&site.frame(""), garden, &site.view, not_placed))
}

/// `not_placed`: how many topics speak that no sensor names.
fn page(frame: &PageFrame, garden: Option<&Garden>, view: &SiteView, not_placed: usize) -> Markup {
    let body = html! {
        h1 { (view.name) }
        p class="as-of" { "As the garden stood " (labels::full_moment(view.now, &view.time_zone)) }
        @if let Some(garden) = garden { (ground::drawing(garden, view)) }
        (to_do(view))
        (questions(frame, view))
        (jobs::today(frame, view))
        (alarms(view))
        (places::beds(view))
        (places::tanks(view))
        (places::rain(view))
        (places::weather(view))
        (sensors(view, not_placed))
        (timers(view))
        (care(view))
    };
    frame.page(&format!("Today at {}", view.name), &body)
}

fn to_do(view: &SiteView) -> Markup {
    let mut to_do: Vec<_> = view.to_do.iter().collect();
    // Stable: within one urgency the garden's own order stays.
    to_do.sort_by_key(|job| std::cmp::Reverse(job.priority));
    html! {
        section class="to-do" {
            h2 { "What to do today" }
            @for hold in &view.rain_holds { p { (hold) } }
            @if to_do.is_empty() { p { (nothing_to_do(view)) } }
            @else {
                ol {
                    @for job in to_do {
                        li {
                            (urgency(job.priority))
                            p { strong { (place(view, &job.place)) } (after_place(job)) }
                        }
                    }
                }
            }
        }
    }
}

/// What people are asked: the log's own form, with everything filled in but the answer.
fn questions(frame: &PageFrame, view: &SiteView) -> Markup {
    let may_change = frame.visitor.may_change;
    html! {
        @if !view.questions.is_empty() || !view.mulch_questions.is_empty() || !view.change_questions.is_empty() {
            section class="asked" {
                h2 { "Can you tell?" }
                @for (number, question) in view.questions.iter().enumerate() {
                    p id={ "asked-" (number) } { (asked(view, question)) }
                    @if may_change { (answer_form(frame, view, number, question)) }
                }
                @for (number, question) in view.mulch_questions.iter().enumerate() {
                    p id={ "mulch-" (number) } {
                        "Was the mulch laid that was planned for " (spoken::day(question.planned)) " on " (question.name)
                        "? Until somebody says so, it counts as bare."
                    }
                    @if may_change { (mulch_form(frame, view, number, question)) }
                }
                @for (number, question) in view.change_questions.iter().enumerate() {
                    p id={ "change-" (number) } { (changed(view, question)) }
                    @if may_change { (change_form(frame, view, number, question)) }
                }
                @if !may_change { (frame.visitor.how_to_change(&frame.path)) }
                p class="standing" {
                    "Your answer goes into the log."
                    @if !view.questions.is_empty() {
                        " It helps Trug to tell rain from watering, and to notice a rain gauge that is blocked."
                    }
                }
            }
        }
    }
}

/// The answers to a question, each a button.
fn answer_form(frame: &PageFrame, view: &SiteView, number: usize, question: &WettingQuestion) -> Markup {
    html! {
        form method="post" action={ "/site/" (view.id) "/write" } aria-labelledby={ "asked-" (number) } {
            (frame.visitor.form_field())
            input type="hidden" name="once" value=(once(view, question));
            input type="hidden" name="then" value="today";
            input type="hidden" name="place" value=(question.beds[0].0);
            input type="hidden" name="at" value=(local(question.at, &view.time_zone));
            input type="hidden" name="offered" value=(question.at);
            @for (kind, label) in ANSWERS { button type="submit" name="kind" value=(kind) { (label) } }
        }
    }
}

/// Whether mulch was laid, each answer a button.
fn mulch_form(frame: &PageFrame, view: &SiteView, number: usize, question: &MulchQuestion) -> Markup {
    let bed = view.beds.iter().position(|bed| bed.id == question.bed).unwrap_or(0);
    let depth_mm = format!("{:.0}", question.depth_mm);
    html! {
        form method="post" action={ "/site/" (view.id) "/write" } aria-labelledby={ "mulch-" (number) } {
            (frame.visitor.form_field())
            input type="hidden" name="once" value=(format!("{:.30}-m{bed}-{}", view.id.as_str(), question.at.as_second()));
            input type="hidden" name="then" value="today";
            input type="hidden" name="place" value=(question.bed);
            input type="hidden" name="at" value=(local(question.at, &view.time_zone));
            input type="hidden" name="offered" value=(question.at);
            input type="hidden" name="depth_mm" value=(depth_mm);
            button type="submit" name="kind" value="mulch" { "Yes, about " (depth_mm) " mm deep" }
            button type="submit" name="kind" value="mulch-not-laid" { "No" }
        }
    }
}

/// "Perch tank, thermometer: was it changed? ..."
fn changed(view: &SiteView, question: &ChangeQuestion) -> String {
    format!(
        "{}: was it changed? It read {} before a break, and {} after it, at {}. If nobody changed or moved it, the water \
         itself changed: look at the fish now, and measure the water with another thermometer.",
        question.name,
        labels::degrees(question.before_c),
        labels::degrees(question.after_c),
        spoken::moment_seen_from(question.at, view.now, &view.time_zone),
    )
}

/// That a thermometer was changed, as a button. That it was not says the alarm, which stays.
fn change_form(frame: &PageFrame, view: &SiteView, number: usize, question: &ChangeQuestion) -> Markup {
    let sensor = view.sensors.iter().position(|sensor| sensor.id == question.sensor).unwrap_or(0);
    html! {
        form method="post" action={ "/site/" (view.id) "/write" } aria-labelledby={ "change-" (number) } {
            (frame.visitor.form_field())
            input type="hidden" name="once" value=(format!("{:.30}-p{sensor}-{}", view.id.as_str(), question.at.as_second()));
            input type="hidden" name="then" value="today";
            input type="hidden" name="place" value=(question.sensor);
            input type="hidden" name="at" value=(local(question.at, &view.time_zone));
            input type="hidden" name="offered" value=(question.at);
            button type="submit" name="kind" value="probe" { "Yes, it was changed" }
        }
    }
}

/// Entries of the log that answer what watered a bed.
const ANSWERS: [(&str, &str); 4] = [
    ("rained", "Rain"),
    ("timer-ran", "The timer"),
    ("watered", "A hose or can"),
    ("cause-not-known", "Nobody knows"),
];

/// The text by which an answer is taken once: the same for each visitor and each look at
/// the page, so that a page that has not changed stays the same.
fn once(view: &SiteView, question: &WettingQuestion) -> String {
    let bed = view.beds.iter().position(|bed| bed.id == question.beds[0].0).unwrap_or(0);
    format!("{:.30}-{bed}-{}", view.id.as_str(), question.at.as_second())
}

/// "What watered the pea bed at about 3 pm on Thursday?"
fn asked(view: &SiteView, question: &WettingQuestion) -> String {
    let names: Vec<String> = question.beds.iter().map(|(_, name)| name.clone()).collect();
    let when = spoken::moment_seen_from(question.at, view.now, &view.time_zone);
    format!("What watered {} at about {when}?", spoken::list(&names))
}

/// A place's name, leading to its page where it has one.
fn place(view: &SiteView, name: &str) -> Markup {
    let bed = view.beds.iter().find(|bed| bed.name == name).map(|bed| format!("bed/{}", bed.id));
    let tank = || view.tanks.iter().find(|tank| tank.name == name).map(|tank| format!("tank/{}", tank.id));
    match bed.or_else(tank) {
        Some(path) => html! { a href={ "/site/" (view.id) "/" (path) } { (name) } },
        None => html! { (name) },
    }
}

/// What a job says after its place, which many texts begin with.
fn after_place(job: &ToDo) -> String {
    match job.text.strip_prefix(&job.place) {
        Some(rest) if rest.starts_with([' ', ':', ',', '.']) => rest.to_owned(),
        _ => format!(": {}", job.text),
    }
}

/// Says that all is well only where everything is known to be well.
fn nothing_to_do(view: &SiteView) -> String {
    let conditions = || {
        let beds = view.beds.iter().map(|bed| bed.condition);
        let tanks = view.tanks.iter().map(|tank| tank.condition);
        beds.chain(tanks).chain(view.rain.iter().map(|rain| rain.condition))
    };
    let unknown = conditions().filter(|condition| *condition == Condition::Unknown).count();
    if unknown > 0 || conditions().next().is_none() {
        let places = match unknown {
            0 => "nothing is watched here".to_owned(),
            1 => "the state of one place is not known".to_owned(),
            n => format!("the state of {n} places is not known"),
        };
        return format!("Trug has nothing to ask for, but {places}: look for yourself.");
    }
    match silent(view) {
        0 => "Nothing that the sensors can see.".to_owned(),
        1 => "Nothing that the sensors can see; one of them is silent.".to_owned(),
        n => format!("Nothing that the sensors can see; {n} of them are silent."),
    }
}

/// Sensors that are silent or were never heard.
fn silent(view: &SiteView) -> usize {
    view.sensors.iter().filter(|it| it.silent || it.last_at.is_none()).count()
}

/// What is the matter with sensors, in a line; the rest stands on their own page.
fn sensors(view: &SiteView, not_placed: usize) -> Markup {
    let count = |of: fn(&SensorView) -> bool| view.sensors.iter().filter(|it| of(it)).count();
    let said = [
        (silent(view), "sensor is silent", "sensors are silent"),
        (count(|it| it.faulty), "is not to be believed", "are not to be believed"),
        (count(|it| it.battery_low), "battery is low", "batteries are low"),
        (not_placed, "topic has no sensor yet", "topics have no sensor yet"),
    ];
    let said = said.into_iter().filter(|(count, ..)| *count > 0);
    let said: Vec<String> = said.map(|(count, one, many)| counted(count, one, many)).collect();
    html! {
        section {
            h2 { "Sensors" }
            p {
                @if view.sensors.is_empty() {
                    "This garden has no sensors in its file. "
                } @else if said.is_empty() {
                    "All " (view.sensors.len()) " speak and can be believed. "
                } @else {
                    (said.join("; ")) ". "
                }
                a href={ "/site/" (view.id) "/sensors" } { "All sensors" }
            }
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
                p { "If it is a timer, whoever runs Trug adds the lines to the garden's file. Its water is then not "
                    "taken for rain, and is missed when it does not come." }
            }
        }
    }
}

/// In short; reasons and answers stand on the page of alarms.
fn alarms(view: &SiteView) -> Markup {
    let mut open: Vec<_> = view.alarms.iter().filter(|alarm| alarm.record.state.is_active()).collect();
    open.sort_by_key(|alarm| std::cmp::Reverse(alarm.priority));
    let aside = view.alarms.iter().filter(|alarm| alarm.record.state.is_hidden()).count();
    let passed = view.alarms.len() - open.len() - aside;
    let alarms = format!("/site/{}/alarms", view.id);
    html! {
        section class="in-short" {
            h2 { "Open alarms" }
            @if open.is_empty() {
                p { "No alarm is open." }
            } @else {
                ul {
                    @for alarm in open {
                        li {
                            a href={ (alarms) "#" (alarm_card::id(alarm)) } {
                                (alarm.place_name) ": " (labels::kind(alarm.record.key.kind))
                            }
                            p class="standing" {
                                (urgency(alarm.priority))
                                " Since " (labels::moment(alarm.record.since, view.now, &view.time_zone)) ". "
                                (labels::state(alarm.record.state))
                            }
                        }
                    }
                }
            }
            @if !view.pending.is_empty() {
                p {
                    (counted(view.pending.len(), "condition is", "conditions are")) " not an alarm yet: "
                    a href={ (alarms) "#pending" } { "what is watched" }
                }
            }
            @if passed > 0 { p { (passed) " passed, and not yet marked as seen." } }
            @if aside > 0 { p { (aside) " put aside for now." } }
            p class="onward" {
                a href=(alarms) { "All alarms: why, and answering them" }
                a href={ "/site/" (view.id) "/write" } { "Write down what was done" }
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
        }
    }
}

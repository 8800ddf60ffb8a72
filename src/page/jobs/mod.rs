//! Jobs that come round: what is due, among the things to do and on a page of its own, and the page to
//! print for whoever looks after the garden in the holidays.

mod handover;
pub(super) use handover::handover;

use maud::{Markup, html};

use super::PageSource;
use super::context::SitePage;
use super::layout::PageFrame;
use super::problem::Problem;
use crate::garden::jobs::due::JobDue;
use crate::garden::jobs::view::JobView;
use crate::garden::log_entry::{self, EntryKind};
use crate::garden::view::SiteView;
use crate::text::spoken;

/// Days ahead that Today names.
const SOON_DAYS: i64 = 7;

/// `/site/ID/jobs`: all of them.
pub(super) async fn jobs<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, view) = (site.frame("/jobs"), &site.view);
    let (due, later): (Vec<&JobView>, Vec<&JobView>) = view.jobs.iter().partition(|job| job.is_due());
    let (over, coming): (Vec<&JobView>, Vec<&JobView>) =
        later.into_iter().partition(|job| job.due == JobDue::Over);
    let body = html! {
        h1 { "Jobs that come round" }
        @if view.jobs.is_empty() { (no_jobs()) }
        @if !due.is_empty() { (section(&frame, view, "To do now", &due, "jobs")) }
        @if !coming.is_empty() { (section(&frame, view, "Later", &coming, "jobs")) }
        @if !over.is_empty() { (section(&frame, view, "Not due again", &over, "jobs")) }
        @if !view.jobs.is_empty() { (frame.visitor.how_to_change()) }
        p class="onward" {
            a href={ "/site/" (view.id) "/handover" } { "Holiday sheet" }
            a href={ "/site/" (view.id) "/log" } { "Garden log" }
        }
    };
    Ok(frame.page(&format!("Jobs at {}", view.name), &body))
}

/// What comes within a week, for Today; nothing where the garden has no jobs.
pub(super) fn coming(view: &SiteView) -> Markup {
    let soon: Vec<String> = view
        .jobs
        .iter()
        .filter(|job| job.days_late().is_some_and(|days| (-SOON_DAYS..0).contains(&days)))
        .map(|job| match job.due {
            JobDue::On(date) => format!("{} on {}", named(view, job), spoken::day(date)),
            JobDue::NotKnown | JobDue::Over => job.job.name.clone(),
        })
        .collect();
    html! {
        @if !view.jobs.is_empty() {
            section class="coming" {
                h2 { "Coming up" }
                @if soon.is_empty() { p { "No job within a week." } }
                @else { ul { @for job in &soon { li { (job) } } } }
                p class="onward" {
                    a href={ "/site/" (view.id) "/jobs" } { "All jobs" }
                    a href={ "/site/" (view.id) "/handover" } { "Holiday sheet" }
                }
            }
        }
    }
}

/// A job among the things to do: who, when it was last done, and its button.
pub(super) fn task(frame: &PageFrame, view: &SiteView, job: &JobView) -> Markup {
    let from_today = frame.path == "/" || frame.path == format!("/site/{}", view.id);
    // The mark over it says "Overdue" already, and what is to be done stands in bold below.
    let words = job.words();
    let words = capital(words.strip_prefix("Overdue: ").unwrap_or(&words));
    let said = spoken::sentences(&words);
    let (state, plain) = match job.due {
        JobDue::NotKnown => (said[0], said.get(1).copied()),
        JobDue::On(_) | JobDue::Over => (words.as_str(), None),
    };
    html! {
        p class="wrong-is" { (state) }
        @let how = job.job.how.as_deref().map(spoken::sentences).unwrap_or_default();
        p class="act-first" { (how.first().copied().or(plain).unwrap_or("Do it today.")) }
        @if how.len() > 1 { p { (how[1..].join(" ")) } }
        (done(frame, view, job, if from_today { "today" } else { "place" }))
        p class="standing" { (standing(job)) }
    }
}

/// How often it comes round, who does it, and when it was last done.
fn standing(job: &JobView) -> String {
    let mut words = format!("{}.", capital(&job.job.days.words()));
    if let Some(who) = job.who() {
        let turn = if job.job.who.len() > 1 { ", this time" } else { "" };
        words += &format!(" Who: {who}{turn}.");
    }
    if let Some(last) = job.last_words() {
        words += &format!(" {last}");
    }
    words
}

fn section(frame: &PageFrame, view: &SiteView, title: &str, jobs: &[&JobView], then: &str) -> Markup {
    html! { section class="jobs" { h2 { (title) } (list(frame, view, jobs, then)) } }
}

fn list(frame: &PageFrame, view: &SiteView, jobs: &[&JobView], then: &str) -> Markup {
    html! { ul { @for job in jobs { li { (one(frame, view, job, then)) } } } }
}

fn one(frame: &PageFrame, view: &SiteView, job: &JobView, then: &str) -> Markup {
    let state = if job.is_overdue() {
        "Overdue"
    } else if job.is_due() {
        "Due"
    } else {
        "Later"
    };
    html! {
        p {
            @if job.is_due() { span class={ "urgency " (if job.is_overdue() { "medium" } else { "low" }) } { (state) } " " }
            strong { (job.job.name) } ", " (place(view, job)) ". " (job.words())
        }
        p class="standing" { (standing(job)) }
        @if let Some(how) = &job.job.how { p { (how) } }
        @if job.due != JobDue::Over { (done(frame, view, job, then)) }
    }
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn place(view: &SiteView, job: &JobView) -> Markup {
    let id = job.job.place.as_ref();
    let path = if view.beds.iter().any(|bed| Some(&bed.id) == id) {
        Some("bed")
    } else if view.tanks.iter().any(|tank| Some(&tank.id) == id) {
        Some("tank")
    } else {
        None
    };
    match (path, id) {
        (Some(path), Some(id)) => html! { a href={ "/site/" (view.id) "/" (path) "/" (id) } { (job.place) } },
        _ => html! { (job.place) },
    }
}

/// "Filter (Perch tank)".
fn named(view: &SiteView, job: &JobView) -> String {
    if job.place == view.name { job.job.name.clone() } else { format!("{} ({})", job.job.name, job.place) }
}

/// The button that writes the entry of the log, or the way to its form where that needs
/// more than a press.
fn done(frame: &PageFrame, view: &SiteView, job: &JobView, then: &str) -> Markup {
    let Some(kind) = log_entry::kind(job.job.entry_kind()) else { return html! {} };
    let place = job.job.place.as_ref().map_or("", |place| place.as_str());
    let write = format!("/site/{}/write", view.id);
    let name = &job.job.name;
    if needs_more(kind) {
        return html! {
            p {
                a class="button" href={ (write) "?kind=" (kind.name) "&place=" (place) } { (kind.label) ": add to the Garden log" }
            }
        };
    }
    html! {
        @if frame.visitor.sees_forms() {
            form class="deal" method="post" action=(write) {
                (frame.visitor.form_field())
                input type="hidden" name="once" value=(once(view, job));
                input type="hidden" name="then" value=(then);
                input type="hidden" name="kind" value=(kind.name);
                input type="hidden" name="place" value=(place);
                @if kind.job { input type="hidden" name="job" value=(name); }
                input type="hidden" name="when" value="now";
                button type="submit" class=[(!job.is_due()).then_some("quiet")] { "Done" span class="unseen" { ": " (name) } }
            }
        }
    }
}

/// Whether an entry wants values or words.
fn needs_more(kind: &EntryKind) -> bool {
    kind.one_needed.is_some() || kind.note_needed || kind.numbers.iter().any(|number| number.needed)
}

/// The text by which a press is taken once: the same until the job is done or struck.
fn once(view: &SiteView, job: &JobView) -> String {
    let number = view.jobs.iter().position(|it| it.job.id == job.job.id).unwrap_or(0);
    format!("{:.20}-{:.24}-{number}-{}-{}", view.id.as_str(), job.job.id.as_str(), job.changes, job.today)
}

fn no_jobs() -> Markup {
    const LINES: &str =
        "[[job]]\nname = \"Water test\"\nplace = \"perch-tank\"\nevery_days = 7\nwho = \"teacher\"\n";
    html! {
        p { "This garden has no jobs in its file. Whoever runs Trug can add some:" }
        pre { code { (LINES) } }
    }
}

//! What every page shares: head, ways to the other pages, notice, foot.

use axum::http::header::HeaderValue;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::access::Visitor;
use super::assets;
use super::problem::Problem;
use crate::garden::view::{AlarmView, SiteView};
use crate::text::labels;
use crate::text::locale::LocalText;

/// Seconds after which a page reloads itself where no script keeps it fresh.
const RENEW_S: u32 = 60;

/// What surrounds one page.
#[derive(Clone, Debug)]
pub(super) struct PageFrame {
    /// A sentence above everything else.
    pub(super) notice: Option<String>,
    /// The page's own path, for the links that hold or renew it.
    pub(super) path: String,
    /// Whether the reader asked the page to stand still.
    pub(super) held: bool,
    /// Who looks at it.
    pub(super) visitor: Visitor,
    /// The site that the page belongs to.
    pub(super) site: Option<SiteLinks>,
    /// Whether the reader sees several gardens.
    pub(super) several: bool,
    /// Since when nothing could be stored.
    pub(super) not_kept: Option<Timestamp>,
}

/// The ways to a site's pages.
#[derive(Clone, Debug, Default)]
pub(super) struct SiteLinks {
    id: String,
    name: String,
    open_alarms: usize,
    /// Each open alarm, so that a script can tell a new one from an old one.
    alarms: String,
    /// How the garden stood, in the site's own time.
    as_of: String,
    local: LocalText,
}

/// What is reached from More.
const MORE: &[&str] = &[
    "/sensors",
    "/jobs",
    "/log",
    "/write",
    "/handover",
    "/placing",
    "/probe",
    "/soil-test",
    "/new-sensor",
    "/keys",
];

/// The pages of the one row: its word, its address below the site's, and what else belongs to
/// it.
const WAYS: [(&str, &str, &[&str]); 5] = [
    ("Today", "", &[]),
    ("Places", "/places", &["/bed/", "/tank/", "/rain", "/drawing"]),
    ("Class", "/month", &["/month/"]),
    ("Alarms", "/alarms", &[]),
    ("More", "/more", MORE),
];

impl SiteLinks {
    pub(super) fn of(view: &SiteView) -> Self {
        let open = || view.alarms.iter().filter(|alarm| alarm.record.state.is_active());
        let alarm = |it: &AlarmView| {
            format!("{}/{}@{}", it.record.key.kind.name(), it.record.key.place, it.record.since)
        };
        Self {
            id: view.id.to_string(),
            name: view.name.clone(),
            open_alarms: open().count(),
            alarms: open().map(alarm).collect::<Vec<_>>().join(" "),
            as_of: labels::full_moment(view.now, &view.time_zone),
            local: view.local.clone(),
        }
    }

    fn draw(&self, path: &str) -> Markup {
        let site = format!("/site/{}", self.id);
        let below = if path == "/" { "" } else { path.strip_prefix(&site).unwrap_or("?") };
        let is_here = |own: &str, others: &[&str]| {
            let other = || others.iter().any(|it| below.starts_with(it));
            (below == own).then_some("page").or_else(|| other().then_some("true"))
        };
        html! {
            nav class="ways" aria-label="Pages of this garden" data-alarms=(self.open_alarms)
                data-open=(self.alarms) data-as-of=(self.as_of) {
                ul {
                    @for (words, own, others) in WAYS {
                        li {
                            a href={ (site) (own) } aria-current=[is_here(own, others)] {
                                (words)
                                @if own == "/alarms" && self.open_alarms > 0 {
                                    " " b class="count" { (self.open_alarms) }
                                    span class="unseen" { " open" }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

impl PageFrame {
    /// The same frame for a page of a site.
    pub(super) fn of_site(mut self, view: &SiteView) -> Self {
        self.site = Some(SiteLinks::of(view));
        self
    }

    /// A page that is kept fresh: by the script where there is one, else by
    /// reloading, unless the reader pauses that. A page that changes under a slow
    /// reader or a screen reader is a barrier (WCAG 2.2, success criteria 2.2.1, 2.2.2).
    pub(super) fn page(&self, title: &str, body: &Markup) -> Markup {
        // Who writes a note would lose it by reloading.
        let writes = self.visitor.may_change || (self.visitor.can_enter && self.path.ends_with("/alarms"));
        let loads = !self.held && !writes;
        let renewal = html! {
            p {
                @if self.held {
                    "Updates are paused. " a href=(self.path) { "Resume" }
                } @else {
                    "This page updates itself. " a href={ (self.path) "?hold=yes" } { "Pause updates" }
                    @if !loads { noscript { " (Without script it does not: load it again.)" } }
                }
            }
        };
        self.document(title, loads.then_some(RENEW_S), !self.held, body, &renewal)
    }

    /// A page that stands still: a form, or what does not change.
    pub(super) fn still(&self, title: &str, body: &Markup) -> Markup {
        self.document(title, None, false, body, &html! {})
    }

    fn document(
        &self,
        title: &str,
        renew_s: Option<u32>,
        live: bool,
        body: &Markup,
        foot: &Markup,
    ) -> Markup {
        let foot = html! {
            (foot)
            (self.visitor.corner(&self.path))
            @if let Some(site) = &self.site {
                p {
                    a href={ "/site/" (site.id) "/care" } { "Take care" } ": your school's rules come first, and sensors can be wrong."
                }
            }
        };
        let head = html! {
            @if let Some(site) = &self.site {
                p class="garden-name" {
                    a href={ "/site/" (site.id) } { (site.name) }
                    @if self.several { a class="all-gardens" href="/" { "All gardens" } }
                }
                (site.draw(&self.path))
            }
            // Outside of what is kept fresh, so that it can be read in peace.
            @if let Some(said) = &self.visitor.said { p class="said" role="status" { (said) } }
        };
        // In what the script keeps fresh, so that it comes and goes by itself.
        let body = html! {
            @if self.not_kept.is_some() { (self.not_kept_bar()) }
            (body)
        };
        let open = self.site.as_ref().map_or(0, |site| site.open_alarms);
        let title = if open == 0 { title.to_owned() } else { format!("({open}) {title}") };
        let page = document(self.notice.as_deref(), &title, renew_s, live, &head, &body, Some(&foot));
        match &self.site {
            Some(site) => localized(&site.local, page),
            None => page,
        }
    }

    /// Says that the record cannot be written, and how old what is shown is.
    fn not_kept_bar(&self) -> Markup {
        html! {
            p class="offline" role="status" {
                "Trug cannot save anything just now. "
                @if let Some(site) = &self.site { "You see the garden of " (site.as_of) ". " }
                "Look at the garden and the tank yourself. What you enter here is not saved; the readings wait at the broker."
            }
        }
    }
}

/// A page as a site's people read it.
pub(super) fn localized(local: &LocalText, page: Markup) -> Markup {
    if local.changes_nothing() { page } else { PreEscaped(local.html(page.into_string())) }
}

/// A page of no site that does not renew itself.
pub(super) fn plain_page(notice: Option<&str>, title: &str, body: &Markup) -> Markup {
    document(notice, title, None, false, &html! {}, body, None)
}

/// The page of a problem, with its status and headers.
pub(super) fn problem_page(notice: Option<&str>, problem: Problem) -> Response {
    let (status, heading, advice) = problem.words();
    let body = html! {
        h1 { (heading) }
        p { (advice) }
        @if problem == Problem::NotEntered { p { a href="/enter" { "Sign in" } } }
        p { a href="/" { "First page" } }
    };
    let mut response = (status, plain_page(notice, heading, &body)).into_response();
    if let Some((name, value)) = problem.header() {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}

fn document(
    notice: Option<&str>,
    title: &str,
    renew_s: Option<u32>,
    live: bool,
    head: &Markup,
    body: &Markup,
    foot: Option<&Markup>,
) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en-AU" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                @if let Some(seconds) = renew_s {
                    noscript { meta http-equiv="refresh" content=(seconds); }
                }
                title { (title) }
                link rel="stylesheet" href=(assets::STYLE.address());
                // An empty picture, so that browsers do not ask for one.
                link rel="icon" href="data:,";
                script defer src=(assets::SCRIPT.address()) {}
            }
            body data-live=[live.then_some("/live")] data-tag=[live.then_some("")] {
                a class="skip" href="#content" { "Skip to content" }
                header class="top" {
                    @if let Some(notice) = notice {
                        p class="notice" { (notice) }
                    }
                    (head)
                    p class="connection" role="status" hidden {}
                }
                main id="content" tabindex="-1" { (body) }
                @if let Some(foot) = foot {
                    footer { (foot) }
                }
            }
        }
    }
}

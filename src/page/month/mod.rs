//! The class month on the page: which months there are, one month to read, and its
//! files.

mod archive;
mod days;
mod filled;
mod form;
mod kept;
mod list;
mod source;
mod sources;
mod term;
mod term_files;

use std::sync::Arc;

use axum::http::HeaderMap;
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::response::Response;
use maud::{Markup, html};
use ring::digest::{SHA256, digest};

use super::context::SitePage;
use super::problem::Problem;
use super::tags::{self, tag};
use super::{PageSource, assets};
use crate::garden::plan::Garden;
use crate::model::CalendarMonth;
use crate::report::html::Within;
use crate::report::{self, Contents, FiguresPart, Level, ReportPage};

pub(super) use kept::MonthCache;
pub use source::{
    CannotMake, DaysRecord, MonthFiles, MonthRequest, days_of, figures, figures_between, make, term_days,
    until,
};
pub(super) use sources::MonthSources;
pub(super) use term_files::TermCache;
pub use term_files::{TermFiles, make_term};

use form::MonthChoice;
use kept::{MonthKey, ReadyMonth};
use sources::MonthSource;

/// All files of a month in one.
const ARCHIVE: &str = "all.zip";

/// `/site/ID/month`: the months of a year, and how complete they are.
pub(super) async fn months<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let garden = site.garden()?;
    let year = form::year(&site.fields())?;
    let months = list::months(&site.context.record, Arc::clone(garden), site.view.now, year).await?;
    let title = format!("Months of {}", garden.site.name);
    Ok(site.frame("/month").still(&title, &list::body(garden, &months)))
}

/// `/site/ID/month/2026-04`: one month to read.
pub(super) async fn month<V: PageSource>(site: SitePage<V>) -> Result<Response, Problem> {
    let garden = site.garden()?;
    if let Some(asked) = site.names.first().and_then(|name| term::TermAsked::of(name)) {
        return term::page(&site, garden, asked).await;
    }
    let source = filled::month_source(&site, garden).await?;
    if let Some(page) = days::page(&site, garden, &source).await? {
        return Ok(page);
    }
    let (choice, ready) = find(&site, garden, &source, false).await?;
    Ok(shown(&site, garden, &source, (&choice, &ready), ReportPage::Lesson(choice.level)))
}

/// A page of the month within the garden's own.
fn shown<V: PageSource>(
    site: &SitePage<V>,
    garden: &Garden,
    source: &MonthSource,
    (choice, ready): (&MonthChoice, &ReadyMonth),
    page: ReportPage,
) -> Response {
    let title = format!("{}, {}", report::html::page_title(&ready.month.month, page), garden.site.name);
    let page = site.frame("/month").still(&title, &body(garden, source, (choice, ready), page));
    let page = page.into_string().into_bytes();
    // The way out stands in it, with the token of this session.
    let secret = site.visitor.form_token.is_some();
    tags::file(&site.headers, &tag(&page), "text/html; charset=utf-8", page, secret)
}

/// `/site/ID/month/2026-04/FILE`: a file of the month, or all of them in one.
pub(super) async fn file<V: PageSource>(site: SitePage<V>) -> Result<Response, Problem> {
    let garden = site.garden()?;
    let [month, name] = site.names.as_slice() else { return Err(Problem::NotFound) };
    if let Some(asked) = term::TermAsked::of(month) {
        return term::file(&site, garden, asked, name).await;
    }
    let source = filled::month_source(&site, garden).await?;
    if let Some(file) = days::file(&site, garden, &source, name).await? {
        return Ok(file);
    }
    let parts = FiguresPart::all(garden.beds.len());
    let figures = match site.fields().given("part") {
        None => Some(FiguresPart::Measured),
        Some(key) => FiguresPart::of(key).filter(|part| parts.contains(part)),
    };
    let within = |level| match name.as_str() {
        "worksheet" => Some(ReportPage::Worksheet(level)),
        "answers" => Some(ReportPage::Answers),
        "figures" => figures.map(ReportPage::Figures),
        _ => None,
    };
    if within(Level::default()).is_some() {
        let (choice, ready) = find(&site, garden, &source, false).await?;
        let page = within(choice.level).ok_or(Problem::NotFound)?;
        return Ok(shown(&site, garden, &source, (&choice, &ready), page));
    }
    if name != ARCHIVE && !report::has_file(name) {
        return Err(Problem::NotFound);
    }
    let (_, ready) = find(&site, garden, &source, true).await?;
    let id = &garden.site.id;
    if name == ARCHIVE {
        let folder = format!("report-{id}-{}", ready.month.month.which);
        let work = tokio::task::spawn_blocking(move || archive::zip(&folder, &ready.month.files));
        let bytes = work.await.map_err(|_| Problem::Fault)?.map_err(|fault| {
            tracing::error!("a month as one file: {fault}");
            Problem::Fault
        })?;
        return Ok(download(
            &site.headers,
            &tag(&bytes),
            "application/zip",
            bytes,
            &format!("report-{id}-{month}.zip"),
        ));
    }
    let mut files = ready.month.files.iter().zip(&ready.tags);
    let (file, tag) = files.find(|(file, _)| file.name == *name).ok_or(Problem::NotFound)?;
    if ReportPage::is_file(name) {
        return Ok(with_own_style(tags::file(&site.headers, tag, file.media, file.bytes.clone(), false)));
    }
    Ok(download(&site.headers, tag, file.media, file.bytes.clone(), &format!("{id}-{month}-{name}")))
}

/// The month that is asked for. `files`: its files of the level that is asked for, which are
/// made for each; the pages are the same for all.
async fn find<V: PageSource>(
    site: &SitePage<V>,
    garden: &Arc<Garden>,
    source: &MonthSource,
    files: bool,
) -> Result<(MonthChoice, Arc<ReadyMonth>), Problem> {
    let month = site.names.first().ok_or(Problem::NotFound)?;
    let which = CalendarMonth::parse(month).ok_or(Problem::NoSuchMonth)?;
    let choice = MonthChoice::read(&site.fields(), garden)?;
    let level = if files { choice.level } else { Level::default() };
    let wanted = MonthRequest { which, compare: choice.compare.clone(), notes: choice.notes, level };
    let until = until(which, site.view.now, &garden.site.time_zone).map_err(|_| Problem::NoSuchMonth)?;
    let key = MonthKey { site: garden.site.id.clone(), wanted, until };
    let context = &site.context;
    let ready = context.months.get(source.record.reader(), garden, key, context.moment()).await?;
    Ok((choice, ready))
}

/// A page of the month: on the first one also what to take away and which beds to compare.
fn body(
    garden: &Garden,
    source: &MonthSource,
    (choice, ready): (&MonthChoice, &ReadyMonth),
    page: ReportPage,
) -> Markup {
    let month = &ready.month.month;
    let contents = Contents { month, made: &ready.month.made, notes: choice.notes, level: choice.level };
    let base = format!("/site/{}/month/{}", garden.site.id, month.which);
    let more = choice.more();
    let within = Within::Page { base: &base, more: &more };
    let link = |name: &str| format!("{base}/{name}?level={}{more}", choice.level.name());
    html! {
        link rel="stylesheet" href=(assets::LESSON.address());
        h1 { (report::html::page_title(month, page)) }
        @if let ReportPage::Lesson(_) = page {
            p class="way-back" { a href={ "/site/" (garden.site.id) "/month" } { "Other months" } }
        }
        @if let Some(words) = &source.words { p class="from-longer-record" { (words) } }
        (report::html::body(&contents, page, within))
        @if let ReportPage::Lesson(_) = page {
            details class="part" id="files" {
                summary { h3 { "Files to take away, and another pair of beds" } }
                ul class="files" {
                    li { a href=(link(report::PAGE)) { "The report by itself, to keep or to print" } }
                    @for (name, what) in report::html::links() { li { a href=(link(name)) { (what) } " (" (name) ")" } }
                    li { a href=(link(ARCHIVE)) { "All of it in one file" } " (" (ARCHIVE) ")" }
                }
                details {
                    summary { "Each table as CSV" }
                    ul class="tables" {
                        @for name in report::TABLES { li { a href=(link(&format!("{name}.csv"))) { (name) ".csv" } } }
                    }
                }
                (form::choice(garden, choice, &base))
            }
        }
    }
}

/// A file that the browser saves under a name.
fn download(request: &HeaderMap, tag: &str, media: &'static str, bytes: Vec<u8>, name: &str) -> Response {
    let mut response = tags::file(request, tag, media, bytes, false);
    if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")) {
        response.headers_mut().insert(header::CONTENT_DISPOSITION, value);
    }
    response
}

/// Lets the page that stands by itself use the style that it carries, and nothing else.
fn with_own_style(mut response: Response) -> Response {
    use base64::Engine as _;
    let hash = digest(&SHA256, report::html::style().as_bytes());
    let hash = base64::engine::general_purpose::STANDARD.encode(hash);
    let policy = format!(
        "default-src 'none'; style-src 'sha256-{hash}'; img-src data:; base-uri 'none'; form-action 'none'; \
         frame-ancestors 'none'"
    );
    if let Ok(policy) = HeaderValue::from_str(&policy) {
        response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    let kind = HeaderName::from_static("x-robots-tag");
    response.headers_mut().insert(kind, HeaderValue::from_static("noindex, nofollow"));
    response
}

//! The class month on the page: which months there are, one month to read, and its
//! files.

mod archive;
mod form;
mod kept;
mod list;
mod source;

use std::sync::Arc;

use axum::extract::rejection::PathRejection;
use axum::extract::{Extension, Path, RawQuery, State};
use axum::http::StatusCode;
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use ring::digest::{SHA256, digest};

use super::Views;
use super::access::Visitor;
use super::errors::Problem;
use super::packed::{pack, takes_gzip};
use super::routes::{Desk, ask, frame};
use crate::garden::plan::Garden;
use crate::garden::view::SiteView;
use crate::model::Id;
use crate::report::html::Within;
use crate::report::{self, Contents, PAGE, ReportFile, slug, which};

pub(super) use kept::{Kept, tag};
pub use source::{CannotMake, MonthFiles, Wanted, make, until};

use form::Asked;
use kept::{Key, Present, Ready};

/// All files of a month in one.
const ARCHIVE: &str = "all.zip";

/// `/site/ID/month`: the months of a year, and how complete they are.
pub(super) async fn months<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    Extension(visitor): Extension<Visitor>,
    id: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, Problem> {
    let Ok(Path(id)) = id else { return Err(Problem::NotFound) };
    let (garden, view) = garden(&desk, &id).await?;
    let now = view.now;
    let year = form::year(query.as_deref().unwrap_or_default())?;
    let months = list::months(&desk.page.record, Arc::clone(&garden), now, year).await?;
    let body = list::body(&garden, &months);
    let title = format!("Months of {}", garden.site.name);
    let frame = frame(&desk, visitor, None, &format!("/site/{id}/month")).of_site(&view);
    Ok(frame.still(&title, &body).into_response())
}

/// `/site/ID/month/2026-04`: one month to read.
pub(super) async fn month<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    Extension(visitor): Extension<Visitor>,
    path: Result<Path<(String, String)>, PathRejection>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Ok(Path((id, month))) = path else { return Err(Problem::NotFound) };
    let (_, view) = self::garden(&desk, &id).await?;
    let (garden, asked, ready) = find(&desk, &id, &month, query.as_deref()).await?;
    let body = body(&garden, &asked, &ready);
    let title = format!("{}, {}", report::html::title(&ready.month.month), garden.site.name);
    let frame = frame(&desk, visitor, None, &format!("/site/{id}/month")).of_site(&view);
    let page = frame.still(&title, &body).into_string().into_bytes();
    let tag = tag(&page);
    Ok(tagged(&headers, Bytes { tag: &tag, media: "text/html; charset=utf-8", packable: true }, || page))
}

/// `/site/ID/month/2026-04/FILE`: a file of the month, or all of them in one.
pub(super) async fn file<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    path: Result<Path<(String, String, String)>, PathRejection>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Ok(Path((id, month, name))) = path else { return Err(Problem::NotFound) };
    let known = name == ARCHIVE
        || [report::PAGE, report::SPREADSHEET, report::DICTIONARY].contains(&name.as_str())
        || name.strip_suffix(".csv").is_some_and(|table| report::TABLES.contains(&table));
    if !known {
        return Err(Problem::NotFound);
    }
    let (garden, _, ready) = find(&desk, &id, &month, query.as_deref()).await?;
    let folder = format!("report-{}-{}", garden.site.id, slug(ready.month.month.which));
    if name == ARCHIVE {
        let work = tokio::task::spawn_blocking(move || archive::zip(&folder, &ready.month.files));
        let bytes = work.await.map_err(|_| Problem::Fault)?.map_err(|fault| {
            tracing::error!("a month as one file: {fault}");
            Problem::Fault
        })?;
        let tag = tag(&bytes);
        let name = format!("report-{}-{month}.zip", garden.site.id);
        let packed = Bytes { tag: &tag, media: "application/zip", packable: false };
        return Ok(download(tagged(&headers, packed, || bytes), &name));
    }
    let files = ready.month.files.iter().zip(&ready.tags);
    let found = files.into_iter().find(|(file, _)| file.name == name);
    let Some((ReportFile { name, media, bytes }, tag)) = found else { return Err(Problem::NotFound) };
    // The spreadsheet is packed already.
    let packable = media.starts_with("text/");
    let response = tagged(&headers, Bytes { tag, media, packable }, || bytes.clone());
    if name == PAGE {
        return Ok(with_own_style(response));
    }
    Ok(download(response, &format!("{}-{month}-{name}", garden.site.id)))
}

/// The garden of an id, and how it stands.
async fn garden<V: Views>(desk: &Desk<V>, id: &str) -> Result<(Arc<Garden>, SiteView), Problem> {
    if !Id::is_valid(id) {
        return Err(Problem::NotFound);
    }
    let garden = desk.page.record.garden(id).ok_or(Problem::NotFound)?;
    let view = ask(desk.page.views.site(id)).await?.ok_or(Problem::NotFound)?;
    Ok((Arc::clone(garden), view))
}

/// The month that is asked for.
async fn find<V: Views>(
    desk: &Desk<V>,
    id: &str,
    month: &str,
    query: Option<&str>,
) -> Result<(Arc<Garden>, Asked, Arc<Ready>), Problem> {
    let (garden, view) = garden(desk, id).await?;
    let now = view.now;
    let which = which::parse(month).ok_or(Problem::NoSuchMonth)?;
    let asked = Asked::read(query.unwrap_or_default(), &garden)?;
    let wanted = Wanted { which, compare: asked.compare.clone(), notes: asked.notes };
    let until = until(which, now, &garden.site.time_zone).map_err(|_| Problem::NoSuchMonth)?;
    let key = Key { site: garden.site.id.clone(), wanted, until };
    let present = Present { at: desk.page.views.now(), changed: *desk.page.views.changed().borrow() };
    let ready = desk.months.get(desk.page.record.reader(), &garden, key, present).await?;
    Ok((garden, asked, ready))
}

/// The month within the page: what to download, which beds to compare, the month.
fn body(garden: &Garden, asked: &Asked, ready: &Ready) -> Markup {
    let month = &ready.month.month;
    let contents = Contents { month, made: &ready.month.made, notes: asked.notes };
    let base = format!("/site/{}/month/{}", garden.site.id, slug(month.which));
    let link = |name: &str| format!("{base}/{name}{}", asked.query());
    html! {
        h1 { (report::html::title(month)) }
        p { a href={ "/site/" (garden.site.id) "/month" } { "Other months" } }
        section class="files" {
            h2 { "To take with you" }
            ul {
                @for (name, what) in report::html::links() { li { a href=(link(name)) { (what) } " (" (name) ")" } }
                li { a href=(link(ARCHIVE)) { "All of it in one file" } " (" (ARCHIVE) ")" }
            }
            details {
                summary { "Each table as CSV" }
                ul class="tables" {
                    @for name in report::TABLES { li { a href=(link(&format!("{name}.csv"))) { (name) ".csv" } } }
                }
            }
        }
        (form::choice(garden, asked, &base))
        (report::html::body(&contents, Within::Page))
    }
}

/// What goes out.
struct Bytes<'t> {
    tag: &'t str,
    media: &'static str,
    /// Whether it grows smaller by packing. None of it holds a secret beside what a
    /// caller can choose: the beds of a query must be the garden's own.
    packable: bool,
}

/// An answer with its tag: the bytes, packed where the caller takes them so, or that
/// nothing has changed (RFC 9110, 8.4, 13.1.2). Packed bytes have a tag of their own.
fn tagged(headers: &HeaderMap, it: Bytes<'_>, bytes: impl FnOnce() -> Vec<u8>) -> Response {
    let packed = it.packable && takes_gzip(headers);
    let tag = if packed { format!("{}-gzip\"", it.tag.trim_end_matches('"')) } else { it.tag.to_owned() };
    let known = headers
        .get_all(header::IF_NONE_MATCH)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','))
        .map(|value| value.trim().trim_start_matches("W/"))
        .any(|value| value == tag || value == "*");
    let mut response = if known {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        let bytes = if packed { pack(&bytes()) } else { bytes() };
        ([(header::CONTENT_TYPE, it.media)], bytes).into_response()
    };
    let headers = response.headers_mut();
    if packed && !known {
        headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
    }
    headers.insert(header::VARY, HeaderValue::from_static("accept-encoding"));
    if let Ok(tag) = HeaderValue::from_str(&tag) {
        headers.insert(header::ETAG, tag);
    }
    // Kept by the browser, and asked about before it is shown again.
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("private, no-cache"));
    response
}

fn download(mut response: Response, name: &str) -> Response {
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

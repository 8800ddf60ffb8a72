//! Addresses, limits and headers.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{HeaderMap, Method, StatusCode};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use tokio::time::{Instant, timeout};
use tracing::{error, warn};

use super::errors::Problem;
use super::figures::SiteFigures;
use super::layout::Frame;
use super::serve::Page;
use super::wrong::WrongLinks;
use super::{Unavailable, Views, answer, api, lists, month, today};
use crate::answering::{Checked, Claim, TOKEN_MAX, note};
use crate::garden::plan::Id;
use crate::garden::view::SiteView;

/// Bytes of a request's path and of its query.
const PATH_MAX: usize = 256;
const QUERY_MAX: usize = 256;

/// The page on which alarms are answered.
const ANSWER: &str = "/answer";

/// Bytes of its query: a token and its name.
const ANSWER_QUERY_MAX: usize = TOKEN_MAX + 16;

/// Bytes of its form: a token, and a note whose every byte is written as three.
const FORM_MAX: usize = 16 * 1024;

/// How long the form may take to come.
const FORM_WAIT: Duration = Duration::from_secs(15);

/// How long the garden may take to answer before the page gives up.
pub(super) const VIEW_WAIT: Duration = Duration::from_secs(10);

/// Topics not placed that one page lists.
const NOT_PLACED_MAX: usize = 50;

const STYLE: &str = include_str!("style.css");

/// No script, no frame, no form but the answer's; style and pictures from here only.
const SECURITY_POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self' data:; \
                               base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// The same for the one page that has a form.
const ANSWER_POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self' data:; \
                             base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

const HEADERS: [(HeaderName, &str); 4] = [
    (header::CONTENT_SECURITY_POLICY, SECURITY_POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

/// What every request is answered from.
pub(super) struct Desk<V> {
    pub(super) page: Page<V>,
    pub(super) wrong: WrongLinks,
    pub(super) months: month::Kept,
    pub(super) api: api::Places,
}

pub(super) fn router<V: Views>(desk: Arc<Desk<V>>) -> Router {
    Router::new()
        .route("/", get(home::<V>))
        .route("/site/{id}", get(site::<V>))
        .route("/site/{id}/month", get(month::months::<V>))
        .route("/site/{id}/month/{month}", get(month::month::<V>))
        .route("/site/{id}/month/{month}/{file}", get(month::file::<V>))
        .route(ANSWER, get(ask_answer::<V>).post(take_answer::<V>))
        .route("/health", get(health::<V>))
        .route("/style.css", get(style))
        .merge(api::routes())
        .fallback(async || Problem::NotFound)
        .layer(from_fn_with_state(Arc::clone(&desk), guard::<V>))
        .with_state(desk)
}

/// Refuses what no page is asked with, turns a fault into a page, and puts the
/// headers on whatever comes out.
async fn guard<V: Views>(State(desk): State<Arc<Desk<V>>>, request: Request, next: Next) -> Response {
    let answers = request.uri().path() == ANSWER;
    let mut response = if api::is_ours(request.uri().path()) {
        api::door(&desk.page.origins, request, next).await
    } else if let Some(problem) = refusal(&request) {
        problem.into_response()
    } else {
        // A task of its own, so that a panic ends this answer and nothing else.
        tokio::spawn(next.run(request)).await.unwrap_or_else(|fault| {
            error!("making a page: {fault}");
            Problem::Fault.into_response()
        })
    };
    if let Some(problem) = response.extensions().get::<Problem>().copied() {
        response = problem.page(desk.page.notice.as_deref());
    }
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    if answers {
        headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(ANSWER_POLICY));
        headers
            .insert(HeaderName::from_static("x-robots-tag"), HeaderValue::from_static("noindex, nofollow"));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

fn refusal(request: &Request) -> Option<Problem> {
    let uri = request.uri();
    let answers = uri.path() == ANSWER;
    match *request.method() {
        Method::GET | Method::HEAD => {}
        Method::POST if answers => {}
        _ if answers => return Some(Problem::OnlyAnswering),
        _ => return Some(Problem::OnlyReading),
    }
    let query_max = if answers { ANSWER_QUERY_MAX } else { QUERY_MAX };
    let too_long = uri.path().len() > PATH_MAX || uri.query().is_some_and(|q| q.len() > query_max);
    too_long.then_some(Problem::TooLong)
}

/// One site: what to do there today. Several: the list of them.
async fn home<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    RawQuery(query): RawQuery,
) -> Result<Response, Problem> {
    let frame = frame(&desk, query.as_deref(), "/");
    let sites = ask(desk.page.views.sites()).await?;
    let not_placed = ask(desk.page.views.not_placed(NOT_PLACED_MAX)).await?;
    if let [(id, _)] = sites.as_slice() {
        let view = ask(desk.page.views.site(id.as_str())).await?.ok_or(Problem::NotFound)?;
        let figures = figures(&desk, &view).await;
        return Ok(today::page(&frame, &view, figures.as_ref(), &not_placed).into_response());
    }
    Ok(lists::sites_page(&frame, &sites, &not_placed).into_response())
}

async fn site<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    id: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, Problem> {
    let Ok(Path(id)) = id else { return Err(Problem::NotFound) };
    if !Id::is_valid(&id) {
        return Err(Problem::NotFound);
    }
    let view = ask(desk.page.views.site(&id)).await?.ok_or(Problem::NotFound)?;
    let mut not_placed = ask(desk.page.views.not_placed(NOT_PLACED_MAX)).await?;
    // By the contract a site's topics begin with its id; other sites' topics
    // stand on the list of sites.
    not_placed.retain(|topic| topic.topic.strip_prefix(&id).is_some_and(|rest| rest.starts_with('/')));
    let frame = frame(&desk, query.as_deref(), &format!("/site/{id}"));
    let figures = figures(&desk, &view).await;
    Ok(today::page(&frame, &view, figures.as_ref(), &not_placed).into_response())
}

/// How the alarms do. What needs doing today is shown without it where it fails.
async fn figures<V: Views>(desk: &Desk<V>, view: &SiteView) -> Option<SiteFigures> {
    ask(desk.page.views.alarm_figures(view.id.as_str(), view.now)).await.unwrap_or(None)
}

/// Shows the alarm of a link, and the button. Changes nothing.
async fn ask_answer<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    RawQuery(query): RawQuery,
) -> Result<Response, Problem> {
    let token = field(query.unwrap_or_default().as_bytes(), "t").unwrap_or_default();
    let claim = check(&desk, &token)?;
    alarm_page(&desk, &token, &claim, |page| page.ask(None)).await
}

/// Takes the answer of whoever pressed the button.
async fn take_answer<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Problem> {
    if !is_form(&headers) {
        return Err(Problem::NotAForm);
    }
    let form = timeout(FORM_WAIT, to_bytes(body, FORM_MAX)).await.map_err(|_| Problem::FormTooSlow)?;
    let form = form.map_err(|_| Problem::FormTooLong)?;
    let token = field(&form, "t").unwrap_or_default();
    let claim = check(&desk, &token)?;
    // A form's text has line ends of its own; a note is one line.
    let text = field(&form, "note").unwrap_or_default().replace(['\r', '\n', '\t'], " ");
    let note = match note(&text) {
        Ok(note) => note,
        Err(why) => {
            return alarm_page(&desk, &token, &claim, |page| page.ask(Some((&why, &text)))).await;
        }
    };
    let answered = match timeout(VIEW_WAIT, desk.page.views.acknowledge(&claim, note)).await {
        Ok(Ok(answered)) => answered,
        Ok(Err(fault)) => {
            warn!("an answer could not be confirmed: {fault}");
            return Err(Problem::NotConfirmed);
        }
        Err(_) => {
            warn!("an answer could not be confirmed within {VIEW_WAIT:?}");
            return Err(Problem::NotConfirmed);
        }
    };
    alarm_page(&desk, &token, &claim, |page| page.told(answered)).await
}

async fn alarm_page<V: Views>(
    desk: &Desk<V>,
    token: &str,
    claim: &Claim,
    lay_out: impl FnOnce(answer::Page<'_>) -> Response,
) -> Result<Response, Problem> {
    let view = ask(desk.page.views.site(claim.key.site.as_str())).await?.ok_or(Problem::NotFound)?;
    let steps = ask(desk.page.views.steps(&claim.key, claim.since)).await?;
    let notice = desk.page.notice.as_deref();
    Ok(lay_out(answer::Page { notice, token, claim, view: &view, steps: &steps }))
}

/// What a link that holds says.
fn check<V: Views>(desk: &Desk<V>, token: &str) -> Result<Claim, Problem> {
    let problem = match desk.page.views.check(token) {
        None => return Err(Problem::NotFound),
        Some(Checked::Good(claim)) => return Ok(claim),
        Some(Checked::Expired(_)) => return Err(Problem::LinkExpired),
        Some(Checked::Forged) => Problem::LinkForged,
        Some(Checked::Malformed) => Problem::LinkMalformed,
    };
    Err(if desk.wrong.one_more(Instant::now()) { problem } else { Problem::TooManyWrongLinks })
}

fn is_form(headers: &HeaderMap) -> bool {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let kind = kind.split(';').next().unwrap_or_default().trim();
    kind.eq_ignore_ascii_case("application/x-www-form-urlencoded")
}

/// The first field of a name, in a query or a form.
fn field(form: &[u8], name: &str) -> Option<String> {
    url::form_urlencoded::parse(form).find(|(key, _)| key == name).map(|(_, value)| value.into_owned())
}

async fn health<V: Views>(State(desk): State<Arc<Desk<V>>>) -> Response {
    let Ok(health) = timeout(VIEW_WAIT, desk.page.views.health()).await else {
        let why = format!("the daemon did not answer within {} seconds\n", VIEW_WAIT.as_secs());
        return (StatusCode::SERVICE_UNAVAILABLE, why).into_response();
    };
    if health.faults.is_empty() {
        return (StatusCode::OK, "ok\n").into_response();
    }
    (StatusCode::SERVICE_UNAVAILABLE, health.faults.join("\n") + "\n").into_response()
}

async fn style() -> impl IntoResponse {
    let headers = [(header::CONTENT_TYPE, "text/css; charset=utf-8"), (header::CACHE_CONTROL, "max-age=300")];
    (headers, STYLE)
}

pub(super) async fn ask<T>(view: impl Future<Output = Result<T, Unavailable>>) -> Result<T, Problem> {
    match timeout(VIEW_WAIT, view).await {
        Ok(Ok(view)) => Ok(view),
        Ok(Err(fault)) => {
            warn!("the page cannot be made: {fault}");
            Err(Problem::Unavailable)
        }
        Err(_) => {
            warn!("the page cannot be made: no answer within {VIEW_WAIT:?}");
            Err(Problem::Unavailable)
        }
    }
}

fn frame<'a, V>(desk: &'a Desk<V>, query: Option<&str>, path: &str) -> Frame<'a> {
    Frame { notice: desk.page.notice.as_deref(), path: path.to_owned(), held: query == Some("hold=yes") }
}

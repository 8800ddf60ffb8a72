//! Addresses, limits and headers.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{Method, StatusCode};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use tokio::time::timeout;
use tracing::{error, warn};

use super::errors::Problem;
use super::figures::SiteFigures;
use super::layout::Frame;
use super::{Unavailable, Views, lists, today};
use crate::garden::plan::Id;
use crate::garden::view::SiteView;

/// Bytes of a request's path and of its query.
const PATH_MAX: usize = 256;
const QUERY_MAX: usize = 256;

/// How long the garden may take to answer before the page gives up.
const VIEW_WAIT: Duration = Duration::from_secs(10);

/// Topics not placed that one page lists.
const NOT_PLACED_MAX: usize = 50;

const STYLE: &str = include_str!("style.css");

/// No script, no frame, no form; style and pictures from here only.
const SECURITY_POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self' data:; \
                               base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

const HEADERS: [(HeaderName, &str); 4] = [
    (header::CONTENT_SECURITY_POLICY, SECURITY_POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

/// What every request is answered from.
pub(super) struct Desk<V> {
    pub(super) views: V,
    pub(super) notice: Option<String>,
}

pub(super) fn router<V: Views>(desk: Arc<Desk<V>>) -> Router {
    Router::new()
        .route("/", get(home::<V>))
        .route("/site/{id}", get(site::<V>))
        .route("/health", get(health::<V>))
        .route("/style.css", get(style))
        .fallback(async || Problem::NotFound)
        .layer(from_fn_with_state(Arc::clone(&desk), guard::<V>))
        .with_state(desk)
}

/// Refuses what no page is asked with, turns a fault into a page, and puts the
/// headers on whatever comes out.
async fn guard<V: Views>(State(desk): State<Arc<Desk<V>>>, request: Request, next: Next) -> Response {
    let refused = refusal(&request);
    let mut response = match refused {
        Some(problem) => problem.into_response(),
        // A task of its own, so that a panic ends this answer and nothing else.
        None => tokio::spawn(next.run(request)).await.unwrap_or_else(|fault| {
            error!("making a page: {fault}");
            Problem::Fault.into_response()
        }),
    };
    if let Some(problem) = response.extensions().get::<Problem>().copied() {
        response = problem.page(desk.notice.as_deref());
    }
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

fn refusal(request: &Request) -> Option<Problem> {
    let uri = request.uri();
    if request.method() != Method::GET && request.method() != Method::HEAD {
        return Some(Problem::OnlyReading);
    }
    let too_long = uri.path().len() > PATH_MAX || uri.query().is_some_and(|q| q.len() > QUERY_MAX);
    too_long.then_some(Problem::TooLong)
}

/// One site: what to do there today. Several: the list of them.
async fn home<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    RawQuery(query): RawQuery,
) -> Result<Response, Problem> {
    let frame = frame(&desk, query.as_deref(), "/");
    let sites = ask(desk.views.sites()).await?;
    let not_placed = ask(desk.views.not_placed(NOT_PLACED_MAX)).await?;
    if let [(id, _)] = sites.as_slice() {
        let view = ask(desk.views.site(id.as_str())).await?.ok_or(Problem::NotFound)?;
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
    let view = ask(desk.views.site(&id)).await?.ok_or(Problem::NotFound)?;
    let mut not_placed = ask(desk.views.not_placed(NOT_PLACED_MAX)).await?;
    // By the contract a site's topics begin with its id; other sites' topics
    // stand on the list of sites.
    not_placed.retain(|topic| topic.topic.strip_prefix(&id).is_some_and(|rest| rest.starts_with('/')));
    let frame = frame(&desk, query.as_deref(), &format!("/site/{id}"));
    let figures = figures(&desk, &view).await;
    Ok(today::page(&frame, &view, figures.as_ref(), &not_placed).into_response())
}

/// How the alarms do. What needs doing today is shown without it where it fails.
async fn figures<V: Views>(desk: &Desk<V>, view: &SiteView) -> Option<SiteFigures> {
    ask(desk.views.alarm_figures(view.id.as_str(), view.now)).await.unwrap_or(None)
}

async fn health<V: Views>(State(desk): State<Arc<Desk<V>>>) -> Response {
    let Ok(health) = timeout(VIEW_WAIT, desk.views.health()).await else {
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

async fn ask<T>(view: impl Future<Output = Result<T, Unavailable>>) -> Result<T, Problem> {
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
    Frame { notice: desk.notice.as_deref(), path: path.to_owned(), held: query == Some("hold=yes") }
}

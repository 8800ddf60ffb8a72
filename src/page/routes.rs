//! Addresses, limits and headers.

use std::sync::Arc;

use axum::Router;
use axum::extract::{Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::request::Parts;
use axum::http::{Method, StatusCode};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use tracing::error;

use super::access::{self, Gate, Peer, RequestOrigin, Visitor};
use super::context::PageContext;
use super::layout::problem_page;
use super::problem::Problem;
use super::{
    PageSource, alarms, all_places, answer, api, assets, care, drawing, forms, health, jobs, lists, live,
    log, metrics, month, more, place, setup, tags, today,
};
use crate::answering::TOKEN_MAX;

/// Bytes of a request's path and of its query.
const PATH_MAX: usize = 256;
const QUERY_MAX: usize = 256;

/// Bytes of the query of a garden's drawing: four numbers for each of some hundred places.
const DRAWING_QUERY_MAX: usize = 24 * 1024;

/// Bytes of the query of a form that only computes: a sheet of samples, or a sensor.
const FORM_QUERY_MAX: usize = 4 * 1024;

/// Last parts of the paths of such forms.
const QUERY_FORMS: [&str; 3] = ["/probe", "/soil-test", "/new-sensor"];

/// The page on which alarms are answered.
const ANSWER: &str = "/answer";

/// Bytes of its query: a token and its name.
const ANSWER_QUERY_MAX: usize = TOKEN_MAX + 16;

/// Everything from here only; nothing inline, no frame.
const SECURITY_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
                               connect-src 'self'; worker-src 'self'; manifest-src 'self'; form-action 'self'; \
                               base-uri 'none'; frame-ancestors 'none'";

const HEADERS: [(HeaderName, &str); 4] = [
    (header::CONTENT_SECURITY_POLICY, SECURITY_POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    // With "no-referrer" browsers hide from us which page a form came from.
    (header::REFERRER_POLICY, "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

pub(super) fn router<V: PageSource>(context: Arc<PageContext<V>>) -> Router {
    Router::new()
        .route("/", get(today::home::<V>))
        .route("/site/{id}", get(today::today::<V>))
        .route("/site/{id}/handover", get(jobs::handover::<V>))
        .route("/site/{id}/jobs", get(jobs::jobs::<V>))
        .route("/site/{id}/log", get(log::log::<V>))
        .route("/site/{id}/sensors", get(lists::sensors::<V>))
        .route("/site/{id}/bed/{bed}", get(place::bed::<V>))
        .route("/site/{id}/tank/{tank}", get(place::tank::<V>))
        .route("/site/{id}/rain", get(place::rain::<V>))
        .route("/site/{id}/places", get(all_places::all::<V>))
        .route("/site/{id}/more", get(more::more::<V>))
        .route("/site/{id}/care", get(care::care::<V>))
        .route("/site/{id}/drawing", get(drawing::drawing::<V>).post(drawing::take::<V>))
        .route("/site/{id}/keys", get(setup::keys::<V>))
        .route("/site/{id}/placing", get(setup::placing::<V>))
        .route("/site/{id}/probe", get(setup::probe::<V>))
        .route("/site/{id}/soil-test", get(setup::soil_test::<V>))
        .route("/site/{id}/new-sensor", get(setup::new_sensor::<V>))
        .route("/site/{id}/month", get(month::months::<V>))
        .route("/site/{id}/month/{month}", get(month::month::<V>))
        .route("/site/{id}/month/{month}/{file}", get(month::file::<V>))
        .route("/site/{id}/write", get(forms::write::ask::<V>).post(forms::write::take::<V>))
        .route("/site/{id}/alarms", get(alarms::ask::<V>))
        .route("/site/{id}/alarms/answer", post(alarms::take::<V>))
        .route(ANSWER, get(answer::ask::<V>).post(answer::take::<V>))
        .route("/enter", get(access::ask::<V>).post(access::take::<V>))
        .route("/leave", post(access::leave::<V>))
        .route("/health", get(health::health::<V>))
        .route("/metrics", get(metrics::metrics::<V>))
        .route("/live", get(live::live::<V>))
        .route("/style.css", get(assets::style))
        .route("/lesson.css", get(assets::lesson))
        .route("/setup.css", get(assets::setup))
        .route("/mover.js", get(assets::mover))
        .route("/script.js", get(assets::script))
        .route("/offline.js", get(assets::offline))
        .merge(api::routes())
        .fallback(async || Problem::NotFound)
        .layer(from_fn_with_state(Arc::clone(&context), guard::<V>))
        .with_state(context)
}

/// Refuses requests that no page takes, turns a fault into a page, and puts the headers
/// on every answer.
async fn guard<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
    request: Request,
    next: Next,
) -> Response {
    let path = request.uri().path().to_owned();
    let answers = path == ANSWER;
    let ours = api::is_ours(&path);
    let reads = request.method() == Method::GET;
    let asked = request.headers().clone();
    let (mut parts, body) = request.into_parts();
    let refused = if ours { None } else { refusal(&parts).map(IntoResponse::into_response) };
    let refused = refused.or_else(|| admit(&context.gate, &mut parts));
    let secret = parts.extensions.get::<Visitor>().is_some_and(|visitor| visitor.form_token.is_some());
    let asks = refused.is_none() && reads_form(&parts);
    let (peer, origin) = (parts.extensions.get::<Peer>().copied(), parts.extensions.get().cloned());
    let mut request = Request::from_parts(parts, body);
    let (mut begins, mut refused) = (Vec::new(), refused);
    if let (true, Some(peer), Some(origin)) = (asks, peer, origin) {
        match access::entered_with(&context, request, peer, &origin).await {
            Ok((entered, headers)) => (request, begins) = (entered, headers),
            Err(asked) => {
                request = Request::default();
                refused = Some(asked);
            }
        }
    }
    let mut response = if ours {
        api::door(context.gate.origins(), refused, request, next).await
    } else if let Some(refused) = refused {
        refused
    } else {
        // A task of its own, so that a panic ends this answer and nothing else.
        tokio::spawn(next.run(request)).await.unwrap_or_else(|fault| {
            error!("making a page: {fault}");
            Problem::Fault.into_response()
        })
    };
    if reads {
        response = tags::tagged(response, &asked, secret).await;
    }
    if let Some(problem) = response.extensions().get::<Problem>().copied() {
        response = problem_page(context.notice.as_deref(), problem);
    }
    let headers = response.headers_mut();
    for cookie in begins {
        headers.append(header::SET_COOKIE, cookie);
    }
    for (name, value) in HEADERS {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    if answers {
        // The address holds the link's own secret.
        headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
        headers
            .insert(HeaderName::from_static("x-robots-tag"), HeaderValue::from_static("noindex, nofollow"));
    }
    if secret && !access::is_open(&path) {
        // Of somebody who has entered nothing stays in the browser.
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    if !answers && matches!(response.status(), StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN) {
        let clear = HeaderValue::from_static("\"cache\"");
        response.headers_mut().entry(access::CLEAR_SITE_DATA).or_insert(clear);
    }
    response
}

/// Finds out who asks, and turns away visitors who may not have what they ask for. The
/// request then carries a [`Visitor`].
fn admit(gate: &Gate, parts: &mut Parts) -> Option<Response> {
    let origin = RequestOrigin::of(parts);
    let visitor = gate.visitor(parts, &origin);
    let path = parts.uri.path();
    // A form is kept until the password is there.
    let may_read = visitor.may_read || access::is_open(path) || waits_for_password(parts, &visitor);
    let seen = visitor.gardens.holds_path(path);
    let refused = if path != ANSWER && path != "/health" && !gate.is_known_host(&origin) {
        Some(Problem::WrongHost.into_response())
    } else if path != ANSWER && parts.method == Method::POST && !access::is_own(parts) {
        Some(Problem::ForeignForm.into_response())
    } else if may_read && !seen {
        Some(Problem::NotFound.into_response())
    } else if may_read {
        None
    } else {
        Some(access::turned_away(&visitor, parts))
    };
    parts.extensions.insert(origin);
    parts.extensions.insert(visitor);
    refused
}

/// Whether forms are sent to a path.
fn takes_forms(path: &str) -> bool {
    matches!(path, ANSWER | "/enter" | "/leave") || takes_changes(path)
}

/// Whether what is sent to a path changes a garden's record.
fn takes_changes(path: &str) -> bool {
    let of_site = |path: &str| ["/write", "/alarms/answer", "/drawing"].iter().any(|it| path.ends_with(it));
    path.strip_prefix("/site/").is_some_and(of_site)
}

/// Whether a form of somebody who has not entered waits for the password.
fn waits_for_password(parts: &Parts, visitor: &Visitor) -> bool {
    let sent = parts.method == Method::POST && takes_changes(parts.uri.path());
    sent && visitor.can_enter && !visitor.may_change
}

/// The same, of a request that was let in.
fn reads_form(parts: &Parts) -> bool {
    parts.extensions.get::<Visitor>().is_some_and(|visitor| waits_for_password(parts, visitor))
}

fn refusal(request: &Parts) -> Option<Problem> {
    let uri = &request.uri;
    let answers = uri.path() == ANSWER;
    match request.method {
        Method::GET | Method::HEAD => {}
        Method::POST if takes_forms(uri.path()) => {}
        _ if answers => return Some(Problem::OnlyAnswering),
        _ => return Some(Problem::OnlyReading),
    }
    let query_max = match uri.path() {
        _ if answers => ANSWER_QUERY_MAX,
        path if path.starts_with("/site/") && path.ends_with("/drawing") => DRAWING_QUERY_MAX,
        path if path.starts_with("/site/") && QUERY_FORMS.iter().any(|it| path.ends_with(it)) => {
            FORM_QUERY_MAX
        }
        _ => QUERY_MAX,
    };
    let too_long = uri.path().len() > PATH_MAX || uri.query().is_some_and(|q| q.len() > query_max);
    too_long.then_some(Problem::TooLong)
}

//! What every request of the interface passes, in and out.

use axum::extract::Request;
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use tracing::error;

use super::cors;
use super::fault::ApiFault;
use crate::page::problem::Problem;

/// Bytes of a path and of a query.
pub(super) const PATH_MAX: usize = 256;
pub(super) const QUERY_MAX: usize = 1024;

/// Whether an address belongs to the interface.
pub(in crate::page) fn is_ours(path: &str) -> bool {
    path == "/api" || path.starts_with("/api/")
}

/// Answers a request of the interface. What the rest of the page finds to be wrong is
/// said as problem details, not as a page. `origins` are those whose pages may read;
/// `turned_away` is what a caller gets who may not read, or asks under a strange name.
pub(in crate::page) async fn door(
    origins: &[String],
    turned_away: Option<Response>,
    request: Request,
    next: Next,
) -> Response {
    let caller = cors::Caller::of(origins, request.headers());
    let method = request.method().clone();
    let status = turned_away.as_ref().map(Response::status);
    let misdirected = status == Some(StatusCode::MISDIRECTED_REQUEST);
    let mut response = if misdirected {
        ApiFault::misdirected().into_response()
    } else if caller.is_preflight(&method, request.headers()) {
        StatusCode::NO_CONTENT.into_response()
    } else if let Some(fault) = refused(&request) {
        fault.into_response()
    } else if status == Some(StatusCode::NOT_FOUND) {
        ApiFault::of_status(StatusCode::NOT_FOUND).into_response()
    } else if status.is_some() {
        ApiFault::not_signed_in().into_response()
    } else {
        // A task of its own, so that a panic ends this answer and nothing else.
        tokio::spawn(next.run(request)).await.unwrap_or_else(|fault| {
            error!("answering a program: {fault}");
            ApiFault::ours().into_response()
        })
    };
    if response.extensions().get::<Problem>().is_some() {
        response = ApiFault::of_status(response.status()).into_response();
    }
    caller.mark(&mut response, &method);
    response
}

fn refused(request: &Request) -> Option<ApiFault> {
    let (method, uri) = (request.method(), request.uri());
    if !matches!(*method, Method::GET | Method::HEAD) {
        return Some(ApiFault::method(method.as_str()));
    }
    let query = uri.query().map_or(0, str::len);
    [("path", uri.path().len(), PATH_MAX), ("query", query, QUERY_MAX)]
        .into_iter()
        .find(|(_, bytes, most)| bytes > most)
        .map(|(part, bytes, most)| ApiFault::too_long(part, bytes, most))
}

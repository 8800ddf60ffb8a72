//! JSON answers with their tag.

use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG, HeaderValue, LINK, VARY};
use axum::http::{HeaderMap, HeaderName, StatusCode};
use axum::response::{IntoResponse, Response};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::digest::{SHA256, digest};
use serde::Serialize;

use super::fault::ApiFault;
use crate::page::tags::names;

/// A value as JSON; `next` is the address of the list's next part.
pub(super) fn json(
    request: &HeaderMap,
    value: &impl Serialize,
    next: Option<&str>,
) -> Result<Response, ApiFault> {
    let bytes = serde_json::to_vec(value).map_err(|fault| {
        tracing::error!("writing JSON: {fault}");
        ApiFault::ours()
    })?;
    Ok(json_bytes(request, bytes, next))
}

/// Bytes that are JSON already. The tag is a hash of the very bytes, so it is strong: it
/// stays as long as the answer does, also over a restart.
pub(super) fn json_bytes(request: &HeaderMap, bytes: Vec<u8>, next: Option<&str>) -> Response {
    let hash = digest(&SHA256, &bytes);
    let tag = format!("\"{}\"", URL_SAFE_NO_PAD.encode(&hash.as_ref()[..18]));
    let headers = [(ETAG, tag.as_str()), (CACHE_CONTROL, "private, no-cache"), (VARY, "Accept")];
    let mut response = if names(request, &tag) {
        (StatusCode::NOT_MODIFIED, headers).into_response()
    } else {
        (headers, [(CONTENT_TYPE, "application/json")], bytes).into_response()
    };
    if let Some(next) = next {
        insert(&mut response, LINK, &format!("<{next}>; rel=\"next\""));
    }
    response
}

/// Adds a header whose value may hold what a caller gave; it is left out where it cannot
/// be sent.
pub(super) fn insert(response: &mut Response, name: HeaderName, value: &str) {
    if let Ok(value) = HeaderValue::from_str(value) {
        response.headers_mut().insert(name, value);
    }
}

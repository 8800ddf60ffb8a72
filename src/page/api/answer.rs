//! Answers that are made whole: JSON with its tag.

use axum::body::Body;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG, HeaderValue, LINK, VARY};
use axum::http::{HeaderMap, Response as Answer, StatusCode};
use axum::response::Response;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::digest::{SHA256, digest};
use serde::Serialize;

use super::call::Call;
use super::cursor::Cursor;
use super::fault::Fault;

/// A value as JSON.
pub(super) fn json(call: &Call, value: &impl Serialize, next: Option<&str>) -> Result<Response, Fault> {
    let bytes = serde_json::to_vec(value).map_err(|fault| {
        tracing::error!("writing JSON: {fault}");
        Fault::ours()
    })?;
    Ok(bytes_with(call, bytes, next))
}

/// Bytes that are JSON already.
pub(super) fn bytes(call: &Call, bytes: Vec<u8>, next: Option<&str>) -> Response {
    bytes_with(call, bytes, next)
}

/// The next part's address.
pub(super) fn next(call: &Call, cursor: Option<Cursor>) -> Option<String> {
    cursor.map(|cursor| call.next(cursor))
}

/// The tag is a hash of the very bytes, so it is strong: it stays as long as the answer
/// does, also over a restart.
fn bytes_with(call: &Call, bytes: Vec<u8>, next: Option<&str>) -> Response {
    let hash = digest(&SHA256, &bytes);
    let tag = format!("\"{}\"", URL_SAFE_NO_PAD.encode(&hash.as_ref()[..18]));
    let same = call.if_none_match.as_deref().is_some_and(|given| names(given, &tag));
    let mut response = Answer::new(if same { Body::empty() } else { Body::from(bytes) });
    if same {
        *response.status_mut() = StatusCode::NOT_MODIFIED;
    }
    let headers = response.headers_mut();
    say(headers, ETAG, &tag);
    say(headers, CACHE_CONTROL, "private, no-cache");
    say(headers, VARY, "Accept");
    if let Some(next) = next {
        say(headers, LINK, &format!("<{next}>; rel=\"next\""));
    }
    if !same {
        say(headers, CONTENT_TYPE, "application/json");
    }
    response
}

fn say(headers: &mut HeaderMap, name: axum::http::HeaderName, value: &str) {
    if let Ok(value) = HeaderValue::from_str(value) {
        headers.insert(name, value);
    }
}

/// Whether `If-None-Match` names a tag, or any (RFC 9110, section 13.1.2). Our tags hold
/// no comma.
fn names(given: &str, tag: &str) -> bool {
    given.split(',').map(str::trim).any(|it| it == "*" || it.strip_prefix("W/").unwrap_or(it) == tag)
}

//! Answers with a tag of what is in them, compressed for clients that take them so.
//! Style, scripts and pages are tagged at the door; files of a month name their own tag.

use std::io::Write as _;

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use ring::digest::{SHA256, digest};
use tracing::error;

use super::problem::Problem;

/// Bytes of a page that is given a tag.
const TAGGED_MAX: usize = 4 * 1024 * 1024;

/// The place in a page where its own tag goes.
const TAG_PLACE: &str = "data-tag=\"\"";

/// Adds a tag of its content to a whole page, so that a client that has it already gets
/// only that (RFC 9110, section 8.8.3), and compresses style, scripts and pages. The page
/// itself carries its tag, so that a script knows what it has from the first. A page with
/// a secret of a session is not compressed: how far it shrinks could tell of the secret.
pub(super) async fn tagged(response: Response, request: &HeaderMap, secret: bool) -> Response {
    let media = response.headers().get(header::CONTENT_TYPE).map(|media| media.as_bytes().to_vec());
    let media = media.unwrap_or_default();
    let is_page = media.starts_with(b"text/html");
    let is_text = is_page || media.starts_with(b"text/css") || media.starts_with(b"text/javascript");
    if !is_text || response.status() != StatusCode::OK || response.headers().contains_key(header::ETAG) {
        return response;
    }
    let (mut parts, body) = response.into_parts();
    let Ok(bytes) = to_bytes(body, TAGGED_MAX).await else {
        error!("a page is longer than {TAGGED_MAX} bytes");
        return Problem::Fault.into_response();
    };
    let tag = tag(&bytes);
    let compressed = !secret && takes_gzip(request);
    if let Ok(shown) = HeaderValue::from_str(&shown(&tag, compressed)) {
        parts.headers.insert(header::ETAG, shown);
    }
    parts.headers.append(header::VARY, HeaderValue::from_static("accept-encoding"));
    parts.headers.remove(header::CONTENT_LENGTH);
    // A compressed page is the same page.
    if names(request, &tag) || names(request, &shown(&tag, true)) {
        parts.status = StatusCode::NOT_MODIFIED;
        return Response::from_parts(parts, Body::empty());
    }
    let mut bytes = bytes.to_vec();
    if is_page
        && let Ok(text) = std::str::from_utf8(&bytes)
        && let Some((before, after)) = text.split_once(TAG_PLACE)
    {
        bytes = format!("{before}data-tag={tag}{after}").into_bytes();
    }
    if compressed {
        parts.headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
        bytes = compress(&bytes);
    }
    Response::from_parts(parts, Body::from(bytes))
}

/// A file with its tag, or that nothing has changed (RFC 9110, 8.4, 13.1.2). One with a
/// `secret` of a session is not compressed, as in [`tagged`].
pub(super) fn file(
    request: &HeaderMap,
    tag: &str,
    media: &'static str,
    bytes: Vec<u8>,
    secret: bool,
) -> Response {
    // Archives and spreadsheets are compressed already.
    let compressed = !secret && media.starts_with("text/") && takes_gzip(request);
    let tag = shown(tag, compressed);
    // Kept by the browser, and asked about before it is shown again.
    let headers = [
        (header::VARY, "accept-encoding"),
        (header::ETAG, &tag),
        (header::CACHE_CONTROL, "private, no-cache"),
    ];
    if names(request, &tag) {
        return (StatusCode::NOT_MODIFIED, headers).into_response();
    }
    let media = [(header::CONTENT_TYPE, media)];
    if compressed {
        return (headers, media, [(header::CONTENT_ENCODING, "gzip")], compress(&bytes)).into_response();
    }
    (headers, media, bytes).into_response()
}

/// A strong tag of bytes (RFC 9110, 8.8.3): the same bytes, the same tag.
pub(super) fn tag(bytes: &[u8]) -> String {
    let hash = digest(&SHA256, bytes);
    let digits: String = hash.as_ref()[..16].iter().map(|byte| format!("{byte:02x}")).collect();
    format!("\"{digits}\"")
}

/// Compressed bytes have a tag of their own.
fn shown(tag: &str, compressed: bool) -> String {
    if compressed { format!("{}-gzip\"", tag.trim_end_matches('"')) } else { tag.to_owned() }
}

/// Whether `If-None-Match` names a tag, or any (RFC 9110, section 13.1.2). Our tags hold no
/// comma.
pub(super) fn names(request: &HeaderMap, tag: &str) -> bool {
    let given = request.get_all(header::IF_NONE_MATCH).iter().filter_map(|value| value.to_str().ok());
    let mut tags = given.flat_map(|value| value.split(',')).map(str::trim);
    tags.any(|it| it == "*" || it.trim_start_matches("W/") == tag)
}

/// Whether a client takes gzip (RFC 9110, 12.5.3); a weight of 0 means it does not.
fn takes_gzip(request: &HeaderMap) -> bool {
    let taken = request.get_all(header::ACCEPT_ENCODING).iter().filter_map(|value| value.to_str().ok());
    taken.flat_map(|value| value.split(',')).any(|coding| {
        let mut parts = coding.split(';').map(str::trim);
        let gzip = parts.next().is_some_and(|name| name.eq_ignore_ascii_case("gzip"));
        gzip && parts.all(|weight| weight.trim_start_matches("q=").parse::<f64>().is_ok_and(|it| it > 0.0))
    })
}

fn compress(bytes: &[u8]) -> Vec<u8> {
    let mut writer = flate2::GzBuilder::new().write(Vec::new(), flate2::Compression::new(6));
    writer.write_all(bytes).and_then(|()| writer.finish()).expect("a vector takes every byte")
}

//! Answers with a tag of what is in them, packed for whoever takes them so.

use std::io::Write as _;

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use tracing::error;

use super::errors::Problem;
use super::month::tag;

/// Bytes of a page that is given a tag.
const TAGGED_MAX: usize = 4 * 1024 * 1024;

/// The place in a page where its own tag goes.
pub(super) const TAG_PLACE: &str = "data-tag=\"\"";

/// What a reader has and takes.
#[derive(Clone, Debug, Default)]
pub(super) struct Reader {
    known: Option<String>,
    gzip: bool,
}

impl Reader {
    pub(super) fn of(headers: &HeaderMap) -> Self {
        let known = headers.get(header::IF_NONE_MATCH).and_then(|value| value.to_str().ok());
        // A packed page is the same page.
        let known = known.map(|known| known.trim().trim_start_matches("W/").replace("-gzip\"", "\""));
        Self { known, gzip: takes_gzip(headers) }
    }
}

/// Gives a whole page a tag of what is in it, so that whoever has it already hears only
/// that (RFC 9110, section 8.8.3), and packs style, scripts and pages. The page itself
/// carries its tag, so that a script knows what it has from the first. A page with a
/// secret of a session is not packed: how far it shrinks could tell of the secret.
pub(super) async fn tagged(response: Response, reader: &Reader, secret: bool) -> Response {
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
    let packed = reader.gzip && !secret;
    let shown = if packed { format!("{}-gzip\"", tag.trim_end_matches('"')) } else { tag.clone() };
    if let Ok(shown) = HeaderValue::from_str(&shown) {
        parts.headers.insert(header::ETAG, shown);
    }
    parts.headers.append(header::VARY, HeaderValue::from_static("accept-encoding"));
    parts.headers.remove(header::CONTENT_LENGTH);
    if reader.known.as_ref() == Some(&tag) {
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
    if packed {
        parts.headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
        bytes = pack(&bytes);
    }
    Response::from_parts(parts, Body::from(bytes))
}

/// Whether a caller takes gzip (RFC 9110, 12.5.3); a weight of nought means it does not.
pub(super) fn takes_gzip(headers: &HeaderMap) -> bool {
    let taken = headers.get_all(header::ACCEPT_ENCODING).iter().filter_map(|value| value.to_str().ok());
    taken.flat_map(|value| value.split(',')).any(|coding| {
        let mut parts = coding.split(';').map(str::trim);
        let gzip = parts.next().is_some_and(|name| name.eq_ignore_ascii_case("gzip"));
        gzip && parts.all(|weight| weight.trim_start_matches("q=").parse::<f64>().is_ok_and(|it| it > 0.0))
    })
}

pub(super) fn pack(bytes: &[u8]) -> Vec<u8> {
    let mut packer = flate2::GzBuilder::new().write(Vec::new(), flate2::Compression::new(6));
    packer.write_all(bytes).and_then(|()| packer.finish()).expect("a vector takes every byte")
}

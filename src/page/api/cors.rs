//! Pages of other origins that may read the interface in a visitor's browser (the
//! Fetch standard's CORS protocol). None may, unless the settings name them; no cookie
//! ever comes with their requests.

use axum::http::header::{
    ACCESS_CONTROL_ALLOW_HEADERS, ACCESS_CONTROL_ALLOW_METHODS, ACCESS_CONTROL_ALLOW_ORIGIN,
    ACCESS_CONTROL_EXPOSE_HEADERS, ACCESS_CONTROL_MAX_AGE, ACCESS_CONTROL_REQUEST_METHOD, ORIGIN, VARY,
};
use axum::http::{HeaderMap, HeaderValue, Method};
use axum::response::Response;

/// Where a request comes from.
pub(super) struct Caller {
    /// Whether any origin is let in, so that answers differ by it.
    varies: bool,
    /// The caller's origin, where it is let in.
    origin: Option<HeaderValue>,
}

impl Caller {
    pub(super) fn of(origins: &[String], headers: &HeaderMap) -> Self {
        let known = |given: &&HeaderValue| origins.iter().any(|origin| given.as_bytes() == origin.as_bytes());
        Self { varies: !origins.is_empty(), origin: headers.get(ORIGIN).filter(known).cloned() }
    }

    /// Whether a browser asks first, for a page that is let in.
    pub(super) fn is_preflight(&self, method: &Method, headers: &HeaderMap) -> bool {
        method == Method::OPTIONS
            && self.origin.is_some()
            && headers.contains_key(ACCESS_CONTROL_REQUEST_METHOD)
    }

    /// Says in an answer who may read it.
    pub(super) fn mark(self, response: &mut Response, method: &Method) {
        let headers = response.headers_mut();
        if self.varies {
            headers.append(VARY, HeaderValue::from_static("Origin"));
        }
        let Some(origin) = self.origin else { return };
        headers.insert(ACCESS_CONTROL_ALLOW_ORIGIN, origin);
        let mut say = |name, value| headers.insert(name, HeaderValue::from_static(value));
        if method == Method::OPTIONS {
            say(ACCESS_CONTROL_ALLOW_METHODS, "GET, HEAD");
            say(ACCESS_CONTROL_ALLOW_HEADERS, "If-None-Match");
            say(ACCESS_CONTROL_MAX_AGE, "600");
        } else {
            say(ACCESS_CONTROL_EXPOSE_HEADERS, "ETag, Link, Retry-After");
        }
    }
}

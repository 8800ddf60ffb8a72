//! Faults as problem details (RFC 9457).

use axum::body::Body;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, HeaderValue, RETRY_AFTER, WWW_AUTHENTICATE};
use axum::http::{Response as Answer, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

/// Characters of what was given that an answer repeats.
const GIVEN_MAX: usize = 200;

/// Why there is no answer.
#[derive(Clone, Debug)]
pub(super) struct Fault {
    status: StatusCode,
    /// What is wrong with this request, a sentence.
    detail: String,
    /// The part of the request that is wrong, such as the name of a parameter.
    part: Option<String>,
    given: Option<String>,
    accepted: Option<String>,
}

/// How it is written. Without a type of its own the title is that of the status
/// (RFC 9457, section 4.2.1).
#[derive(Serialize)]
struct Problem<'a> {
    r#type: &'static str,
    title: &'static str,
    status: u16,
    detail: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    part: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    given: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    accepted: Option<&'a str>,
}

impl Fault {
    fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self { status, detail: detail.into(), part: None, given: None, accepted: None }
    }

    /// The same with what was given and what is accepted.
    pub(super) fn told(mut self, part: &str, given: &str, accepted: impl Into<String>) -> Self {
        self.part = Some(part.to_owned());
        self.given = Some(given.chars().take(GIVEN_MAX).collect());
        self.accepted = Some(accepted.into());
        self
    }

    /// A parameter cannot be used.
    pub(super) fn parameter(
        name: &str,
        given: &str,
        detail: impl Into<String>,
        accepted: impl Into<String>,
    ) -> Self {
        Self::new(StatusCode::BAD_REQUEST, detail).told(name, given, accepted)
    }

    /// Nothing of that name is known here.
    pub(super) fn unknown<'a>(what: &str, given: &str, known: impl Iterator<Item = &'a str>) -> Self {
        let known: Vec<&str> = known.collect();
        let accepted = if known.is_empty() { "none is known".to_owned() } else { known.join(", ") };
        Self::new(StatusCode::NOT_FOUND, format!("There is no such {what} here.")).told(what, given, accepted)
    }

    pub(super) fn no_such_address() -> Self {
        Self::new(
            StatusCode::NOT_FOUND,
            "There is no such address in the interface. /api/v1/openapi.json lists them.",
        )
    }

    pub(super) fn method(given: &str) -> Self {
        Self::new(
            StatusCode::METHOD_NOT_ALLOWED,
            "The interface only reads. Changes are made on the page or with the trug command.",
        )
        .told("method", given, "GET, HEAD")
    }

    pub(super) fn not_acceptable(given: &str, forms: &str) -> Self {
        Self::new(StatusCode::NOT_ACCEPTABLE, "This address does not answer in any form that is accepted.")
            .told("Accept", given, forms)
    }

    pub(super) fn too_long(part: &str, bytes: usize, most: usize) -> Self {
        Self::new(StatusCode::URI_TOO_LONG, format!("The {part} of this address is too long.")).told(
            part,
            &format!("{bytes} bytes"),
            format!("at most {most} bytes"),
        )
    }

    pub(super) fn not_signed_in() -> Self {
        Self::new(
            StatusCode::UNAUTHORIZED,
            "Reading from another computer wants the garden's password: sign in at /enter and send the \
             session's cookie along.",
        )
    }

    /// A name that is not ours, as a page elsewhere can have it for our address.
    pub(super) fn misdirected() -> Self {
        Self::new(
            StatusCode::MISDIRECTED_REQUEST,
            "The interface was asked for by a host name that it does not know. Whoever runs Trug lists its \
             names as public_names in the section [page] of trug.toml.",
        )
    }

    /// The garden or its record cannot be asked just now.
    pub(super) fn unavailable() -> Self {
        Self::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "The garden cannot be asked just now: Trug may still be starting, or its record may be out of \
             reach. Try again in a minute.",
        )
    }

    /// Too many read at one time.
    pub(super) fn busy(detail: &str) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, detail)
    }

    pub(super) fn ours() -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "Something went wrong while making this answer. The fault is Trug's, and it is in the log.",
        )
    }

    /// What the rest of the page found to be wrong.
    pub(super) fn of_status(status: StatusCode) -> Self {
        match status {
            StatusCode::NOT_FOUND => Self::no_such_address(),
            StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => Self::not_signed_in(),
            StatusCode::SERVICE_UNAVAILABLE => Self::unavailable(),
            StatusCode::INTERNAL_SERVER_ERROR => Self::ours(),
            other => Self::new(other, "This request cannot be answered."),
        }
    }
}

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        let problem = Problem {
            r#type: "about:blank",
            title: self.status.canonical_reason().unwrap_or("Unknown"),
            status: self.status.as_u16(),
            detail: &self.detail,
            part: self.part.as_deref(),
            given: self.given.as_deref(),
            accepted: self.accepted.as_deref(),
        };
        let body = serde_json::to_vec(&problem).expect("texts and numbers always have a JSON form");
        let mut response = Answer::new(Body::from(body));
        *response.status_mut() = self.status;
        let headers = response.headers_mut();
        headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
        match self.status {
            StatusCode::SERVICE_UNAVAILABLE => {
                headers.insert(RETRY_AFTER, HeaderValue::from_static("60"));
            }
            StatusCode::METHOD_NOT_ALLOWED => {
                headers.insert(axum::http::header::ALLOW, HeaderValue::from_static("GET, HEAD"));
            }
            // RFC 9110 wants a challenge; no scheme is registered for a form and its cookie.
            StatusCode::UNAUTHORIZED => {
                headers.insert(WWW_AUTHENTICATE, HeaderValue::from_static("Cookie realm=\"/enter\""));
            }
            _ => {}
        }
        response
    }
}

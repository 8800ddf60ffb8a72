//! Faults as problem details (RFC 9457).

use axum::http::StatusCode;
use axum::http::header::{ALLOW, CACHE_CONTROL, CONTENT_TYPE, HeaderValue, RETRY_AFTER, WWW_AUTHENTICATE};
use axum::response::{IntoResponse, Response};
use serde::{Serialize, Serializer};

/// Characters of what was given that an answer repeats.
const GIVEN_MAX: usize = 200;

/// Why there is no answer, as problem details. Without a type of its own the title is that
/// of the status (RFC 9457, section 4.2.1).
#[derive(Clone, Debug, Serialize)]
pub(super) struct ApiFault {
    r#type: &'static str,
    title: &'static str,
    #[serde(serialize_with = "number")]
    status: StatusCode,
    /// What is wrong with this request, a sentence.
    detail: String,
    /// The part of the request that is wrong, such as the name of a parameter.
    #[serde(skip_serializing_if = "Option::is_none")]
    part: Option<Box<str>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    given: Option<Box<str>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    accepted: Option<Box<str>>,
}

fn number<S: Serializer>(status: &StatusCode, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_u16(status.as_u16())
}

impl ApiFault {
    fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        let title = status.canonical_reason().unwrap_or("Unknown");
        let (part, given, accepted) = (None, None, None);
        Self { r#type: "about:blank", title, status, detail: detail.into(), part, given, accepted }
    }

    /// The same with the given and the accepted value.
    fn told(mut self, part: &str, given: &str, accepted: impl Into<String>) -> Self {
        self.part = Some(part.into());
        self.given = Some(given.chars().take(GIVEN_MAX).collect());
        self.accepted = Some(accepted.into().into());
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

impl IntoResponse for ApiFault {
    fn into_response(self) -> Response {
        let body = serde_json::to_vec(&self).expect("texts and numbers always have a JSON form");
        let headers = [(CONTENT_TYPE, "application/problem+json"), (CACHE_CONTROL, "no-store")];
        let more = match self.status {
            StatusCode::SERVICE_UNAVAILABLE => Some((RETRY_AFTER, "60")),
            StatusCode::METHOD_NOT_ALLOWED => Some((ALLOW, "GET, HEAD")),
            // RFC 9110 wants a challenge; no scheme is registered for a form and its cookie.
            StatusCode::UNAUTHORIZED => Some((WWW_AUTHENTICATE, "Cookie realm=\"/enter\"")),
            _ => None,
        };
        let mut response = (self.status, headers, body).into_response();
        if let Some((name, value)) = more {
            response.headers_mut().insert(name, HeaderValue::from_static(value));
        }
        response
    }
}

//! Pages for what went wrong, in plain words.

use axum::http::StatusCode;
use axum::http::header::{ALLOW, HeaderValue, RETRY_AFTER};
use axum::response::{IntoResponse, Response};
use maud::html;

use super::layout::plain_page;

/// Why there is no page.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Problem {
    NotFound,
    OnlyReading,
    TooLong,
    Unavailable,
    Fault,
}

impl Problem {
    fn status(self) -> StatusCode {
        match self {
            Self::NotFound => StatusCode::NOT_FOUND,
            Self::OnlyReading => StatusCode::METHOD_NOT_ALLOWED,
            Self::TooLong => StatusCode::URI_TOO_LONG,
            Self::Unavailable => StatusCode::SERVICE_UNAVAILABLE,
            Self::Fault => StatusCode::INTERNAL_SERVER_ERROR,
        }
    }

    /// A heading and what the reader can do about it.
    fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::NotFound => (
                "There is no such page",
                "The address may be misspelt, or the garden may have another name now.",
            ),
            Self::OnlyReading => (
                "This page is only for reading",
                "It takes no orders. Changes are made with the trug command on the garden's computer.",
            ),
            Self::TooLong => ("That address is too long", "No page here has such a long address."),
            Self::Unavailable => (
                "The garden cannot be asked just now",
                "Trug may still be starting, or its record may be out of reach. Try again in a minute. \
                 Until then, look at the garden and the tank yourself.",
            ),
            Self::Fault => (
                "Something went wrong while making this page",
                "The fault is Trug's, not yours, and it is in the log. \
                 Until it is mended, look at the garden and the tank yourself.",
            ),
        }
    }

    /// The whole answer: status, headers and page.
    pub(super) fn page(self, notice: Option<&str>) -> Response {
        let (heading, advice) = self.words();
        let body = html! {
            h1 { (heading) }
            p { (advice) }
            p { a href="/" { "To the first page" } }
        };
        let mut response = (self.status(), plain_page(notice, heading, &body)).into_response();
        match self {
            Self::OnlyReading => {
                response.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
            }
            Self::Unavailable => {
                response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static("60"));
            }
            Self::NotFound | Self::TooLong | Self::Fault => {}
        }
        response
    }
}

/// Marks the answer; the guard at the door puts the page in its place, since
/// only it knows the notice.
impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut response = self.status().into_response();
        response.extensions_mut().insert(self);
        response
    }
}

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
    /// Of the page on which alarms are answered.
    OnlyAnswering,
    TooLong,
    LinkMalformed,
    LinkForged,
    LinkExpired,
    TooManyWrongLinks,
    FormTooSlow,
    FormTooLong,
    NotAForm,
    /// Of a form other than an answer's.
    FormLate,
    FormLong,
    NoForm,
    /// Sent by another's page.
    ForeignForm,
    /// Made for another session.
    FormOutdated,
    /// The password is needed first.
    NotEntered,
    /// No password is set, so nobody can change anything.
    NothingChanges,
    /// From elsewhere, without a session; the guard asks for the password where it can.
    NotReadable,
    WrongHost,
    Unavailable,
    NoSuchMonth,
    WrongBeds,
    /// A month is being made.
    BeingMade,
    MonthTooLarge,
    /// It is not known whether an answer was taken.
    NotConfirmed,
    Fault,
}

impl Problem {
    fn status(self) -> StatusCode {
        match self {
            Self::NotFound | Self::NoSuchMonth => StatusCode::NOT_FOUND,
            Self::OnlyReading | Self::OnlyAnswering => StatusCode::METHOD_NOT_ALLOWED,
            Self::TooLong => StatusCode::URI_TOO_LONG,
            Self::LinkMalformed | Self::WrongBeds => StatusCode::BAD_REQUEST,
            Self::LinkForged
            | Self::ForeignForm
            | Self::FormOutdated
            | Self::NotEntered
            | Self::NothingChanges
            | Self::NotReadable => StatusCode::FORBIDDEN,
            Self::WrongHost => StatusCode::MISDIRECTED_REQUEST,
            Self::LinkExpired => StatusCode::GONE,
            Self::TooManyWrongLinks => StatusCode::TOO_MANY_REQUESTS,
            Self::FormTooSlow | Self::FormLate => StatusCode::REQUEST_TIMEOUT,
            Self::FormTooLong | Self::FormLong => StatusCode::PAYLOAD_TOO_LARGE,
            Self::NotAForm | Self::NoForm => StatusCode::UNSUPPORTED_MEDIA_TYPE,
            Self::Unavailable | Self::NotConfirmed | Self::BeingMade | Self::MonthTooLarge => {
                StatusCode::SERVICE_UNAVAILABLE
            }
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
                "Nothing is changed at this address. What was seen or done is written on the page of its place, and \
                 alarms are answered on the page of alarms.",
            ),
            Self::OnlyAnswering => (
                "This page takes one answer",
                "Open the link of the message and press the button on the page that it opens.",
            ),
            Self::TooLong => ("That address is too long", "No page here has such a long address."),
            Self::LinkMalformed => (
                "That is not a whole link",
                "Some mail programs cut long addresses. Copy the whole link from the message, \
                 up to its end, and open it again.",
            ),
            Self::LinkForged => (
                "That link is not one of ours",
                "It was changed on the way, or it is older than the garden's present key. \
                 Nothing was answered. Use the link of a newer message.",
            ),
            Self::LinkExpired => (
                "That link has expired",
                "Links hold for some days only. Nothing was answered. \
                 Look at the garden, and use the link of a newer message if there is one.",
            ),
            Self::TooManyWrongLinks => (
                "Too many wrong links",
                "Several links that are not ours were tried within a minute. Wait a minute, and copy the \
                 whole link from the message.",
            ),
            Self::FormTooSlow => (
                "The answer did not come in time",
                "The connection may be poor. Nothing was answered. Open the link again.",
            ),
            Self::FormTooLong => (
                "The answer is too long",
                "Nothing was answered. Open the link again and write a shorter note.",
            ),
            Self::NotAForm => (
                "That is not an answer",
                "Open the link of the message and press the button on the page that it opens.",
            ),
            Self::FormLate => (
                "The form did not come in time",
                "The connection may be poor. Nothing was changed. Go back and send it again.",
            ),
            Self::FormLong => {
                ("The form is too long", "Nothing was changed. Go back and write a shorter note.")
            }
            Self::NoForm => (
                "That is not a form of this page",
                "Nothing was changed. Open the page, fill in its form and send it again.",
            ),
            Self::ForeignForm => (
                "That form is not from this page",
                "It was sent by a page of another address, so nothing was changed. Open this page itself and try again.",
            ),
            Self::FormOutdated => (
                "That form has expired",
                "Nothing was changed. The password was entered anew since the form was opened. Go back, load the page \
                 again and send the form again.",
            ),
            Self::NotEntered => (
                "The password is needed first",
                "Nothing was changed. Enter the password, then go back, load the page again and send the form again.",
            ),
            Self::NothingChanges => ("Nothing can be changed on this page", super::access::HOW_TO_SET),
            Self::NotReadable => (
                "This page is read on the garden's own computer",
                "No password is set for it, so it is not shown to other computers. Whoever runs Trug can set one with \
                 trug password.",
            ),
            Self::WrongHost => (
                "This page goes by another name",
                "It was asked for by a host name that it does not know. Whoever runs Trug lists its names as \
                 public_names in the section [page] of trug.toml.",
            ),
            Self::NotConfirmed => (
                "The answer may not have been taken",
                "Trug is busy or its record is out of reach. Open the link again in a minute: it shows \
                 whether the alarm is answered. Until then, look at the garden and the tank yourself.",
            ),
            Self::NoSuchMonth => (
                "There is no such month",
                "Months are written like 2026-04, and a month is shown once it has begun.",
            ),
            Self::WrongBeds => (
                "Those cannot be compared",
                "Choose two different beds of this garden, or none of both, and go back with your browser.",
            ),
            Self::BeingMade => (
                "The month is being made",
                "Working out a month takes a while, and others may be waiting for one. Try again in ten seconds.",
            ),
            Self::MonthTooLarge => (
                "This month is too large for the page",
                "It holds more readings than are worked out here. On the garden's computer, \
                 trug report makes it into a folder.",
            ),
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
            @if self == Self::NotEntered { p { a href="/enter" { "Enter the password" } } }
            p { a href="/" { "To the first page" } }
        };
        let mut response = (self.status(), plain_page(notice, heading, &body)).into_response();
        match self {
            Self::OnlyReading => {
                response.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
            }
            Self::OnlyAnswering => {
                response.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD, POST"));
            }
            Self::Unavailable | Self::NotConfirmed | Self::TooManyWrongLinks => {
                response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static("60"));
            }
            Self::BeingMade => {
                response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static("10"));
            }
            Self::NotFound
            | Self::NoSuchMonth
            | Self::WrongBeds
            | Self::MonthTooLarge
            | Self::TooLong
            | Self::LinkMalformed
            | Self::LinkForged
            | Self::LinkExpired
            | Self::FormTooSlow
            | Self::FormTooLong
            | Self::NotAForm
            | Self::FormLate
            | Self::FormLong
            | Self::NoForm
            | Self::ForeignForm
            | Self::FormOutdated
            | Self::NotEntered
            | Self::NothingChanges
            | Self::NotReadable
            | Self::WrongHost
            | Self::Fault => {}
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

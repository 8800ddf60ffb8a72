//! Why there is no page, in plain words.

use axum::http::StatusCode;
use axum::http::header::{ALLOW, HeaderName, RETRY_AFTER};
use axum::response::{IntoResponse, Response};

/// Said to somebody whose sign-in may change nothing.
pub(super) const READS_ONLY: &str =
    "With this sign-in you can read, and change nothing. Whoever runs Trug can give you one that may.";

/// How a password is set.
pub(super) const HOW_TO_SET: &str = "Whoever runs Trug sets one: run \"trug password\", put the line that it prints into a file, name the file as \
     password_file in the section [page] of trug.toml, and have Trug use it with \"trug reload\".";

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
    FormLate,
    FormLong,
    NoForm,
    /// Sent by another's page.
    ForeignForm,
    /// Made for another session.
    FormOutdated,
    /// The password is needed first.
    NotEntered,
    /// The sign-in may read and not change.
    ReadsOnly,
    /// No password is set, so nobody can change anything.
    NothingChanges,
    /// From elsewhere, without a session; the guard asks for the password where it can.
    NotReadable,
    WrongHost,
    Unavailable,
    NoSuchMonth,
    WrongBeds,
    NoSuchLevel,
    WrongDays,
    /// A month is being made.
    BeingMade,
    MonthTooLarge,
    /// Single readings of it have gone into days' figures.
    MonthSummarised,
    /// It is not known whether an answer was taken.
    NotConfirmed,
    Fault,
}

impl Problem {
    /// The status, a heading, and what the reader can do about it.
    pub(super) fn words(self) -> (StatusCode, &'static str, &'static str) {
        match self {
            Self::NotFound => (
                StatusCode::NOT_FOUND,
                "There is no such page",
                "The address may be misspelt, or the garden may have another name now.",
            ),
            Self::OnlyReading => (
                StatusCode::METHOD_NOT_ALLOWED,
                "This page is only for reading",
                "Nothing is changed at this address. Use the Garden log, or answer alarms on their page.",
            ),
            Self::OnlyAnswering => (
                StatusCode::METHOD_NOT_ALLOWED,
                "This page takes one answer",
                "Open the link of the message and press the button on the page that it opens.",
            ),
            Self::TooLong => (
                StatusCode::URI_TOO_LONG,
                "That address is too long",
                "No page here has such a long address.",
            ),
            Self::LinkMalformed => (
                StatusCode::BAD_REQUEST,
                "That is not a whole link",
                "Some mail programs cut long addresses. Copy the whole link from the message, \
                 up to its end, and open it again.",
            ),
            Self::LinkForged => (
                StatusCode::FORBIDDEN,
                "That link is not one of ours",
                "It was changed on the way, or the garden has a newer key. Nothing was answered. Use the link of a newer \
                 message.",
            ),
            Self::LinkExpired => (
                StatusCode::GONE,
                "That link has expired",
                "Links work for some days only. Nothing was answered. Look at the garden, and use the link of a newer \
                 message if there is one.",
            ),
            Self::TooManyWrongLinks => (
                StatusCode::TOO_MANY_REQUESTS,
                "Too many wrong links",
                "Several links that are not ours were tried within a minute. Wait a minute, and copy the \
                 whole link from the message.",
            ),
            Self::FormLate => (
                StatusCode::REQUEST_TIMEOUT,
                "The form did not come in time",
                "The connection may be poor. Nothing was changed. Go back and send it again.",
            ),
            Self::FormLong => (
                StatusCode::PAYLOAD_TOO_LARGE,
                "The form is too long",
                "Nothing was changed. Go back and write a shorter note.",
            ),
            Self::NoForm => (
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "That is not a form of this page",
                "Nothing was changed. Open the page, fill in its form and send it again.",
            ),
            Self::ForeignForm => (
                StatusCode::FORBIDDEN,
                "That form is not from this page",
                "It was sent by a page of another address, so nothing was changed. Open this page itself and try again.",
            ),
            Self::FormOutdated => (
                StatusCode::FORBIDDEN,
                "That form has expired",
                "Nothing was changed. Somebody signed in again since the form was opened. Go back, load the page again \
                 and send the form again.",
            ),
            Self::NotEntered => (
                StatusCode::FORBIDDEN,
                "The password is needed first",
                "Nothing was changed. Sign in, then go back, load the page again and send the form again.",
            ),
            Self::ReadsOnly => (StatusCode::FORBIDDEN, "This sign-in only reads", READS_ONLY),
            Self::NothingChanges => {
                (StatusCode::FORBIDDEN, "Nothing can be changed on this page", HOW_TO_SET)
            }
            Self::NotReadable => (
                StatusCode::FORBIDDEN,
                "This page is read on the garden's own computer",
                "No password is set for it, so it is not shown to other computers. Whoever runs Trug can set one with \
                 trug password.",
            ),
            Self::WrongHost => (
                StatusCode::MISDIRECTED_REQUEST,
                "This page goes by another name",
                "Trug does not know the host name in the address. Whoever runs Trug lists its names as public_names \
                 in the section [page] of trug.toml.",
            ),
            Self::NotConfirmed => (
                StatusCode::SERVICE_UNAVAILABLE,
                "The answer may not be saved",
                "Trug is busy or cannot save. Open the link again in a minute: it shows whether the alarm is answered. \
                 Until then, look at the garden and the tank yourself.",
            ),
            Self::NoSuchMonth => (
                StatusCode::NOT_FOUND,
                "There is no such month",
                "Months are written like 2026-04, and a month is shown once it has begun.",
            ),
            Self::WrongBeds => (
                StatusCode::BAD_REQUEST,
                "Those cannot be compared",
                "Choose two different beds of this garden, or none of both, and go back with your browser.",
            ),
            Self::WrongDays => (
                StatusCode::BAD_REQUEST,
                "Those days cannot be shown",
                "Give a first day and a last day like 2026-04-28, the first before the last and in the past, and no more \
                 than 400 days.",
            ),
            Self::NoSuchLevel => (
                StatusCode::BAD_REQUEST,
                "There is no such level",
                "A lesson is for 7-9, 10-12 or older. Go back and choose one.",
            ),
            Self::BeingMade => (
                StatusCode::SERVICE_UNAVAILABLE,
                "The month is being worked out",
                "Working out a month takes a while. Try again in ten seconds.",
            ),
            Self::MonthSummarised => (
                StatusCode::GONE,
                "Only daily figures are kept of that time",
                "A lesson, its worksheet, a term and a year need single readings. Choose days from which they are kept. A \
                 single month, and the pages of beds, tanks and rain, are still shown day by day.",
            ),
            Self::MonthTooLarge => (
                StatusCode::SERVICE_UNAVAILABLE,
                "This month is too large for the page",
                "It holds more readings than are worked out here. On the garden's computer, \
                 trug report makes it into a folder.",
            ),
            Self::Unavailable => (
                StatusCode::SERVICE_UNAVAILABLE,
                "Trug cannot show the garden just now",
                "It may still be starting. Try again in a minute. Until then, look at the garden and the tank yourself.",
            ),
            Self::Fault => (
                StatusCode::INTERNAL_SERVER_ERROR,
                "Something went wrong while making this page",
                "The fault is Trug's, not yours, and it is in the log. \
                 Until it is mended, look at the garden and the tank yourself.",
            ),
        }
    }

    /// A header that the answer needs beside the usual ones.
    pub(super) fn header(self) -> Option<(HeaderName, &'static str)> {
        match self {
            Self::OnlyReading => Some((ALLOW, "GET, HEAD")),
            Self::OnlyAnswering => Some((ALLOW, "GET, HEAD, POST")),
            Self::Unavailable | Self::NotConfirmed | Self::TooManyWrongLinks => Some((RETRY_AFTER, "60")),
            Self::BeingMade => Some((RETRY_AFTER, "10")),
            _ => None,
        }
    }
}

/// Marks the answer; the guard at the door replaces it with the page, since only it
/// knows the notice.
impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut response = self.words().0.into_response();
        response.extensions_mut().insert(self);
        response
    }
}

//! The page that asks for the password, and the way out.

use std::sync::Arc;

use axum::Extension;
use axum::body::Body;
use axum::extract::{RawQuery, State};
use axum::http::header::{HeaderValue, RETRY_AFTER, SET_COOKIE};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

use super::{HOW_TO_SET, PasswordOutcome, Peer, RequestOrigin, Visitor, session};
use crate::page::PageSource;
use crate::page::context::PageContext;
use crate::page::forms::{FormFields, see_other};
use crate::page::layout::plain_page;
use crate::page::problem::Problem;

/// Characters of a path to go to afterwards.
const TO_MAX: usize = 512;

/// The result of the last try.
#[derive(Clone, Copy, PartialEq, Eq)]
enum LastTry {
    None,
    Wrong,
    TooMany,
    Busy,
}

/// Asks for the password.
pub(in crate::page) async fn ask<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
    Extension(visitor): Extension<Visitor>,
    RawQuery(query): RawQuery,
) -> Response {
    let query = FormFields::of(query.unwrap_or_default());
    page(context.notice.as_deref(), &visitor, local(query.text("to")), LastTry::None)
}

/// Takes the password. A right one begins a new session, whatever the browser came with.
pub(in crate::page) async fn take<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
    Extension(visitor): Extension<Visitor>,
    Extension(peer): Extension<Peer>,
    Extension(origin): Extension<RequestOrigin>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Problem> {
    let form = FormFields::read(&headers, body, FormFields::BYTES_MAX).await?;
    let to = local(form.text("to"));
    let gate = &context.gate;
    let caller = gate.password_caller(&headers, peer.0, &origin);
    let last = match gate.try_password(form.whole("password").to_owned(), caller).await {
        PasswordOutcome::Right(token) => {
            gate.end(&headers);
            let known = gate.known_cookie(caller, origin.secure);
            let cookies = [session::cookie(&token, origin.secure)].into_iter().chain(known);
            return Ok(go(to, cookies));
        }
        PasswordOutcome::Wrong => LastTry::Wrong,
        PasswordOutcome::TooMany => LastTry::TooMany,
        PasswordOutcome::Busy => LastTry::Busy,
    };
    Ok(page(context.notice.as_deref(), &visitor, to, last))
}

/// Ends the session.
pub(in crate::page) async fn leave<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
    Extension(visitor): Extension<Visitor>,
    Extension(origin): Extension<RequestOrigin>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Problem> {
    let form = FormFields::read(&headers, body, FormFields::BYTES_MAX).await?;
    if visitor.may_change {
        context.gate.allows(&visitor, &form)?;
        context.gate.end(&headers);
    }
    let mut gone = go("/", [session::cookie("", origin.secure)]);
    // The copies that the browser and the service worker keep go as well.
    let clear = HeaderValue::from_static("\"cache\", \"storage\"");
    gone.headers_mut().insert(super::CLEAR_SITE_DATA, clear);
    Ok(gone)
}

fn go(to: &str, cookies: impl IntoIterator<Item = String>) -> Response {
    let mut response = see_other(to);
    // They hold visible ASCII only.
    for cookie in cookies.into_iter().filter_map(|cookie| HeaderValue::from_str(&cookie).ok()) {
        response.headers_mut().append(SET_COOKIE, cookie);
    }
    response
}

/// A path of this page, or the first page: never another's address.
fn local(to: &str) -> &str {
    let plain = to.len() <= TO_MAX && to.bytes().all(|b| b.is_ascii_graphic() && b != b'\\');
    let here = to.starts_with('/') && !to.starts_with("//") && !to.starts_with("/enter") && to != "/leave";
    if plain && here { to } else { "/" }
}

fn page(notice: Option<&str>, visitor: &Visitor, to: &str, last: LastTry) -> Response {
    if !visitor.can_enter {
        let body = html! {
            h1 { "There is no password" }
            p { "Nothing can be changed on this page, since no password is set for it." }
            p { (HOW_TO_SET) }
            p { a href="/" { "To the first page" } }
        };
        return (StatusCode::FORBIDDEN, plain_page(notice, "There is no password", &body)).into_response();
    }
    let (status, title, fault) = match last {
        LastTry::None => (StatusCode::OK, "Enter the password", None),
        LastTry::Wrong => (
            StatusCode::FORBIDDEN,
            "That is not the password",
            Some("That is not the password. Capital and small letters are different letters."),
        ),
        LastTry::TooMany => (
            StatusCode::TOO_MANY_REQUESTS,
            "Too many tries",
            Some("The password was tried too often within a minute. Wait a minute, then try again."),
        ),
        LastTry::Busy => (
            StatusCode::SERVICE_UNAVAILABLE,
            "Too many visitors at once",
            Some("Too many passwords are being checked just now. Try again in ten seconds."),
        ),
    };
    let body = form(visitor, to, title, fault, last == LastTry::Wrong);
    let mut response = (status, plain_page(notice, title, &body)).into_response();
    if matches!(last, LastTry::TooMany | LastTry::Busy) {
        let wait = if last == LastTry::Busy { "10" } else { "60" };
        response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static(wait));
    }
    response
}

fn form(visitor: &Visitor, to: &str, title: &str, fault: Option<&str>, wrong: bool) -> Markup {
    html! {
        h1 { (title) }
        @if visitor.may_change {
            p { "You have entered already, and may write down what was done and answer alarms. "
                a href=(to) { "Go on" } "." }
            (visitor.corner("/"))
        } @else {
            p { "With the password you may write down what was seen or done, answer alarms, and read this page from "
                "other computers and phones." }
            form class="enter" method="post" action="/enter" {
                input type="hidden" name="to" value=(to);
                @if let Some(fault) = fault { p id="password-fault" class="fault" role="alert" { (fault) } }
                label for="password" { "Password" }
                input id="password" name="password" type="password" autocomplete="current-password" required
                    aria-invalid=[wrong.then_some("true")] aria-describedby=[wrong.then_some("password-fault")];
                button type="submit" { "Enter" }
            }
            p class="standing" {
                "On a computer that others use, press Leave when you are done. Whoever runs Trug knows the password."
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::local;

    #[test]
    fn one_goes_on_to_this_page_only() {
        for to in ["/", "/site/saltbush-gully", "/site/a/write?kind=fed&place=b", "/site/a/bed/b?span=week#x"]
        {
            assert_eq!(local(to), to);
        }
        for to in [
            "",
            "//evil.example/",
            "/\\evil.example",
            "\\\\evil.example",
            "https://evil.example",
            "javascript:alert(1)",
            "site",
            "/a\r\nSet-Cookie: x=y",
            "/a b",
            "/\u{e9}",
            "/\t/evil.example",
            "/enter?to=/enter",
            "/leave",
            &format!("/{}", "x".repeat(512)),
        ] {
            assert_eq!(local(to), "/", "{to:?}");
        }
    }
}

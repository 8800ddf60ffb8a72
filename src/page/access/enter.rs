//! The page that asks for the password, and the way out.

use std::sync::Arc;

use axum::Extension;
use axum::body::Body;
use axum::extract::{RawQuery, Request, State};
use axum::http::header::{CONTENT_LENGTH, COOKIE, HeaderValue, RETRY_AFTER, SET_COOKIE};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

use super::{FORM_TOKEN, HOW_TO_SET, PasswordOutcome, Peer, RequestOrigin, Visitor, session};
use crate::alarms::Answer;
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
    page(&context, &visitor, local(query.text("to")), LastTry::None)
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
    let last = match gate.try_password(form.whole("password").to_owned(), name_of(&form), caller).await {
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
    Ok(page(&context, &visitor, to, last))
}

/// The field of a form for the name of whoever sends it.
const NAME: &str = "name";

/// The name that was typed beside the password.
fn name_of(form: &FormFields) -> Option<String> {
    form.given(NAME).map(str::to_owned)
}

/// Takes a form from somebody who has not entered: with the right password in it, it goes on
/// as one of a new session, with the headers that begin that session. Else the answer asks for
/// the password and keeps what was filled in.
///
/// # Errors
/// The answer that asks, or says what is wrong with the form.
pub(in crate::page) async fn entered_with<V: PageSource>(
    context: &PageContext<V>,
    request: Request,
    peer: Peer,
    origin: &RequestOrigin,
) -> Result<(Request, Vec<HeaderValue>), Response> {
    let (mut parts, body) = request.into_parts();
    let form = FormFields::read(&parts.headers, body, FormFields::BYTES_MAX).await;
    let mut form = form.map_err(IntoResponse::into_response)?;
    let (gate, path) = (&context.gate, parts.uri.path().to_owned());
    let (password, name) = (form.whole("password").to_owned(), name_of(&form));
    form.leave_out(&["password", NAME, FORM_TOKEN]);
    let caller = gate.password_caller(&parts.headers, peer.0, origin);
    let last = if password.is_empty() {
        LastTry::None
    } else {
        match gate.try_password(password, name.clone(), caller).await {
            PasswordOutcome::Right(token) => {
                let known = gate.known_cookie(caller, origin.secure);
                let set = [session::cookie(&token, origin.secure)].into_iter().chain(known);
                let set = set.filter_map(|cookie| HeaderValue::from_str(&cookie).ok()).collect();
                let own = HeaderValue::from_str(&format!("{}={token}", session::NAME));
                parts.headers.insert(COOKIE, own.map_err(|_| Problem::Fault.into_response())?);
                let visitor = gate.visitor(&parts, origin);
                if !visitor.gardens.holds_path(&path) {
                    return Err(Problem::NotFound.into_response());
                }
                form.add(FORM_TOKEN, visitor.form_token.as_deref().unwrap_or_default());
                parts.extensions.insert(visitor);
                parts.headers.remove(CONTENT_LENGTH);
                return Ok((Request::from_parts(parts, Body::from(form.written())), set));
            }
            PasswordOutcome::Wrong => LastTry::Wrong,
            PasswordOutcome::TooMany => LastTry::TooMany,
            PasswordOutcome::Busy => LastTry::Busy,
        }
    };
    let (_, title, fault) = last.words();
    let title = if last == LastTry::None { "Enter the password to save" } else { title };
    let body = html! {
        h1 { (title) }
        p { "What you filled in is kept. It is saved when you enter the password." }
        form class="enter" method="post" action=(path) {
            @for (field, value) in form.all() { input type="hidden" name=(field) value=(value); }
            (fields(fault, last == LastTry::Wrong, name.as_deref(), gate.has_users()))
            button type="submit" { "Save" }
        }
        (shared_computer())
    };
    let status = if last == LastTry::None { StatusCode::FORBIDDEN } else { last.words().0 };
    Err(answered((status, plain_page(context.notice.as_deref(), title, &body)).into_response(), last))
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
    if visitor.has_entered() {
        context.gate.owns(&visitor, &form)?;
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

fn page<V: PageSource>(context: &PageContext<V>, visitor: &Visitor, to: &str, last: LastTry) -> Response {
    let notice = context.notice.as_deref();
    if !visitor.can_enter && !visitor.has_entered() {
        let body = html! {
            h1 { "There is no password" }
            p { "Nothing can be changed on this page, since no password is set for it." }
            p { (HOW_TO_SET) }
            p { a href="/" { "To the first page" } }
        };
        return (StatusCode::FORBIDDEN, plain_page(notice, "There is no password", &body)).into_response();
    }
    let (status, title, fault) = last.words();
    let fields = fields(fault, last == LastTry::Wrong, None, context.gate.has_users());
    let body = form(visitor, to, title, &fields);
    answered((status, plain_page(notice, title, &body)).into_response(), last)
}

impl LastTry {
    /// Status, heading, and what is wrong.
    fn words(self) -> (StatusCode, &'static str, Option<&'static str>) {
        match self {
            Self::None => (StatusCode::OK, "Sign in", None),
            Self::Wrong => (
                StatusCode::FORBIDDEN,
                "That is not the password",
                Some("That is not the password. Capital and small letters are different letters."),
            ),
            Self::TooMany => (
                StatusCode::TOO_MANY_REQUESTS,
                "Too many tries",
                Some("The password was tried too often within a minute. Wait a minute, then try again."),
            ),
            Self::Busy => (
                StatusCode::SERVICE_UNAVAILABLE,
                "Too many visitors at once",
                Some("Too many passwords are being checked just now. Try again in ten seconds."),
            ),
        }
    }
}

/// With the time after which a try may be made again.
fn answered(mut response: Response, last: LastTry) -> Response {
    if matches!(last, LastTry::TooMany | LastTry::Busy) {
        let wait = if last == LastTry::Busy { "10" } else { "60" };
        response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static(wait));
    }
    response
}

fn form(visitor: &Visitor, to: &str, title: &str, fields: &Markup) -> Markup {
    html! {
        h1 { (title) }
        @if visitor.has_entered() {
            p { "You are signed in. " @if visitor.may_change { "You can add to the Garden log and answer alarms. " }
                a href=(to) { "Go on" } "." }
            (visitor.corner("/"))
        } @else {
            p { "With the password you can add to the Garden log, answer alarms, and read this page on other "
                "computers and phones." }
            form class="enter" method="post" action="/enter" {
                input type="hidden" name="to" value=(to);
                (fields)
                button type="submit" { "Sign in" }
            }
            (shared_computer())
        }
    }
}

/// The fields for password and name.
///
/// `by_name`: whether the name decides which gardens are seen.
fn fields(fault: Option<&str>, wrong: bool, name: Option<&str>, by_name: bool) -> Markup {
    html! {
        @if by_name { (name_field(name, by_name)) }
        @if let Some(fault) = fault { p id="password-fault" class="fault" role="alert" { (fault) } }
        label for="password" { "Password" }
        input id="password" name="password" type="password" autocomplete="current-password" required
            aria-invalid=[wrong.then_some("true")] aria-describedby=[wrong.then_some("password-fault")];
        @if !by_name { (name_field(name, by_name)) }
    }
}

fn name_field(name: Option<&str>, by_name: bool) -> Markup {
    let (label, complete) =
        if by_name { ("Your sign-in name", "username") } else { ("Your name, if you like", "nickname") };
    html! {
        label for="name" { (label) }
        input id="name" name=(NAME) type="text" autocomplete=(complete) maxlength=(Answer::NAME_MAX)
            value=[name] aria-describedby="name-help";
        p id="name-help" class="standing" {
            @if by_name { "As whoever runs Trug gave it to you, with the password. Others see who answered an alarm." }
            @else { "Others then see who answered an alarm. Enter no child's name." }
        }
    }
}

fn shared_computer() -> Markup {
    html! {
        p class="standing" {
            "On a computer that others use, sign out when you are done. Whoever runs Trug knows the password."
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

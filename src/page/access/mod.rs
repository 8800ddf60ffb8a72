//! Who may read and who may change something.
//!
//! From this computer itself the page is read without a password, where the settings allow
//! it; from elsewhere, and for every change, the password is asked for once and a session
//! begins. What counts as from this computer is in [`origin`], what a session is in
//! [`session`], whose wrong passwords count together in [`caller`].

mod caller;
mod enter;
mod origin;
mod session;

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode};
use axum::response::{IntoResponse as _, Response};
use maud::{Markup, html};
use ring::hmac;
use ring::rand::{SecureRandom as _, SystemRandom};
use tokio::sync::Semaphore;
use tokio::time::{Instant, timeout};

use self::caller::{BrowserId, KnownBrowsers, PasswordCaller};
use self::session::{SessionId, Sessions};
use super::forms::{FormFields, see_other};
use super::limits::AttemptLimit;
use super::problem::{HOW_TO_SET, Problem, READS_ONLY};
use crate::model::Id;
use crate::password::PasswordHash;
use crate::settings::PageUser;

pub(super) use self::caller::network;
pub(super) use self::enter::{ask, entered_with, leave, take};
pub(super) use self::origin::{RequestOrigin, is_own};

/// Who may do what, as the settings say.
#[derive(Clone, Debug, Default)]
pub struct Rules {
    /// What opens every garden, to changes as well.
    pub password: Option<PasswordHash>,
    /// Who enters by name, each to gardens of their own. Without them and a password nothing
    /// can be changed on the page.
    pub users: Vec<PageUser>,
    /// Host names in small letters under which the page is reached; empty: any.
    pub public_names: Vec<String>,
    /// Whether everybody may read without a password.
    pub open_reading: bool,
    /// Whether the password is needed for reading at this computer as well. A forwarder
    /// that passes bytes on, such as a tunnel, cannot be told from somebody who sits here.
    pub local_needs_password: bool,
    /// Proxies beside those on this computer whose word counts for whom they ask.
    pub trusted_proxies: Vec<IpAddr>,
    /// Origins whose pages may read the interface in a visitor's browser.
    pub origins: Vec<String>,
}

impl Rules {
    /// Every password's hash.
    fn hashes(&self) -> impl Iterator<Item = &PasswordHash> {
        self.password.iter().chain(self.users.iter().map(|user| &user.password))
    }
}

/// Where a request came from; the server puts it beside each one.
#[derive(Clone, Copy, Debug)]
pub(super) struct Peer(pub(super) SocketAddr);

/// What a visitor may do; every request carries one.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Visitor {
    pub may_read: bool,
    /// Whether changes are taken from this visitor: the password was given.
    pub may_change: bool,
    /// What each form that changes something sends along; `None` without a session.
    pub form_token: Option<String>,
    /// Whether there is a password that this visitor could give.
    pub can_enter: bool,
    /// The result of the form that this visitor sent last, to be said once.
    pub said: Option<String>,
    /// The name that was given with the password, if any.
    pub name: Option<String>,
    pub gardens: GardensSeen,
}

/// The gardens that a visitor sees.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum GardensSeen {
    #[default]
    All,
    /// Those of this list and no others: the rest does not exist for this visitor.
    Only(Arc<[Id]>),
}

impl GardensSeen {
    /// Whether the visitor sees a garden.
    pub fn holds(&self, id: &str) -> bool {
        match self {
            Self::All => true,
            Self::Only(ids) => ids.iter().any(|it| it.as_str() == id),
        }
    }

    /// Whether the visitor sees what a path shows: a garden's pages and data, or what is of
    /// no garden. What is of all of them is for those who see all.
    pub(super) fn holds_path(&self, path: &str) -> bool {
        let of_garden = ["/site/", "/api/v1/sites/"].into_iter().find_map(|head| path.strip_prefix(head));
        match of_garden {
            // An id has no character that is written in another way in an address.
            Some(rest) => self.holds(rest.split('/').next().unwrap_or_default()),
            None => path != "/metrics" || *self == Self::All,
        }
    }
}

impl Visitor {
    /// The hidden field that every form needs that changes something.
    pub(super) fn form_field(&self) -> Markup {
        html! {
            @if let Some(token) = &self.form_token { input type="hidden" name=(FORM_TOKEN) value=(token); }
        }
    }

    /// Whether the visitor has a session.
    pub(super) fn has_entered(&self) -> bool {
        self.form_token.is_some()
    }

    /// Whether forms are shown: what is sent is taken, or the password is asked for first and
    /// what was filled in is kept.
    pub(super) fn sees_forms(&self) -> bool {
        self.may_change || self.can_enter
    }

    /// A way in or out, for a corner of each page. `path` is the page to come back to.
    pub(super) fn corner(&self, path: &str) -> Markup {
        html! {
            @if self.has_entered() {
                form class="corner" method="post" action="/leave" {
                    (self.form_field())
                    button type="submit" { "Sign out" @if let Some(name) = &self.name { ", " (name) } }
                }
            } @else if self.can_enter {
                a class="corner" href=(enter_address(path)) { "Sign in to make changes" }
            }
        }
    }

    /// Says what the forms of a page need that visitors do not have; nothing for those who have.
    pub(super) fn how_to_change(&self) -> Markup {
        html! {
            @if self.may_change {}
            @else if self.has_entered() {
                p class="standing" { (READS_ONLY) }
            } @else if self.can_enter {
                p class="standing asked-later" { "The password is asked for when you save." }
            } @else {
                p { "Nothing can be changed on this page: no password is set. " (HOW_TO_SET) }
            }
        }
    }
}

/// Tells a browser what to forget of what it keeps (W3C Clear Site Data, section 3.1).
pub(super) const CLEAR_SITE_DATA: HeaderName = HeaderName::from_static("clear-site-data");

/// The field of a form that proves that it came from one of our pages.
pub(super) const FORM_TOKEN: &str = "token";

/// The address of the page that asks for the password and then goes on to `path`.
pub(super) fn enter_address(path: &str) -> String {
    let to: String = url::form_urlencoded::byte_serialize(path.as_bytes()).collect();
    format!("/enter?to={to}")
}

/// Passwords that are checked at one time: each check takes 19 MiB or what its string
/// asks for.
const CHECKS: usize = 2;

/// How long a password may wait for its check.
const CHECK_WAIT: Duration = Duration::from_secs(10);

/// Tries of a password within a minute from one address, from this computer, or by one
/// browser that is known. And from all addresses together, so that many addresses guess no
/// faster; known browsers and this computer do not count there.
const TRIES_FROM_ONE: u32 = 10;
const TRIES_FROM_ALL: u32 = 60;
/// Tries of all known browsers together: what the checks may cost.
const TRIES_OF_KNOWN: u32 = 600;

/// Keeps the door: rules, sessions and how often a password was tried.
pub(super) struct Gate {
    rules: Rules,
    /// The number of each user, by the key of the name.
    users: HashMap<String, usize>,
    /// The gardens of each user, in their order.
    seen: Vec<GardensSeen>,
    sessions: Mutex<Sessions>,
    tries: AttemptLimit<IpAddr>,
    tries_here: AttemptLimit<()>,
    tries_of_known: AttemptLimit<BrowserId>,
    known: Option<KnownBrowsers>,
    checks: Arc<Semaphore>,
    random: SystemRandom,
    /// Of this run; it makes the forms' tokens.
    key: hmac::Key,
}

/// The result of a try of the password.
pub(super) enum PasswordOutcome {
    /// The token of a new session.
    Right(String),
    Wrong,
    TooMany,
    Busy,
}

impl Gate {
    /// # Errors
    /// When the system gives no random numbers.
    pub(super) fn new(rules: Rules) -> std::io::Result<Self> {
        let random = SystemRandom::new();
        let key = hmac::Key::generate(hmac::HMAC_SHA256, &random).map_err(|_| {
            std::io::Error::other("the system gives no random numbers for the page's sessions")
        })?;
        let numbered = rules.users.iter().enumerate();
        let seen = |user: &PageUser| {
            user.gardens.as_ref().map_or(GardensSeen::All, |ids| GardensSeen::Only(ids.as_slice().into()))
        };
        Ok(Self {
            known: KnownBrowsers::of(rules.hashes()),
            users: numbered.map(|(number, user)| (PageUser::key(&user.name), number)).collect(),
            seen: rules.users.iter().map(seen).collect(),
            rules,
            sessions: Mutex::default(),
            tries: AttemptLimit::new(TRIES_FROM_ONE, TRIES_FROM_ALL),
            tries_here: AttemptLimit::new(TRIES_FROM_ONE, TRIES_FROM_ONE),
            tries_of_known: AttemptLimit::new(TRIES_FROM_ONE, TRIES_OF_KNOWN),
            checks: Arc::new(Semaphore::new(CHECKS)),
            random,
            key,
        })
    }

    /// What the sender of a request may do.
    pub(super) fn visitor(&self, parts: &Parts, origin: &RequestOrigin) -> Visitor {
        let session = self.session(&parts.headers);
        let entered = session.is_some();
        let user = session.and_then(|id| self.sessions().user(&id));
        let reads_only = user.and_then(|it| self.rules.users.get(it)).is_some_and(|it| !it.may_change);
        Visitor {
            may_read: (origin.from_here && !self.rules.local_needs_password)
                || self.rules.open_reading
                || entered,
            may_change: entered && !reads_only,
            form_token: session.map(|id| self.form_token(&id)),
            // Who has entered to read is not asked again with each form.
            can_enter: self.rules.hashes().next().is_some() && !reads_only,
            gardens: user.and_then(|it| self.seen.get(it)).cloned().unwrap_or_default(),
            name: session.and_then(|id| self.sessions().name(&id)),
            said: session.filter(|_| shows(parts)).and_then(|id| self.sessions().take_said(&id)),
        }
    }

    /// Origins whose pages may read the interface.
    pub(super) fn origins(&self) -> &[String] {
        &self.rules.origins
    }

    /// Whether the page answers under the host name of a request.
    pub(super) fn is_known_host(&self, origin: &RequestOrigin) -> bool {
        self.rules.public_names.is_empty()
            || origin.host_is_address
            || origin.host.as_deref().is_some_and(|host| {
                host == "localhost" || self.rules.public_names.iter().any(|name| name == host)
            })
    }

    /// Refuses a form that changes something unless its sender gave the password and it
    /// came from a page that we made for this session.
    ///
    /// # Errors
    /// [`Problem::NotEntered`] without a session, [`Problem::ReadsOnly`] for one that changes
    /// nothing, [`Problem::FormOutdated`] for the wrong token.
    pub(super) fn allows(&self, visitor: &Visitor, form: &FormFields) -> Result<(), Problem> {
        if visitor.has_entered() && !visitor.may_change {
            return Err(Problem::ReadsOnly);
        }
        self.owns(visitor, form)
    }

    /// Refuses a form that did not come from a page that we made for its sender's session.
    ///
    /// # Errors
    /// As [`Gate::allows`], for any session.
    pub(super) fn owns(&self, visitor: &Visitor, form: &FormFields) -> Result<(), Problem> {
        let Some(token) = visitor.form_token.as_deref() else {
            return Err(if visitor.can_enter { Problem::NotEntered } else { Problem::NothingChanges });
        };
        let given = form.text(FORM_TOKEN);
        // Compared as two tags, in a time that does not depend on where they differ.
        let tag = hmac::sign(&self.key, token.as_bytes());
        hmac::verify(&self.key, given.as_bytes(), tag.as_ref()).map_err(|_| Problem::FormOutdated)
    }

    /// Whose budget a try counts against.
    pub(super) fn password_caller(
        &self,
        headers: &HeaderMap,
        peer: SocketAddr,
        origin: &RequestOrigin,
    ) -> PasswordCaller {
        match self.known.as_ref().and_then(|known| known.find(headers)) {
            Some(browser) => PasswordCaller::Known(browser),
            None if origin.from_here => PasswordCaller::Here,
            None => PasswordCaller::Elsewhere(caller::address(peer, headers, &self.rules.trusted_proxies)),
        }
    }

    /// The header that makes a browser known, for one that has given the right password.
    pub(super) fn known_cookie(&self, caller: PasswordCaller, secure: bool) -> Option<String> {
        let new = !matches!(caller, PasswordCaller::Known(_));
        self.known.as_ref().filter(|_| new)?.cookie(&self.random, secure)
    }

    /// Whether people enter by name.
    pub(super) fn has_users(&self) -> bool {
        !self.users.is_empty()
    }

    /// Checks a password off the threads that serve; a right one begins a session for somebody
    /// of that name. A user's name goes with the user's own password only; another name is
    /// whatever somebody likes to be called who knows the password of all.
    pub(super) async fn try_password(
        &self,
        password: String,
        name: Option<String>,
        caller: PasswordCaller,
    ) -> PasswordOutcome {
        let user = name.as_deref().and_then(|name| self.users.get(&PageUser::key(name)).copied());
        let known = user.and_then(|it| self.rules.users.get(it));
        let name = known.map(|it| it.name.clone()).or(name);
        let right = known.map(|it| &it.password).or(self.rules.password.as_ref());
        // A name that is nobody's takes as long as a wrong password.
        let Some(hash) = right.or_else(|| self.rules.hashes().next()).cloned() else {
            return PasswordOutcome::Wrong;
        };
        let opens = right.is_some();
        let now = Instant::now();
        let allowed = match caller {
            PasswordCaller::Known(browser) => self.tries_of_known.allows(browser, now),
            PasswordCaller::Here => self.tries_here.allows((), now),
            PasswordCaller::Elsewhere(address) => self.tries.allows(address, now),
        };
        if !allowed {
            return PasswordOutcome::TooMany;
        }
        let Ok(Ok(place)) = timeout(CHECK_WAIT, Arc::clone(&self.checks).acquire_owned()).await else {
            return PasswordOutcome::Busy;
        };
        let checked = tokio::task::spawn_blocking(move || {
            let right = hash.is_of(&password) && opens;
            drop(place);
            right
        });
        if !checked.await.unwrap_or(false) {
            return PasswordOutcome::Wrong;
        }
        match caller {
            PasswordCaller::Known(browser) => self.tries_of_known.forgive(&browser),
            PasswordCaller::Here => self.tries_here.forgive(&()),
            PasswordCaller::Elsewhere(address) => self.tries.forgive(&address),
        }
        match self.sessions().begin(&self.random, name, user, Instant::now()) {
            Some(token) => PasswordOutcome::Right(token),
            None => PasswordOutcome::Busy,
        }
    }

    /// Ends the session that a request came with.
    pub(super) fn end(&self, headers: &HeaderMap) {
        if let Some(id) = self.session(headers) {
            self.sessions().end(&id);
        }
    }

    /// Keeps a sentence for the next page that the sender of a form opens.
    pub(super) fn say(&self, headers: &HeaderMap, said: String) {
        if let Some(id) = self.session(headers) {
            self.sessions().say(&id, said);
        }
    }

    /// A text that comes once, for a form that must not be taken twice. Empty where the
    /// system gives no random numbers; no form is taken with it then.
    pub(super) fn once(&self) -> String {
        let mut bytes = [0; 16];
        self.random.fill(&mut bytes).map(|()| session::text(&bytes)).unwrap_or_default()
    }

    fn session(&self, headers: &HeaderMap) -> Option<SessionId> {
        let now = Instant::now();
        session::tokens(headers).find_map(|token| self.sessions().of(token, now))
    }

    fn form_token(&self, id: &SessionId) -> String {
        session::text(hmac::sign(&self.key, id.as_ref()).as_ref())
    }

    fn sessions(&self) -> MutexGuard<'_, Sessions> {
        self.sessions.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whether a request opens a page on which a sentence can be said.
fn shows(parts: &Parts) -> bool {
    let path = parts.uri.path();
    parts.method == Method::GET && !is_open(path) && !is_for_programs(path) && !path.contains('.')
}

/// Whether a path is open to everybody: it tells nothing of the garden, or has a key of
/// its own.
pub(super) fn is_open(path: &str) -> bool {
    matches!(
        path,
        "/health"
            | "/answer"
            | "/enter"
            | "/leave"
            | "/style.css"
            | "/lesson.css"
            | "/setup.css"
            | "/mover.js"
            | "/script.js"
            | "/offline.js"
            | "/offline"
            | "/favicon.ico"
            | "/manifest.webmanifest"
    )
}

/// Whether programs ask for a path, so that a page with a form is no answer.
pub(super) fn is_for_programs(path: &str) -> bool {
    matches!(path, "/live" | "/metrics") || path.starts_with("/api/")
}

/// The answer to a visitor who may not read: the way to the password where there is one.
pub(super) fn turned_away(visitor: &Visitor, parts: &Parts) -> Response {
    let path = parts.uri.path();
    if is_for_programs(path) {
        let text = "reading from elsewhere needs the page's password: enter it at /enter\n";
        return (StatusCode::UNAUTHORIZED, text).into_response();
    }
    if !visitor.can_enter {
        return Problem::NotReadable.into_response();
    }
    if parts.method == Method::POST {
        return Problem::NotEntered.into_response();
    }
    let asked = parts.uri.path_and_query().map_or(path, |it| it.as_str());
    let mut sent_on = see_other(&enter_address(asked));
    // Whoever had entered has not any more: no copy of what was read is to stay.
    sent_on.headers_mut().insert(CLEAR_SITE_DATA, HeaderValue::from_static("\"cache\""));
    sent_on
}

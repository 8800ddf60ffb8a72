//! Sessions: who has given the password.
//!
//! A session is a random token of 256 bits in a cookie. Only its SHA-256 is kept, in
//! memory: a reader of the memory cannot use a session, and after a restart
//! everybody enters again.

use std::collections::HashMap;
use std::time::Duration;

use axum::http::HeaderMap;
use axum::http::header::COOKIE;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom, SystemRandom};
use tokio::time::Instant;

/// The cookie where the page is reached by plain HTTP, and by HTTPS: browsers keep the
/// second to this host, to HTTPS and to the path `/` (RFC 6265bis, section 4.1.3.2).
pub(super) const NAME: &str = "trug";
pub(super) const SECURE_NAME: &str = "__Host-trug";

/// Sessions at one time; the one that was idle longest gives way.
pub(super) const SESSIONS_MAX: usize = 256;

/// How long a session may rest, and how long it lasts in all. A day's work and a
/// school week: our own choice between a phone in a pocket and one left on a bench.
const IDLE_MAX: Duration = Duration::from_secs(12 * 3600);
pub(super) const LIFE_MAX: Duration = Duration::from_secs(7 * 24 * 3600);

const TOKEN_BYTES: usize = 32;

/// The SHA-256 of a session's token.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) struct SessionId([u8; TOKEN_BYTES]);

impl AsRef<[u8]> for SessionId {
    fn as_ref(&self) -> &[u8] {
        &self.0
    }
}

#[derive(Clone, Debug)]
struct SessionLife {
    began: Instant,
    seen: Instant,
    /// A sentence for the next page that this visitor opens.
    said: Option<String>,
    /// The name that was given with the password.
    name: Option<String>,
    /// The number of the user whose password it was; `None`: the password of all gardens.
    user: Option<usize>,
}

/// The sessions that hold.
#[derive(Debug, Default)]
pub(super) struct Sessions(HashMap<SessionId, SessionLife>);

impl Sessions {
    /// Begins one, for somebody who may have given a name, and returns its token; `None`
    /// when the system gives no random numbers.
    pub(super) fn begin(
        &mut self,
        random: &SystemRandom,
        name: Option<String>,
        user: Option<usize>,
        now: Instant,
    ) -> Option<String> {
        let mut token = [0; TOKEN_BYTES];
        random.fill(&mut token).ok()?;
        self.0.retain(|_, life| life.holds(now));
        if self.0.len() >= SESSIONS_MAX
            && let Some(id) = self.0.iter().min_by_key(|(_, life)| life.seen).map(|(id, _)| *id)
        {
            self.0.remove(&id);
        }
        self.0.insert(id_of(&token), SessionLife { began: now, seen: now, said: None, name, user });
        Some(text(&token))
    }

    /// The session of a token, which counts as seen.
    pub(super) fn of(&mut self, token: &str, now: Instant) -> Option<SessionId> {
        let token = URL_SAFE_NO_PAD.decode(token).ok().filter(|token| token.len() == TOKEN_BYTES)?;
        let id = id_of(&token);
        let life = self.0.get_mut(&id)?;
        if !life.holds(now) {
            self.0.remove(&id);
            return None;
        }
        life.seen = now;
        Some(id)
    }

    /// Keeps a sentence for the next page of a session.
    pub(super) fn say(&mut self, id: &SessionId, said: String) {
        if let Some(life) = self.0.get_mut(id) {
            life.said = Some(said);
        }
    }

    /// Takes that sentence.
    pub(super) fn take_said(&mut self, id: &SessionId) -> Option<String> {
        self.0.get_mut(id)?.said.take()
    }

    /// The name of whoever entered, where one was given.
    pub(super) fn name(&self, id: &SessionId) -> Option<String> {
        self.0.get(id)?.name.clone()
    }

    /// The number of the user who entered; `None` for whoever knows the password of all.
    pub(super) fn user(&self, id: &SessionId) -> Option<usize> {
        self.0.get(id)?.user
    }

    pub(super) fn end(&mut self, id: &SessionId) {
        self.0.remove(id);
    }
}

impl SessionLife {
    fn holds(&self, now: Instant) -> bool {
        now.saturating_duration_since(self.seen) < IDLE_MAX
            && now.saturating_duration_since(self.began) < LIFE_MAX
    }
}

fn id_of(token: &[u8]) -> SessionId {
    let mut id = [0; TOKEN_BYTES];
    id.copy_from_slice(digest(&SHA256, token).as_ref());
    SessionId(id)
}

/// Bytes as they stand in cookies and forms.
pub(super) fn text(bytes: &[u8]) -> String {
    URL_SAFE_NO_PAD.encode(bytes)
}

/// The tokens that a request came with.
pub(super) fn tokens(headers: &HeaderMap) -> impl Iterator<Item = &str> {
    cookies(headers, [NAME, SECURE_NAME])
}

/// What the cookies of these names hold. Another host of the same domain may have put
/// cookies of the same name beside ours, so the first need not be the right one. How many
/// are looked at is bounded by the length of a request's head.
pub(super) fn cookies<'h>(headers: &'h HeaderMap, names: [&'static str; 2]) -> impl Iterator<Item = &'h str> {
    headers
        .get_all(COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .filter(move |(name, _)| names.contains(name))
        .map(|(_, held)| held)
}

/// The header that sets a session's cookie; with an empty token it takes the cookie away.
pub(super) fn cookie(token: &str, secure: bool) -> String {
    let (name, secure) = if secure { (SECURE_NAME, "; Secure") } else { (NAME, "") };
    let age_s = if token.is_empty() { 0 } else { LIFE_MAX.as_secs() };
    format!("{name}={token}; Path=/; Max-Age={age_s}; HttpOnly; SameSite=Strict{secure}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_ends_when_it_rests_and_when_it_is_old() {
        let (random, began) = (SystemRandom::new(), Instant::now());
        let mut sessions = Sessions::default();
        let token = sessions.begin(&random, None, None, began).unwrap();
        let resting = sessions.begin(&random, None, None, began).unwrap();
        let step = IDLE_MAX - Duration::from_secs(1);
        let mut now = began;
        while now + step < began + LIFE_MAX {
            now += step;
            assert!(sessions.of(&token, now).is_some(), "seen often enough");
        }
        assert!(sessions.of(&resting, began + IDLE_MAX).is_none());
        assert!(sessions.of(&token, began + LIFE_MAX).is_none());
        assert!(sessions.0.is_empty(), "what ended is not kept");
    }

    #[test]
    fn two_thousand_sessions_keep_within_the_bound() {
        let (random, began) = (SystemRandom::new(), Instant::now());
        let mut sessions = Sessions::default();
        let first = sessions.begin(&random, None, None, began).unwrap();
        let mut tokens = Vec::new();
        for n in 1..2000 {
            let now = began + Duration::from_secs(n);
            tokens.push(sessions.begin(&random, None, None, now).unwrap());
            assert!(sessions.of(&first, now).is_some(), "one that is in use stays");
        }
        assert_eq!(sessions.0.len(), SESSIONS_MAX);
        let now = began + Duration::from_secs(2000);
        let held: Vec<bool> = tokens.iter().map(|token| sessions.of(token, now).is_some()).collect();
        assert_eq!(held.iter().filter(|held| **held).count(), SESSIONS_MAX - 1);
        assert!(held[tokens.len() - SESSIONS_MAX + 1..].iter().all(|held| *held), "the newest stay");
    }

    #[test]
    fn no_forged_token_is_a_session() {
        let (random, now) = (SystemRandom::new(), Instant::now());
        let mut sessions = Sessions::default();
        let token = sessions.begin(&random, None, None, now).unwrap();
        assert_eq!(token.len(), 43, "256 bits in base64");
        let id = sessions.of(&token, now).unwrap();
        for forged in [
            String::new(),
            token[..42].to_owned(),
            format!("{token}="),
            format!("{token}A"),
            token.to_ascii_uppercase(),
            text(id.as_ref()),
            "A".repeat(43),
            "\u{0}".repeat(43),
        ] {
            assert!(sessions.of(&forged, now).is_none(), "{forged:?}");
        }
        sessions.end(&id);
        assert!(sessions.of(&token, now).is_none());
    }

    #[test]
    fn the_right_cookie_is_found_among_others() {
        let mut headers = HeaderMap::new();
        for value in ["a=b; trug=one ; trugx=no", "__Host-trug=two;trug", "trug=x=y"] {
            headers.append(COOKIE, value.parse().unwrap());
        }
        headers.append(COOKIE, axum::http::HeaderValue::from_bytes(b"trug=\xff\xfe").unwrap());
        assert_eq!(tokens(&headers).collect::<Vec<_>>(), ["one", "two", "x=y"]);
    }
}

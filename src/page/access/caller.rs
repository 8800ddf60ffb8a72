//! Whose budget of wrong passwords a try counts against.
//!
//! Somebody who guesses must not lock out the others: each address has a budget of its
//! own, this computer has one, and so has each browser in which the right password was
//! given before. That one shows a cookie whose tag is made with the password's own string,
//! so it holds over a restart and ends with the password. It opens nothing.

use std::net::{IpAddr, Ipv6Addr, SocketAddr};

use axum::http::HeaderMap;
use axum::http::header::FORWARDED;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::digest::SHA256;
use ring::hmac;
use ring::rand::{SecureRandom, SystemRandom};

use super::session;
use crate::password::PasswordHash;

/// The cookie of a browser that is known, by plain HTTP and by HTTPS.
const NAME: &str = "trug-known";
const SECURE_NAME: &str = "__Host-trug-known";

/// How long a browser stays known, seconds: the longest that browsers keep a cookie
/// (RFC 6265bis, section 5.5: 400 days).
const AGE_S: u64 = 400 * 86_400;

/// The number of a browser in which the right password was given before.
pub(in crate::page) type BrowserId = [u8; 16];

/// Who tries a password.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::page) enum PasswordCaller {
    Known(BrowserId),
    /// At this computer itself.
    Here,
    Elsewhere(IpAddr),
}

/// Makes and knows the cookies of known browsers.
pub(super) struct KnownBrowsers(hmac::Key);

impl KnownBrowsers {
    /// Of the passwords that are set; `None` without any.
    pub(super) fn of<'a>(passwords: impl Iterator<Item = &'a PasswordHash>) -> Option<Self> {
        let mut secret = ring::digest::Context::new(&SHA256);
        secret.update(b"browsers that have entered");
        let mut any = false;
        for password in passwords {
            secret.update(b"\0");
            secret.update(password.as_str().as_bytes());
            any = true;
        }
        any.then(|| Self(hmac::Key::new(hmac::HMAC_SHA256, secret.finish().as_ref())))
    }

    /// The browser that a request comes from, if it is known.
    pub(super) fn find(&self, headers: &HeaderMap) -> Option<BrowserId> {
        session::cookies(headers, [NAME, SECURE_NAME]).find_map(|value| {
            let (id, tag) = value.split_once('.')?;
            let id: BrowserId = URL_SAFE_NO_PAD.decode(id).ok()?.try_into().ok()?;
            hmac::verify(&self.0, &id, &URL_SAFE_NO_PAD.decode(tag).ok()?).ok()?;
            Some(id)
        })
    }

    /// The header that makes a browser known; `None` when the system gives no random numbers.
    pub(super) fn cookie(&self, random: &SystemRandom, secure: bool) -> Option<String> {
        let mut id: BrowserId = [0; 16];
        random.fill(&mut id).ok()?;
        let (name, secure) = if secure { (SECURE_NAME, "; Secure") } else { (NAME, "") };
        let (id, tag) = (session::text(&id), session::text(hmac::sign(&self.0, &id).as_ref()));
        Some(format!("{name}={id}.{tag}; Path=/; Max-Age={AGE_S}; HttpOnly; SameSite=Strict{secure}"))
    }
}

/// The address that a try counts for. A proxy that is trusted (one on this computer, or one
/// of `proxies`) says in the last hop of its header for whom it asks: the hops before that
/// are the caller's own words.
pub(super) fn address(peer: SocketAddr, headers: &HeaderMap, proxies: &[IpAddr]) -> IpAddr {
    let peer = peer.ip().to_canonical();
    let trusted = peer.is_loopback() || proxies.contains(&peer);
    let hop = trusted.then(|| last_hop(headers)).flatten();
    network(hop.unwrap_or(peer))
}

/// One household or school has a whole /64 of IPv6 (RFC 6177), so that counts as one.
pub(in crate::page) fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(it) if !it.is_loopback() => {
            let [a, b, c, d, ..] = it.segments();
            IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
        it => it,
    }
}

/// The last hop of `X-Forwarded-For`, or of `Forwarded` (RFC 7239) where there is none.
fn last_hop(headers: &HeaderMap) -> Option<IpAddr> {
    let last = |name: &str| {
        let value = headers.get_all(name).iter().next_back()?.to_str().ok()?;
        value.rsplit(',').next().map(|it| it.trim().to_owned())
    };
    if headers.contains_key("x-forwarded-for") {
        return hop(&last("x-forwarded-for")?);
    }
    let forwarded = last(FORWARDED.as_str())?;
    let mut pairs = forwarded.split(';').filter_map(|pair| pair.trim().split_once('='));
    let (_, node) = pairs.find(|(name, _)| name.eq_ignore_ascii_case("for"))?;
    hop(node.trim_matches('"'))
}

/// An address, with or without brackets and port.
fn hop(text: &str) -> Option<IpAddr> {
    let bare = text.trim_start_matches('[').trim_end_matches(']');
    bare.parse().ok().or_else(|| text.parse::<SocketAddr>().ok().map(|it| it.ip()))
}

#[cfg(test)]
mod tests {
    use axum::http::header::COOKIE;

    use super::*;

    fn counted(peer: &str, head: &[(&str, &str)], proxies: &[&str]) -> String {
        let mut headers = HeaderMap::new();
        for (name, value) in head {
            let name: axum::http::HeaderName = name.parse().unwrap();
            headers.append(name, value.parse().unwrap());
        }
        let proxies: Vec<IpAddr> = proxies.iter().map(|it| it.parse().unwrap()).collect();
        address(peer.parse().unwrap(), &headers, &proxies).to_string()
    }

    #[test]
    fn a_trusted_proxys_last_hop_is_whom_it_asks_for() {
        const HERE: &str = "127.0.0.1:5000";
        for (head, expected) in [
            (&[("x-forwarded-for", "203.0.113.9, 192.0.2.7")][..], "192.0.2.7"),
            (&[("x-forwarded-for", "192.0.2.7:4711")], "192.0.2.7"),
            (&[("x-forwarded-for", "203.0.113.9"), ("x-forwarded-for", "192.0.2.7")], "192.0.2.7"),
            (
                &[("forwarded", "for=203.0.113.9, For=\"[2001:db8:1:2:3:4:5:6]:80\";proto=https")],
                "2001:db8:1:2::",
            ),
            (&[("forwarded", "for=192.0.2.7;by=203.0.113.43")], "192.0.2.7"),
            // What names nobody counts for the proxy itself.
            (&[("x-forwarded-for", "unknown")], "127.0.0.1"),
            (&[("x-forwarded-for", "")], "127.0.0.1"),
            (&[], "127.0.0.1"),
        ] {
            assert_eq!(counted(HERE, head, &[]), expected, "{head:?}");
        }
        let forged = [("x-forwarded-for", "203.0.113.9")];
        assert_eq!(counted("192.0.2.7:80", &forged, &[]), "192.0.2.7", "nobody else's word counts");
        assert_eq!(counted("[::ffff:192.0.2.7]:80", &forged, &["192.0.2.7"]), "203.0.113.9");
        assert_eq!(counted("[2001:db8:1:2:3:4:5:6]:80", &[], &[]), counted("[2001:db8:1:2::1]:81", &[], &[]));
    }

    #[test]
    fn only_a_cookie_of_this_password_is_known() {
        let [a, b] = ["a", "b"].map(|password| PasswordHash::of(password).unwrap());
        let known = |passwords: &[&PasswordHash]| KnownBrowsers::of(passwords.iter().copied());
        assert!(known(&[]).is_none());
        let (one, other) = (known(&[&a]).unwrap(), known(&[&b]).unwrap());
        let two = known(&[&a, &b]).unwrap();
        let set = one.cookie(&SystemRandom::new(), false).unwrap();
        let shown = set.split(';').next().unwrap();
        let sent = |cookie: &str| {
            let mut headers = HeaderMap::new();
            headers.append(COOKIE, cookie.parse().unwrap());
            headers
        };
        assert!(one.find(&sent(&format!("trug=x; trug-known=forged.tag; {shown}"))).is_some());
        assert!(other.find(&sent(shown)).is_none(), "another password");
        assert!(two.find(&sent(shown)).is_none(), "another user has one");
        let (id, _) = shown.split_once('.').unwrap();
        for forged in [id.to_owned(), format!("{id}."), format!("{shown}A"), "trug-known=.".to_owned()] {
            assert!(one.find(&sent(&forged)).is_none(), "{forged}");
        }
    }
}

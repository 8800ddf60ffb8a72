//! Where a request came from: this computer itself, or elsewhere; one of our own pages,
//! or another's.

use std::net::IpAddr;

use axum::http::header::{HOST, HeaderName, ORIGIN};
use axum::http::request::Parts;
use axum::http::uri::Authority;
use axum::http::{HeaderMap, Version};

use super::Peer;

/// What a request says about where it came from.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(in crate::page) struct RequestOrigin {
    /// The host that was asked for, without its port, in small letters; `None` where
    /// the request does not say it once and clearly.
    pub(super) host: Option<String>,
    pub(super) host_is_address: bool,
    /// Whether it came from this computer itself.
    pub(super) from_here: bool,
    /// Whether the browser reached the page by HTTPS.
    pub(super) secure: bool,
}

impl RequestOrigin {
    /// A request is from this computer when its sender's address is, when it asks for
    /// this computer by a name or address that no other machine's browser means by it,
    /// and when nobody passed it on. The second keeps out another's page in a browser on
    /// this computer that had its own name point here (DNS rebinding), the third a proxy
    /// on this computer. Some proxies leave no header of theirs but speak HTTP/1.0, which
    /// no browser does.
    pub(in crate::page) fn of(parts: &Parts) -> Self {
        let authority = authority(parts);
        let host = authority.as_ref().map(|a| a.host().to_ascii_lowercase());
        let address = host.as_deref().and_then(address);
        let peer = parts.extensions.get::<Peer>().is_some_and(|peer| is_loopback(peer.0.ip()));
        let named = host.as_deref() == Some("localhost") || address.is_some_and(is_loopback);
        let direct = parts.version == Version::HTTP_11 && !was_passed_on(&parts.headers);
        Self {
            host,
            host_is_address: address.is_some(),
            from_here: peer && named && direct,
            secure: is_secure(&parts.headers),
        }
    }
}

fn is_loopback(address: IpAddr) -> bool {
    address.to_canonical().is_loopback()
}

fn address(host: &str) -> Option<IpAddr> {
    host.trim_start_matches('[').trim_end_matches(']').parse().ok()
}

/// The host and port that a request asks for.
fn authority(parts: &Parts) -> Option<Authority> {
    let mut hosts = parts.headers.get_all(HOST).iter();
    let (Some(host), None) = (hosts.next(), hosts.next()) else { return None };
    let authority = Authority::try_from(host.as_bytes()).ok()?;
    let port = authority.as_str().get(authority.host().len()..).unwrap_or_default();
    let port_holds = port.is_empty() || authority.port_u16().is_some();
    let same = parts.uri.authority().is_none_or(|asked| *asked == authority);
    (same && port_holds && !authority.as_str().contains('@')).then_some(authority)
}

/// Headers that proxies, balancers and delivery networks add, beside all that begin with
/// `x-` (from the proxies' own documentation, from memory).
const PROXY_HEADERS: [&str; 16] = [
    "forwarded",
    "via",
    "true-client-ip",
    "client-ip",
    "remote-addr",
    "remote-user",
    "front-end-https",
    "proxy-connection",
    "max-forwards",
    "surrogate-capability",
    "ali-cdn-real-ip",
    "do-connecting-ip",
    "incap-client-ip",
    "wl-proxy-client-ip",
    "wl-proxy-ssl",
    "traceparent",
];
const PROXY_PREFIXES: [&str; 8] =
    ["x-", "cf-", "cdn-", "fastly-", "fly-", "tailscale-", "akamai-", "proxy-auth"];

/// Whether something on the way says that it passed the request on. A browser that opens a
/// page sends nothing that begins with `x-`, so all of these count.
fn was_passed_on(headers: &HeaderMap) -> bool {
    let passing = |name: &HeaderName| {
        let name = name.as_str();
        PROXY_HEADERS.contains(&name) || PROXY_PREFIXES.iter().any(|prefix| name.starts_with(prefix))
    };
    headers.keys().any(passing)
}

/// Whether the browser reached the page by HTTPS. A proxy with TLS says so; a browser
/// says it itself beside each form. A sender who lies here only gets a cookie that their own
/// browser does not keep.
fn is_secure(headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let forwarded = text("forwarded").to_ascii_lowercase();
    text("x-forwarded-proto").trim().eq_ignore_ascii_case("https")
        || forwarded.contains("proto=https")
        || forwarded.contains("proto=\"https\"")
        || text("origin").starts_with("https://")
}

/// Whether a form came from one of our own pages, as far as the browser says. Current
/// browsers send both headers with each form; where both are missing, the form's token
/// decides alone.
pub(in crate::page) fn is_own(parts: &Parts) -> bool {
    let headers = &parts.headers;
    if headers.get("sec-fetch-site").is_some_and(|site| site.as_bytes() != b"same-origin") {
        return false;
    }
    let mut origins = headers.get_all(ORIGIN).iter();
    let origin = match (origins.next(), origins.next()) {
        (None, _) => return true,
        (Some(origin), None) => origin.to_str().unwrap_or_default(),
        (Some(_), Some(_)) => return false,
    };
    let Some(from) = origin.strip_prefix("http://").or_else(|| origin.strip_prefix("https://")) else {
        return false;
    };
    // The proxy's own port need not be in the host that it passes on, so only where
    // both name one must they be the same.
    let (Some(host), Ok(from)) = (authority(parts), Authority::try_from(from)) else { return false };
    host.host().eq_ignore_ascii_case(from.host())
        && (host.port_u16() == from.port_u16() || host.port_u16().is_none() || from.port_u16().is_none())
}

#[cfg(test)]
mod tests {
    use axum::http::Request;

    use super::*;

    fn parts(peer: &str, head: &[(&str, &str)]) -> Parts {
        let mut request = Request::builder().uri("/");
        for (name, value) in head {
            request = request.header(*name, *value);
        }
        let (mut parts, ()) = request.body(()).unwrap().into_parts();
        parts.extensions.insert(Peer(peer.parse().unwrap()));
        parts
    }

    fn from_here(peer: &str, head: &[(&str, &str)]) -> bool {
        RequestOrigin::of(&parts(peer, head)).from_here
    }

    #[test]
    fn only_this_computer_asking_for_itself_is_from_here() {
        const HERE: &str = "127.0.0.1:5000";
        for host in ["localhost", "LocalHost:8470", "127.0.0.1", "127.0.0.1:8470", "127.9.9.9", "[::1]:8470"]
        {
            assert!(from_here(HERE, &[("host", host)]), "{host}");
        }
        for peer in ["[::1]:5000", "[::ffff:127.0.0.1]:5000"] {
            assert!(from_here(peer, &[("host", "localhost")]), "{peer}");
        }
        // Another's name that points here, names that look alike, and none at all.
        for host in [
            "evil.example",
            "localhost.evil.example",
            "localhost.",
            "127.0.0.1.evil.example",
            "a@localhost",
            "localhost@evil.example",
            "192.168.1.5:8470",
            "0.0.0.0",
            "127.1",
            "localhost:99999999",
            "garden",
            "",
        ] {
            assert!(!from_here(HERE, &[("host", host)]), "{host}");
        }
        assert!(!from_here(HERE, &[]));
        assert!(!from_here(HERE, &[("host", "localhost"), ("host", "localhost")]));
        for peer in ["192.168.1.9:5000", "[2001:db8::1]:5000", "[::ffff:192.168.1.9]:5000"] {
            assert!(!from_here(peer, &[("host", "localhost")]), "{peer}");
        }
    }

    #[test]
    fn what_was_passed_on_is_not_from_here() {
        for (name, value) in [
            ("forwarded", "for=192.0.2.7"),
            ("x-forwarded-for", "127.0.0.1"),
            ("X-Forwarded-Host", "localhost"),
            ("x-forwarded-proto", "http"),
            ("via", "1.1 proxy"),
            ("x-real-ip", ""),
            ("X-Cluster-Client-IP", "192.0.2.7"),
            ("X-Scheme", "https"),
            ("X-Request-ID", "7"),
            ("X-Amzn-Trace-Id", "Root=1"),
            ("CF-Connecting-IP", "192.0.2.7"),
            ("CDN-Loop", "example"),
            ("Fastly-Client-IP", "192.0.2.7"),
            ("Client-IP", "192.0.2.7"),
            ("Tailscale-User-Login", "a"),
            ("Proxy-Connection", "keep-alive"),
        ] {
            assert!(!from_here("127.0.0.1:5000", &[("host", "localhost"), (name, value)]), "{name}");
        }
        let mut old = parts("127.0.0.1:5000", &[("host", "localhost")]);
        old.version = Version::HTTP_10;
        assert!(!RequestOrigin::of(&old).from_here, "a proxy that speaks HTTP/1.0");
        let mut absolute = parts("127.0.0.1:5000", &[("host", "localhost")]);
        absolute.uri = "http://evil.example/".parse().unwrap();
        assert!(!RequestOrigin::of(&absolute).from_here);
    }

    #[test]
    fn a_form_of_another_page_is_not_ours() {
        const HOST: (&str, &str) = ("host", "garden.school.example");
        let own = |head: &[(&str, &str)]| is_own(&parts("127.0.0.1:1", head));
        assert!(own(&[HOST]));
        assert!(own(&[HOST, ("origin", "https://garden.school.example")]));
        assert!(own(&[HOST, ("origin", "https://garden.school.example:8443")]), "the proxy's port");
        assert!(own(&[("host", "127.0.0.1:8470"), ("origin", "http://127.0.0.1:8470")]));
        assert!(own(&[HOST, ("sec-fetch-site", "same-origin")]));
        for head in [
            [HOST, ("origin", "https://evil.example")],
            [HOST, ("origin", "https://garden.school.example.evil.example")],
            [HOST, ("origin", "null")],
            [HOST, ("origin", "")],
            [HOST, ("origin", "file://garden.school.example")],
            [("host", "127.0.0.1:8470"), ("origin", "http://127.0.0.1:9999")],
            [HOST, ("sec-fetch-site", "cross-site")],
            [HOST, ("sec-fetch-site", "same-site")],
            [HOST, ("sec-fetch-site", "none")],
        ] {
            assert!(!own(&head), "{head:?}");
        }
        let mut twice = parts("127.0.0.1:1", &[HOST, ("origin", "https://garden.school.example")]);
        twice.headers.append("origin", "https://garden.school.example".parse().unwrap());
        assert!(!is_own(&twice));
    }
}

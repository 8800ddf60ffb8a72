//! Who may read the page and who may change something: the password, sessions, other
//! computers, other pages.

use std::sync::OnceLock;

use trug::page::access::Rules;
use trug::password::PasswordHash;

use crate::support::http::{Answer, Served};
use crate::support::views::{self, Fixed};

pub(crate) const PASSWORD: &str = "wattle & saltbush 1";

/// Made once, since making one is slow on purpose.
pub(crate) fn hash() -> PasswordHash {
    static HASH: OnceLock<PasswordHash> = OnceLock::new();
    HASH.get_or_init(|| PasswordHash::of(PASSWORD).expect("a hash")).clone()
}

pub(crate) fn served(password: bool, open_reading: bool, names: &[&str]) -> Served {
    let rules = Rules {
        password: password.then(hash),
        public_names: names.iter().map(|&name| name.to_owned()).collect(),
        open_reading,
        ..Rules::default()
    };
    Served::ruled(Fixed::of(vec![views::busy()]), rules, None)
}

/// Asks with a host name and more lines of the head.
pub(crate) fn get(served: &Served, path: &str, host: &str, more: &str) -> Answer {
    served.ask(&format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{more}\r\n"))
}

pub(crate) fn post(served: &Served, path: &str, host: &str, more: &str, form: &str) -> Answer {
    served.ask(&format!(
        "POST {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{more}\
         Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{form}",
        form.len()
    ))
}

pub(crate) fn password_form(password: &str, to: &str) -> String {
    let mut form = url::form_urlencoded::Serializer::new(String::new());
    form.append_pair("password", password).append_pair("to", to).finish()
}

/// The cookie that an answer sets, as the next request sends it.
pub(crate) fn cookie(answer: &Answer) -> String {
    let set = answer.header("set-cookie").expect("a cookie");
    format!("Cookie: {}\r\n", set.split(';').next().expect("a name and a value"))
}

/// The token in the first form of a page.
pub(crate) fn form_token(page: &str) -> &str {
    let (_, rest) = page.split_once("name=\"token\" value=\"").expect("a form with a token");
    rest.split('"').next().expect("the token's end")
}

#[test]
fn reading_is_open_here_and_closed_to_everybody_else() {
    let served = served(true, false, &[]);
    for host in ["localhost", "127.0.0.1:8470", "[::1]"] {
        let answer = get(&served, "/", host, "");
        assert_eq!(answer.status, 200, "{host}");
        assert!(answer.body.contains("Sign in to make changes"), "{}", answer.body);
    }
    // Another's name that was made to point here, a proxy on this computer, one that
    // leaves no header but speaks HTTP/1.0, and a head without a host.
    let elsewhere = [
        get(&served, "/site/saltbush-gully?hold=yes", "evil.example", ""),
        get(&served, "/site/saltbush-gully?hold=yes", "192.168.1.5:8470", ""),
        get(&served, "/site/saltbush-gully?hold=yes", "localhost", "X-Forwarded-For: 192.0.2.7\r\n"),
        get(&served, "/site/saltbush-gully?hold=yes", "localhost", "Forwarded: for=127.0.0.1\r\n"),
        get(&served, "/site/saltbush-gully?hold=yes", "localhost", "Via: 1.1 proxy\r\n"),
        get(&served, "/site/saltbush-gully?hold=yes", "localhost", "Host: localhost\r\n"),
        served.ask("GET /site/saltbush-gully?hold=yes HTTP/1.0\r\nHost: localhost\r\n\r\n"),
        served.ask("GET /site/saltbush-gully?hold=yes HTTP/1.1\r\nConnection: close\r\n\r\n"),
    ];
    for (n, answer) in elsewhere.iter().enumerate() {
        assert_eq!(answer.status, 303, "case {n}");
        let to = answer.header("location").expect("where to go");
        assert_eq!(to, "/enter?to=%2Fsite%2Fsaltbush-gully%3Fhold%3Dyes", "case {n}");
        assert!(!answer.body.contains("Kitchen"), "case {n}");
    }
    // What tells nothing of the garden, or has a key of its own, stays open.
    for (path, status) in [("/health", 200), ("/style.css", 200), ("/enter", 200), ("/answer?t=x", 404)] {
        assert_eq!(get(&served, path, "evil.example", "").status, status, "{path}");
    }
    for path in ["/live?site=saltbush-gully", "/api/v1/sites", "/metrics"] {
        let answer = get(&served, path, "evil.example", "");
        assert_eq!(answer.status, 401, "{path}");
        assert!(answer.body.contains("/enter"), "{}", answer.body);
    }
}

#[test]
fn without_a_password_the_page_says_how_to_set_one() {
    let closed = served(false, false, &[]);
    let answer = get(&closed, "/", "192.168.1.5", "");
    assert_eq!(answer.status, 403);
    assert!(answer.body.contains("trug password"), "{}", answer.body);
    let answer = closed.get("/enter");
    assert_eq!(answer.status, 403);
    assert!(answer.body.contains("password_file") && !answer.body.contains("<form"), "{}", answer.body);
    for tried in ["", "x", "$argon2id$"] {
        let answer = closed.post("/enter", &password_form(tried, "/"));
        assert_eq!(answer.status, 403, "{tried:?}");
        assert!(answer.header("set-cookie").is_none());
    }
    let open = served(false, true, &[]);
    assert_eq!(get(&open, "/", "192.168.1.5", "").status, 200, "open_to_network");
    assert_eq!(get(&open, "/", "garden.lan", "X-Forwarded-For: 192.0.2.7\r\n").status, 200);
    assert_eq!(post(&open, "/leave", "garden.lan", "", "").status, 303);
}

#[test]
fn the_password_begins_a_session_and_leaving_ends_it() {
    let served = served(true, false, &[]);
    const HOST: &str = "192.168.1.5:8470";
    let answer = post(&served, "/enter", HOST, "", &password_form("Wattle & saltbush 1", "/site/x"));
    assert_eq!(answer.status, 403);
    assert!(answer.header("set-cookie").is_none());
    for expected in ["That is not the password", "aria-invalid=\"true\"", "value=\"/site/x\""] {
        assert!(answer.body.contains(expected), "{expected} in {}", answer.body);
    }
    assert!(!answer.body.contains("Wattle"), "a wrong password is not given back");

    let answer = post(&served, "/enter", HOST, "", &password_form(PASSWORD, "/site/saltbush-gully?hold=yes"));
    assert_eq!(answer.status, 303);
    assert_eq!(answer.header("location"), Some("/site/saltbush-gully?hold=yes"));
    let set = answer.header("set-cookie").expect("a cookie").to_owned();
    assert!(set.starts_with("trug="), "{set}");
    for rule in ["; Path=/;", "; HttpOnly", "; SameSite=Strict", "; Max-Age=604800"] {
        assert!(set.contains(rule), "{rule} in {set}");
    }
    assert!(!set.contains("Secure") && !set.contains("Domain"), "{set}");
    let first = cookie(&answer);
    let page = get(&served, "/", HOST, &first);
    assert_eq!(page.status, 200);
    let token = form_token(&page.body).to_owned();

    // A new token at each entry, and the one that the browser came with ends.
    let again = post(&served, "/enter", HOST, &first, &password_form(PASSWORD, "/"));
    let second = cookie(&again);
    assert_ne!(first, second);
    assert_eq!(get(&served, "/", HOST, &first).status, 303, "the first has ended");
    // The way out needs the form's own token: not none, not another session's.
    for wrong in [String::new(), format!("token={token}"), "token=%00%ff".to_owned()] {
        let answer = post(&served, "/leave", HOST, &second, &wrong);
        assert_eq!(answer.status, 403, "{wrong}");
        assert!(answer.body.contains("That form has expired"), "{}", answer.body);
    }
    let token = form_token(&get(&served, "/", HOST, &second).body).to_owned();
    let left = post(&served, "/leave", HOST, &second, &format!("token={token}"));
    assert_eq!((left.status, left.header("location")), (303, Some("/")));
    assert!(left.header("set-cookie").is_some_and(|set| set.starts_with("trug=; Path=/; Max-Age=0")));
    assert_eq!(get(&served, "/", HOST, &second).status, 303);
}

#[test]
fn behind_a_proxy_with_tls_the_cookie_is_for_https_only() {
    let served = served(true, false, &["garden.school.example"]);
    const HOST: &str = "garden.school.example";
    let form = password_form(PASSWORD, "https://evil.example/");
    for more in [
        "X-Forwarded-For: 192.0.2.7\r\nX-Forwarded-Proto: https\r\n",
        "Forwarded: for=192.0.2.7;proto=https\r\n",
        "Origin: https://garden.school.example\r\nSec-Fetch-Site: same-origin\r\n",
    ] {
        let answer = post(&served, "/enter", HOST, more, &form);
        assert_eq!((answer.status, answer.header("location")), (303, Some("/")), "never another's address");
        let set = answer.header("set-cookie").expect("a cookie").to_owned();
        assert!(set.starts_with("__Host-trug=") && set.ends_with("; Secure"), "{set}");
        assert!(set.contains("; Path=/;") && !set.contains("Domain"), "{set}");
        assert_eq!(get(&served, "/", HOST, &format!("{more}{}", cookie(&answer))).status, 200);
    }
    // Only its own names; addresses in numbers and this computer itself need no listing.
    let other = get(&served, "/", "evil.example", "");
    assert_eq!(other.status, 421);
    assert!(other.body.contains("public_names"), "{}", other.body);
    assert_eq!(post(&served, "/enter", "evil.example", "", &form).status, 421);
    assert_eq!(get(&served, "/", "192.168.1.5", "").status, 303);
    assert_eq!(get(&served, "/", "GARDEN.School.example:443", "").status, 303);
    assert_eq!(get(&served, "/", "localhost", "").status, 200);
    assert_eq!(get(&served, "/health", "evil.example", "").status, 200);
}

#[test]
fn forms_of_other_pages_are_refused() {
    let served = served(true, false, &[]);
    let form = password_form(PASSWORD, "/");
    for more in [
        "Origin: http://evil.example\r\n",
        "Origin: null\r\n",
        "Origin: http://localhost.evil.example\r\n",
        "Sec-Fetch-Site: cross-site\r\n",
        "Sec-Fetch-Site: same-site\r\nOrigin: http://localhost\r\n",
        "Origin: http://localhost\r\nOrigin: http://localhost\r\n",
    ] {
        let answer = post(&served, "/enter", "localhost", more, &form);
        assert_eq!(answer.status, 403, "{more}");
        assert!(answer.body.contains("not from this page"), "{}", answer.body);
        assert!(answer.header("set-cookie").is_none());
    }
    let own = "Origin: http://localhost\r\nSec-Fetch-Site: same-origin\r\n";
    assert_eq!(post(&served, "/enter", "localhost", own, &form).status, 303);
}

#[test]
fn guessing_is_held_back() {
    let served = served(true, false, &[]);
    let wrong: Vec<u16> =
        (0..13).map(|n| served.post("/enter", &password_form(&format!("guess {n}"), "/")).status).collect();
    assert_eq!(wrong[..10], [403; 10]);
    assert_eq!(wrong[10..], [429; 3]);
    let held = served.post("/enter", &password_form(PASSWORD, "/"));
    assert_eq!((held.status, held.header("retry-after")), (429, Some("60")), "the right one waits as well");
    assert!(held.header("set-cookie").is_none());
    assert!(held.body.contains("Wait a minute"), "{}", held.body);
    assert_eq!(served.get("/").status, 200, "reading goes on");
}

#[test]
fn nonsense_in_cookies_forms_and_hosts_gets_a_clear_answer() {
    let served = served(true, false, &[]);
    let long = "x".repeat(9000);
    for cookie in
        ["trug", "trug=", "=;;;=", "trug=%00; trug=\u{1F41F}", "__Host-trug=AAAA", &format!("trug={long}")]
    {
        let answer = get(&served, "/", "192.168.1.5", &format!("Cookie: {cookie}\r\n"));
        assert_eq!(answer.status, 303, "{cookie}");
    }
    for host in ["", "\u{1F41F}", "[", "[::1", "a:b:c", "localhost:99999999", "%", &long] {
        let status = get(&served, "/", host, "").status;
        assert!(matches!(status, 303 | 400), "{host}: {status}");
    }
    for form in ["", "password", "%", "password=%ff%fe%00", &"&".repeat(1000), &format!("to=/&x={long}")] {
        let answer = served.post("/enter", form);
        assert!(matches!(answer.status, 403 | 429), "{form}: {}", answer.status);
    }
    let huge = format!("password={}", "x".repeat(40_000));
    assert_eq!(served.post("/enter", &huge).status, 413);
    let json = served.ask(
        "POST /enter HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Type: application/json\r\n\
         Content-Length: 2\r\n\r\n{}",
    );
    assert_eq!(json.status, 415);
    for method in ["PUT", "DELETE", "PATCH"] {
        let answer =
            served.ask(&format!("{method} /enter HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"));
        assert_eq!(answer.status, 405, "{method}");
    }
    assert_eq!(served.get("/leave").status, 405);
    for to in ["//evil.example", "/%0d%0aSet-Cookie:x=y", "/\\evil.example", "javascript:alert(1)"] {
        let page = served.get(&format!("/enter?to={to}"));
        assert!(page.body.contains("name=\"to\" value=\"/\""), "{to}: {}", page.body);
    }
    assert_eq!(served.get("/health").body, "ok\n");
}

#[test]
fn every_page_has_the_one_strict_policy() {
    let served = served(true, false, &[]);
    for path in ["/", "/enter", "/nothing", "/site/saltbush-gully"] {
        assert_eq!(
            served.get(path).header("content-security-policy"),
            Some(
                "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; \
                 worker-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
            ),
            "{path}"
        );
    }
}

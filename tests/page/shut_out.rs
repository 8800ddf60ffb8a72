//! Nobody shuts the others out: guesses, half-sent requests and cookies of strangers. And
//! nothing of who has entered stays behind.

use std::io::{Read as _, Write as _};
use std::time::{Duration, Instant};

use trug::alarms::{AlarmNote, State};
use trug::garden::record::{AlarmChange, Batch};
use trug::page::RecordReader;
use trug::store::{Reader, Store};

use crate::access::{PASSWORD, cookie, form_token, get, password_form, post, served};
use crate::support::garden::{only, shipped};
use crate::support::http::{Answer, Served};
use crate::support::views::{self, Fixed};

const HOST: &str = "garden.school.example";

/// A try of a password through a proxy on this computer, which names its caller.
fn try_from(served: &crate::support::http::Served, caller: &str, more: &str, password: &str) -> Answer {
    let head = format!("X-Forwarded-For: 198.51.100.1, {caller}\r\n{more}");
    post(served, "/enter", HOST, &head, &password_form(password, "/"))
}

/// A header of an answer whose body may be compressed.
fn header_of(served: &Served, path: &str, more: &str, name: &str) -> Option<String> {
    let mut stream = served.connect();
    let request = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{more}\r\n");
    stream.write_all(request.as_bytes()).expect("the request can be sent");
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes).expect("an answer");
    let text = String::from_utf8_lossy(&bytes).into_owned();
    assert!(text.starts_with("HTTP/1.1 200 "), "{path}");
    let (head, _) = text.split_once("\r\n\r\n").expect("a head");
    let lines = head.lines().filter_map(|line| line.split_once(": "));
    lines.filter(|(found, _)| *found == name).map(|(_, value)| value.to_owned()).next_back()
}

/// Longer than any password, so that its check costs nothing.
fn wrong() -> String {
    "x".repeat(1025)
}

#[test]
fn guesses_through_a_proxy_lock_out_the_guesser_alone() {
    let served = served(true, false, &[HOST]);
    let tries: Vec<u16> = (0..12).map(|_| try_from(&served, "203.0.113.9", "", &wrong()).status).collect();
    assert_eq!((&tries[..10], &tries[10..]), (&[403; 10][..], &[429; 2][..]));
    assert_eq!(try_from(&served, "203.0.113.9", "", PASSWORD).status, 429);
    assert_eq!(try_from(&served, "192.0.2.7", "", PASSWORD).status, 303, "another caller of the proxy");
    assert_eq!(served.post("/enter", &password_form(PASSWORD, "/")).status, 303, "at this computer");
}

#[test]
fn a_browser_that_has_entered_before_enters_while_many_guess() {
    let served = served(true, false, &[HOST]);
    let entered = try_from(&served, "192.0.2.7", "", PASSWORD);
    let mut set = entered.headers.iter().filter(|(name, _)| name == "set-cookie").map(|(_, value)| value);
    let known = set.rfind(|value| value.starts_with("trug-known=")).expect("a cookie").clone();
    assert!(known.ends_with("; HttpOnly; SameSite=Strict"), "{known}");
    let known = format!("Cookie: {}\r\n", known.split(';').next().expect("a name and a value"));
    for n in 0..70 {
        try_from(&served, &format!("203.0.113.{}", n / 10), "", &wrong());
    }
    assert_eq!(try_from(&served, "192.0.2.8", "", PASSWORD).status, 429, "a minute for strangers");
    assert_eq!(try_from(&served, "203.0.113.9", &known, PASSWORD).status, 303);
    // It opens nothing by itself, and its own guesses are held back.
    assert_eq!(get(&served, "/", HOST, &known).status, 303);
    let own: Vec<u16> = (0..12).map(|_| try_from(&served, "192.0.2.7", &known, &wrong()).status).collect();
    assert_eq!((&own[..10], &own[10..]), (&[403; 10][..], &[429; 2][..]));
    assert_eq!(served.post("/enter", &password_form(PASSWORD, "/")).status, 303, "at this computer");
}

#[test]
fn half_sent_requests_give_way_to_whole_ones() {
    let served = Served::new(Fixed::of(vec![views::well()]), None);
    let mut held: Vec<_> = (0..trug::page::CONNECTIONS_MAX).map(|_| served.connect()).collect();
    for stream in &mut held {
        stream.write_all(b"GET / HTTP/1.1\r\nHo").expect("it can be sent");
    }
    let began = Instant::now();
    for _ in 0..5 {
        assert_eq!(served.get("/health").status, 200);
    }
    assert!(began.elapsed() < Duration::from_secs(8), "{:?}", began.elapsed());
}

#[test]
fn other_hosts_cookies_end_no_session() {
    let served = served(true, false, &[]);
    let own = cookie(&served.post("/enter", &password_form(PASSWORD, "/")));
    let own = own.trim().strip_prefix("Cookie: ").expect("the header's name");
    for forged in ["trug=AAAA".to_owned(), format!("trug={}", "A".repeat(43))] {
        let forged = vec![forged; 40].join("; ");
        let page = get(&served, "/", "192.168.1.5", &format!("Cookie: {forged}; {own}\r\n"));
        assert_eq!(page.status, 200, "{forged}");
    }
}

#[test]
fn nothing_of_who_has_entered_stays_in_the_browser() {
    let served = served(true, false, &[]);
    let session = cookie(&served.post("/enter", &password_form(PASSWORD, "/")));
    let gzip = "Accept-Encoding: gzip\r\n";
    const MONTH: &str = "/site/saltbush-gully/month/2026-04";
    for path in ["/", MONTH, &format!("{MONTH}/report.html"), &format!("{MONTH}/all.zip")] {
        let header = |name| header_of(&served, path, &format!("{gzip}{session}"), name);
        assert_eq!(header("cache-control").as_deref(), Some("no-store"), "{path}");
    }
    // The way out stands in the page, with this session's token.
    assert_eq!(header_of(&served, MONTH, &format!("{gzip}{session}"), "content-encoding"), None);
    let open = |name| header_of(&served, MONTH, gzip, name);
    assert_eq!(open("content-encoding").as_deref(), Some("gzip"), "without a session it is compressed");
    assert_eq!(open("cache-control").as_deref(), Some("private, no-cache"));

    let token = form_token(&get(&served, "/", "localhost", &session).body).to_owned();
    let left = post(&served, "/leave", "localhost", &session, &format!("token={token}"));
    assert_eq!(left.header("clear-site-data"), Some("\"cache\", \"storage\""));
    for (path, status) in [("/live", 401), ("/api/v1/sites", 401), ("/site/saltbush-gully", 303)] {
        let away = get(&served, path, "192.168.1.5", &session);
        assert_eq!((away.status, away.header("clear-site-data")), (status, Some("\"cache\"")), "{path}");
    }
    let refused = post(&served, "/leave", "localhost", "Origin: http://evil.example\r\n", "");
    assert_eq!((refused.status, refused.header("clear-site-data")), (403, Some("\"cache\"")));
}

#[test]
fn where_a_forwarder_may_stand_before_it_the_page_asks_for_the_password() {
    let rules = trug::page::access::Rules {
        password: Some(crate::access::hash()),
        local_needs_password: true,
        ..Default::default()
    };
    let served = Served::ruled(Fixed::of(vec![views::busy()]), rules, None);
    assert_eq!(served.get("/site/saltbush-gully").status, 303);
    let session = cookie(&served.post("/enter", &password_form(PASSWORD, "/")));
    assert_eq!(get(&served, "/site/saltbush-gully", "localhost", &session).status, 200);
    assert_eq!(served.get("/health").status, 200);
}

/// Seven hundred long notes made a page of more than four megabytes, and that an empty answer.
#[test]
fn a_page_shows_the_last_twenty_notes_of_an_alarm() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("trug.db");
    let settings = shipped();
    let mut store = Store::open(&path, &settings.gardens).expect("a new store");
    let view = views::busy();
    let record = view.alarms[0].record.clone();
    let note = |n: i64| AlarmNote {
        key: record.key.clone(),
        since: record.since,
        at: record.since + jiff::SignedDuration::from_secs(n),
        note: format!("{n} {}", "\"".repeat(490)),
        how: "mqtt".to_owned(),
    };
    let step = AlarmChange {
        record: record.clone(),
        priority: view.alarms[0].priority,
        from: State::Normal,
        how: None,
        tell: Vec::new(),
    };
    let batch = Batch { changes: vec![step], notes: (0..700).map(note).collect(), ..Batch::default() };
    store.commit(&only(&batch)).expect("it is kept");
    let gardens: Vec<_> = settings.gardens.into_iter().map(std::sync::Arc::new).collect();
    let reader = Reader::open(&path).expect("the store can be read");
    let served = Served::over(Fixed::of(vec![view]), RecordReader::new(reader, gardens.into()), None);
    let page = served.get("/site/saltbush-gully/alarms");
    assert_eq!(page.status, 200);
    // In the alarm's own card, and in the list of the month.
    assert_eq!(page.body.matches("class=\"note\"").count(), 40);
    assert!(page.body.contains(": 699 &quot;") && page.body.contains(": 680 &quot;"), "the last ones");
    assert!(!page.body.contains(": 679 &quot;") && page.body.contains("Older notes are not shown"));
    // A page that cannot be served all the same is one that says so.
    let mut long = views::busy();
    long.name = "x".repeat(5_000_000);
    let fault = Served::new(Fixed::of(vec![long]), None).get("/site/saltbush-gully");
    assert_eq!(fault.status, 500);
    assert!(fault.body.contains("Something went wrong"), "{}", fault.body);
    assert!(fault.header("content-security-policy").is_some());
}

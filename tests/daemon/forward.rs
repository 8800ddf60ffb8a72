//! Forwarding to a server that answers as it is told to.

#![allow(clippy::float_cmp, reason = "numbers must come back to the bit")]

use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::support::forwarding::Forwarding;
use crate::support::garden::reading;
use axum::Router;
use axum::http::{HeaderMap, StatusCode, Uri};
use axum::routing::post;
use reqwest::Url;
use tokio::net::TcpListener;
use trug::deliver::forward::{Auth, ForwardTarget};

/// What the server has seen.
#[derive(Default)]
struct Seen {
    requests: usize,
    authorization: Option<String>,
    uri: String,
    /// The raw numbers of the lines that it took, in order.
    taken: Vec<f64>,
}

/// How it answers: from the number of the request and the lines.
type ServerAnswer = dyn Fn(usize, &[&str]) -> (StatusCode, String) + Send + Sync;

pub(super) struct Server {
    pub(super) url: Url,
    seen: Arc<Mutex<Seen>>,
}

impl Server {
    pub(super) async fn start(
        answer: impl Fn(usize, &[&str]) -> (StatusCode, String) + Send + Sync + 'static,
    ) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}/write?db=garden", listener.local_addr().unwrap());
        let seen = Arc::new(Mutex::new(Seen::default()));
        let (noted, answer): (_, Arc<ServerAnswer>) = (Arc::clone(&seen), Arc::new(answer));
        let handler = move |headers: HeaderMap, uri: Uri, body: String| {
            let (noted, answer) = (Arc::clone(&noted), Arc::clone(&answer));
            async move {
                let mut seen = noted.lock().unwrap();
                seen.requests += 1;
                seen.uri = uri.to_string();
                seen.authorization = headers.get("authorization").map(|it| it.to_str().unwrap().to_owned());
                let lines: Vec<_> = body.lines().collect();
                let (status, text) = answer(seen.requests, &lines);
                if status.is_success() {
                    seen.taken.extend(lines.iter().map(|line| raw(line)));
                }
                (status, text)
            }
        };
        let router = Router::new().route("/write", post(handler));
        tokio::spawn(async move { axum::serve(listener, router).await.unwrap() });
        Self { url: Url::parse(&url).unwrap(), seen }
    }

    pub(super) fn taken(&self) -> Vec<f64> {
        self.seen.lock().unwrap().taken.clone()
    }

    pub(super) fn requests(&self) -> usize {
        self.seen.lock().unwrap().requests
    }
}

pub(super) fn raw(line: &str) -> f64 {
    let (_, after) = line.split_once(" raw=").expect("every line has a raw number");
    after.split_once(',').expect("a flag follows").0.parse().expect("a number")
}

pub(super) fn ok() -> (StatusCode, String) {
    (StatusCode::NO_CONTENT, String::new())
}

pub(super) fn numbers(count: u32) -> Vec<f64> {
    (0..count).map(f64::from).collect()
}

/// Forwards readings with the raw numbers 0, 1, 2 ... and waits until it is done.
async fn forward_all(target: ForwardTarget, count: u32) -> Forwarding {
    let mut forwarding = Forwarding::new(1);
    forwarding.start(target);
    forwarding.add((0..count).map(|n| reading(0, n.into(), n.into())).collect());
    forwarding.reached(count.into()).await;
    forwarding.stop().await;
    forwarding
}

#[tokio::test]
async fn readings_arrive_in_order_and_each_once() {
    let server = Server::start(|_, _| ok()).await;
    forward_all(Forwarding::target(server.url.clone(), 64), 1000).await;
    assert_eq!(server.taken(), numbers(1000));
    let seen = server.seen.lock().unwrap();
    assert_eq!(seen.requests, 16, "15 full batches and the rest");
    assert_eq!(seen.uri, "/write?db=garden&precision=ns");
    assert_eq!(seen.authorization, None);
}

#[tokio::test]
async fn a_batch_that_is_too_large_is_halved() {
    let server =
        Server::start(
            |_, lines| {
                if lines.len() > 20 { (StatusCode::PAYLOAD_TOO_LARGE, String::new()) } else { ok() }
            },
        )
        .await;
    forward_all(Forwarding::target(server.url.clone(), 100), 250).await;
    assert_eq!(server.taken(), numbers(250));
}

#[tokio::test]
async fn a_line_that_alone_is_too_large_is_left_out() {
    let server = Server::start(|_, lines| {
        let large = lines.iter().any(|line| raw(line) == 13.0);
        if large { (StatusCode::PAYLOAD_TOO_LARGE, String::new()) } else { ok() }
    })
    .await;
    forward_all(Forwarding::target(server.url.clone(), 100), 50).await;
    let mut expected = numbers(50);
    expected.remove(13);
    assert_eq!(server.taken(), expected);
}

#[tokio::test]
async fn only_the_bad_line_is_left_out() {
    let server = Server::start(|_, lines| {
        let bad = lines.iter().any(|line| [13.0, 14.0, 99.0].contains(&raw(line)));
        let text = r#"{"error":"unable to parse 'garden_reading': it is bad"}"#;
        if bad { (StatusCode::BAD_REQUEST, text.to_owned()) } else { ok() }
    })
    .await;
    forward_all(Forwarding::target(server.url.clone(), 100), 150).await;
    let expected: Vec<_> = numbers(150).into_iter().filter(|raw| ![13.0, 14.0, 99.0].contains(raw)).collect();
    assert_eq!(server.taken(), expected);
    assert!(server.requests() < 50, "{} requests", server.requests());
}

#[tokio::test]
async fn a_batch_that_is_refused_whole_is_not_split() {
    let server = Server::start(|_, lines| {
        let text =
            format!(r#"{{"error":"partial write: points beyond retention policy dropped={}"}}"#, lines.len());
        if raw(lines[0]) < 100.0 { (StatusCode::BAD_REQUEST, text) } else { ok() }
    })
    .await;
    forward_all(Forwarding::target(server.url.clone(), 100), 200).await;
    assert_eq!(server.taken(), numbers(200)[100..]);
    assert_eq!(server.requests(), 2);
}

#[tokio::test]
async fn nothing_is_lost_while_the_server_fails_or_knows_us_not() {
    for status in [
        StatusCode::INTERNAL_SERVER_ERROR,
        StatusCode::SERVICE_UNAVAILABLE,
        StatusCode::TOO_MANY_REQUESTS,
        StatusCode::UNAUTHORIZED,
        StatusCode::FORBIDDEN,
        StatusCode::NOT_FOUND,
        StatusCode::MOVED_PERMANENTLY,
        // A refusal of the request, not of its lines.
        StatusCode::BAD_REQUEST,
    ] {
        let server = Server::start(move |request, _| {
            let text = r#"{"error":"database is required"}"#;
            if request <= 4 { (status, text.to_owned()) } else { ok() }
        })
        .await;
        forward_all(Forwarding::target(server.url.clone(), 100), 150).await;
        assert_eq!(server.taken(), numbers(150), "{status}");
        assert_eq!(server.requests(), 6, "{status}");
    }
}

#[tokio::test]
async fn a_server_that_does_not_answer_or_is_not_there_costs_nothing() {
    // It takes the connection and says nothing.
    let silent = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = silent.local_addr().unwrap();
    let url = Url::parse(&format!("http://{address}/write?db=garden")).unwrap();
    let mut forwarding = Forwarding::new(1);
    let target = ForwardTarget { timeout: Duration::from_millis(50), ..Forwarding::target(url, 100) };
    forwarding.start(target.clone());
    forwarding.add((0..150).map(|n| reading(0, n, n as f64)).collect());
    for _ in 0..2 {
        let (connection, _) = silent.accept().await.unwrap();
        // Held until the other side gives up: its half ends.
        connection.readable().await.unwrap();
    }
    assert_eq!(forwarding.position(), 0);
    // Nobody listens any more, then another server does.
    drop(silent);
    forwarding.stop().await;
    let server = Server::start(|_, _| ok()).await;
    forwarding.start(Forwarding::target(server.url.clone(), 100));
    forwarding.reached(150).await;
    forwarding.stop().await;
    assert_eq!(server.taken(), numbers(150));
}

#[tokio::test]
async fn it_goes_on_where_it_was_after_a_restart_and_wakes_for_new_readings() {
    let server = Server::start(|_, _| ok()).await;
    let mut forwarding = Forwarding::new(1);
    for round in 0..3 {
        forwarding.start(Forwarding::target(server.url.clone(), 100));
        for part in 0..2 {
            let from = round * 200 + part * 100;
            forwarding.add((from..from + 100).map(|n| reading(0, n, n as f64)).collect());
            forwarding.reached(from + 100).await;
        }
        forwarding.stop().await;
    }
    assert_eq!(server.taken(), numbers(600));
    assert!(forwarding.folder().join("trug.db").exists());
}

#[tokio::test]
async fn the_server_is_told_who_we_are() {
    for (auth, expected) in [
        (Auth::Token("abc".to_owned()), "Token abc"),
        // RFC 7617, section 2: the example of user "Aladdin".
        (
            Auth::Password { username: "Aladdin".to_owned(), password: "open sesame".to_owned() },
            "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==",
        ),
    ] {
        let server = Server::start(|_, _| ok()).await;
        forward_all(ForwardTarget { auth, ..Forwarding::target(server.url.clone(), 100) }, 1).await;
        assert_eq!(server.seen.lock().unwrap().authorization.as_deref(), Some(expected));
    }
}

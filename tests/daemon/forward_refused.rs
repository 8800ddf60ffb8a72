//! What a server refuses for good: it holds nothing else up, costs few requests, is listed
//! with the server's words, and can be sent again.

use std::time::{Duration, Instant};

use axum::http::StatusCode;
use reqwest::Url;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;
use trug::deliver::forward::{ForwardTarget, ResendFault, Resent, resend_range, resend_refused};

use super::forward::{Server, numbers, ok, raw};
use crate::support::forwarding::{Forwarding, NAME};
use crate::support::garden::{at, reading};
use crate::support::influx::Influx;

/// Readings of twelve probes in turn.
fn add(forwarding: &Forwarding, from: i64, to: i64) {
    forwarding.add((from..to).map(|n| reading((n % 12) as u32, n, n as f64)).collect());
}

/// How many readings are listed as refused, and the server's last words.
fn refused(forwarding: &Forwarding) -> (u64, String) {
    let refusals = forwarding.reader.refusals().expect("the list can be read");
    refusals.first().map_or((0, String::new()), |it| {
        assert_eq!((it.forwarder.as_str(), it.unlisted), (NAME, 0));
        (it.rows, it.last.clone().expect("the newest is listed").1)
    })
}

/// One of twelve series is of the wrong type, in the words of InfluxDB: the others arrive,
/// and it costs some requests for each batch.
#[tokio::test]
async fn a_bad_series_among_good_ones_costs_few_requests() {
    for words in ["partial write: field type conflict", "unprocessable: no such column type"] {
        let server = Server::start(move |_, lines| {
            let bad = lines.iter().any(|line| line.contains("sensor=probe-7,"));
            if bad { (StatusCode::BAD_REQUEST, format!("{{\"error\":\"{words}\"}}")) } else { ok() }
        })
        .await;
        let mut forwarding = Forwarding::new(12);
        add(&forwarding, 0, 20_000);
        forwarding.start(Forwarding::target(server.url.clone(), 5000));
        forwarding.reached(20_000).await;
        forwarding.stop().await;
        let mut taken = server.taken();
        taken.sort_by(f64::total_cmp);
        let expected: Vec<f64> = numbers(20_000).into_iter().filter(|raw| *raw as u32 % 12 != 7).collect();
        // What was tried to learn whether the server takes anything is there twice.
        taken.dedup();
        assert!(taken == expected, "{words}: {} of {}", taken.len(), expected.len());
        assert!(server.requests() < 80, "{words}: {} requests", server.requests());
        let (rows, why) = refused(&forwarding);
        assert_eq!(rows, 20_000 / 12 + 1, "{words}");
        assert!(why.contains(words), "{why}");
    }
}

/// A server whose words nobody knows refuses a single line: what follows is not held.
#[tokio::test]
async fn unknown_words_about_one_line_hold_nothing_up() {
    let server = Server::start(|_, lines| {
        let bad = lines.iter().any(|line| raw(line) as u32 == 40);
        if bad { (StatusCode::UNPROCESSABLE_ENTITY, "nein".to_owned()) } else { ok() }
    })
    .await;
    let mut forwarding = Forwarding::new(12);
    forwarding.start(Forwarding::target(server.url.clone(), 100));
    // The bad one is all that waits at first.
    add(&forwarding, 40, 41);
    tokio::time::sleep(Duration::from_millis(50)).await;
    add(&forwarding, 41, 300);
    forwarding.reached(260).await;
    forwarding.stop().await;
    assert_eq!(refused(&forwarding), (1, "422 Unprocessable Entity: nein".to_owned()));
    let mut taken = server.taken();
    taken.sort_by(f64::total_cmp);
    taken.dedup();
    assert_eq!(taken, numbers(300)[41..]);
}

/// Where it takes nothing at all, it is not the lines: they wait, and somebody is told why.
#[tokio::test]
async fn a_server_that_takes_nothing_costs_nothing() {
    let server =
        Server::start(
            |request, _| {
                if request < 40 { (StatusCode::BAD_REQUEST, "not today".to_owned()) } else { ok() }
            },
        )
        .await;
    let mut forwarding = Forwarding::new(12);
    forwarding.start(Forwarding::target(server.url.clone(), 100));
    add(&forwarding, 0, 100);
    let troubles = std::sync::Arc::clone(&forwarding.troubles);
    let waited = async {
        while troubles.of(NAME).is_none() {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
        troubles.of(NAME)
    };
    let said = tokio::time::timeout(Duration::from_secs(20), waited).await.expect("it is said why");
    assert_eq!(said.as_deref(), Some("400 Bad Request: not today"));
    forwarding.reached(100).await;
    assert_eq!(troubles.of(NAME), None);
    forwarding.stop().await;
    assert_eq!(refused(&forwarding), (0, String::new()));
    let mut taken = server.taken();
    taken.sort_by(f64::total_cmp);
    taken.dedup();
    assert_eq!(taken, numbers(100));
}

/// A refusal whose words come a letter at a time does not hold up what follows.
#[tokio::test]
async fn an_answer_that_drips_holds_for_seconds() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = Url::parse(&format!("http://{}/write?db=garden", listener.local_addr().unwrap())).unwrap();
    tokio::spawn(async move {
        loop {
            let (mut connection, _) = listener.accept().await.unwrap();
            tokio::spawn(async move {
                let mut heard = [0; 4096];
                // The request is small: it comes at once.
                let _ = connection.read(&mut heard).await;
                let head = "HTTP/1.1 400 Bad Request\r\ncontent-length: 4000\r\n\r\nunable to parse";
                let _ = connection.write_all(head.as_bytes()).await;
                while connection.write_all(b".").await.is_ok() {
                    tokio::time::sleep(Duration::from_millis(100)).await;
                }
            });
        }
    });
    let mut forwarding = Forwarding::new(1);
    let target = ForwardTarget { timeout: Duration::from_secs(60), ..Forwarding::target(url, 1) };
    forwarding.add(vec![reading(0, 0, 0.0)]);
    let began = Instant::now();
    forwarding.start(target);
    forwarding.reached(1).await;
    assert!(began.elapsed() < Duration::from_secs(15), "{:?}", began.elapsed());
    forwarding.stop().await;
    let (rows, why) = refused(&forwarding);
    assert_eq!(rows, 1);
    assert!(why.starts_with("unable to parse"), "{why}");
}

/// The server refuses each of 20,000 points (a field of another type), is put right, and
/// gets them again; a past range is sent again as well.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_influxdb_refused_is_sent_again_once_it_is_put_right() {
    let influx = Influx::start(0).await;
    influx.write("garden_reading raw=\"text\" 1776403800000000000").await;
    let mut forwarding = Forwarding::new(12);
    add(&forwarding, 0, 20_000);
    let target = ForwardTarget { gzip: true, ..Forwarding::target(influx.write_url(), 5000) };
    forwarding.start(target.clone());
    forwarding.reached(20_000).await;
    forwarding.stop().await;
    let (rows, why) = refused(&forwarding);
    assert_eq!(rows, 20_000);
    assert!(why.contains("field type conflict"), "{why}");

    // Not yet put right: they stay listed.
    let again = resend_refused(target.clone(), &forwarding.reader).await.expect("it answers");
    assert_eq!((again.taken, again.refused), (0, 20_000));
    assert_eq!(refused(&forwarding).0, 20_000);

    influx.query("DROP MEASUREMENT garden_reading").await;
    let again = resend_refused(target.clone(), &forwarding.reader).await.expect("it answers");
    assert_eq!(again, Resent { taken: 20_000, refused: 0, why: None });
    assert_eq!(refused(&forwarding).0, 0);
    assert_eq!(count(&influx).await, 20_000);

    // A server that lost its data gets a past range again, and nothing doubles.
    influx.query("DROP MEASUREMENT garden_reading").await;
    for _ in 0..2 {
        let again = resend_range(target.clone(), &forwarding.reader, (at(1000), at(3000))).await;
        assert_eq!(again.expect("it answers").taken, 2000);
        assert_eq!(count(&influx).await, 2000);
    }
}

async fn count(influx: &Influx) -> u64 {
    let answer = influx.query("SELECT count(raw) FROM garden_reading").await;
    answer["results"][0]["series"][0]["values"][0][1].as_u64().expect("a count")
}

/// Nobody answers: the command gives up after a while and says why.
#[tokio::test]
async fn sending_again_gives_up_where_nobody_answers() {
    let silent = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = Url::parse(&format!("http://{}/write?db=garden", silent.local_addr().unwrap())).unwrap();
    drop(silent);
    let forwarding = Forwarding::new(1);
    forwarding.add(vec![reading(0, 0, 0.0)]);
    let fault = resend_range(Forwarding::target(url, 10), &forwarding.reader, (at(0), at(10))).await;
    assert!(matches!(fault, Err(ResendFault::Stuck { .. })), "{fault:?}");
}

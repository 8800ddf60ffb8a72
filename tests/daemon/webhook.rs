//! Webhooks against a server on this computer that behaves in every way.

use std::io::Write as _;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::support::garden::at;
use crate::support::hooks::{Answer, Hook, Request, SECRET, settings};
use crate::support::people::message;
use crate::support::program;
use jiff::Timestamp;
use trug::alarms::{Priority, State};
use trug::answering::{Checked, Links};
use trug::deliver::channel::{AnswerLinks, Failure, MessageChannel as _};
use trug::deliver::webhook::Webhooks;
use trug::garden::plan::Channel;
use trug::telling::{Message, Purpose};

fn now() -> Timestamp {
    at(12_345)
}

fn office(n: u32) -> Message {
    message(n, Channel::Webhook, "office", Priority::Medium, 0)
}

fn webhooks(url: &str, timeout_s: u32) -> Webhooks {
    Webhooks::new(&settings(&[("office", url, timeout_s)], &[]).channels.webhooks, now).unwrap()
}

/// Sends one message to a server that answers so, and gives what came of it.
async fn sent(answer: impl Fn() -> Answer + Send + Sync + 'static) -> (Result<(), Failure>, Vec<Request>) {
    let hook = Hook::start(move |_, _| answer()).await;
    let result = webhooks(&hook.url(), 1).send(&office(1)).await;
    (result, hook.seen())
}

fn words(result: Result<(), Failure>) -> String {
    match result.unwrap_err() {
        Failure::Later(why) => format!("later: {why}"),
        Failure::Busy { reason, wait } => format!("busy {}: {reason}", wait.as_secs()),
        Failure::Never(why) => format!("never: {why}"),
    }
}

#[tokio::test]
async fn the_server_gets_the_whole_message() {
    let (result, seen) = sent(|| Answer::Status(204, "")).await;
    assert_eq!(result, Ok(()));
    let [request] = seen.as_slice() else { panic!("{seen:?}") };
    assert_eq!(request.path, "/garden");
    assert_eq!(request.header("content-type"), "application/json");
    assert_eq!(request.key(), "saltbush-gully/dry-bed/kitchen-bed/1/webhook");
    assert_eq!(request.header("trug-time"), "1776403812");
    let text = "Kitchen bed is dry: \"38 %\" of its available water is left.";
    let expected = serde_json::json!({
        "key": "saltbush-gully/dry-bed/kitchen-bed/1/webhook",
        "site": "saltbush-gully",
        "garden": "Saltbush Gully Primary School",
        "who": "grounds",
        "purpose": "news",
        "made_at": "2026-04-17T05:30:00Z",
        "priority": "medium",
        "subject": text,
        "opening": "What needs doing:\n",
        "items": [{
            "alarm": "dry-bed/kitchen-bed",
            "kind": "dry-bed",
            "place": "kitchen-bed",
            "place_name": "Kitchen bed",
            "state": "unacknowledged",
            "priority": "medium",
            "since": "2026-04-17T05:15:00Z",
            "since_local": "Friday 17 April, 14:45",
            "text": text,
            "source": "FAO-56 eq. 82-83",
        }],
    });
    assert_eq!(request.json(), expected);
}

/// The link of a waiting alarm is one that the page takes; one that was answered has none.
#[tokio::test]
async fn an_alarm_that_waits_carries_the_link_that_answers_it() {
    let hook = Hook::start(|_, _| Answer::Status(200, "")).await;
    let links = Arc::new(Links::new("https://garden.school.example", &[7; 32], 72));
    let webhooks = webhooks(&hook.url(), 1).with_links(Some(Arc::clone(&links) as Arc<dyn AnswerLinks>));
    let waiting = office(1);
    let mut seen = office(2);
    seen.items[0].state = State::Acknowledged;
    for message in [&waiting, &seen] {
        webhooks.send(message).await.unwrap();
    }
    let told = hook.seen();
    let address = told[0].json()["items"][0]["answer"].as_str().unwrap().to_owned();
    let token = address.strip_prefix("https://garden.school.example/answer?t=").unwrap();
    let Checked::Good(claim) = links.check(token, waiting.made_at) else { panic!("{token}") };
    let item = &waiting.items[0];
    assert_eq!((&claim.key, claim.since, claim.who.as_str()), (&item.key, item.since, "grounds"));
    assert_eq!(told[1].json()["items"][0].get("answer"), None);
}

#[tokio::test]
async fn the_group_that_did_not_answer_is_named() {
    let hook = Hook::start(|_, _| Answer::Status(200, "")).await;
    let purpose = Purpose::NotAnswered { by: "teachers".to_owned() };
    webhooks(&hook.url(), 1).send(&Message { purpose, ..office(1) }).await.unwrap();
    let json = hook.seen()[0].json();
    assert_eq!((json["purpose"].as_str(), json["about"].as_str()), (Some("not-answered"), Some("teachers")));
}

#[tokio::test]
async fn each_answer_is_told_in_plain_words() {
    for (status, text, expected) in [
        (500, "no room\r\nleft", "later: answered 500: no room  left"),
        (503, "", "later: answered 503"),
        (400, "what is this?", "never: refused the message with 400: what is this?"),
        (403, "", "later: answered 403: look at the secret and the address in [[webhook]]"),
        (404, "", "later: answered 404: look at the address in [[webhook]]"),
        (429, "", "later: answered 429"),
    ] {
        let (result, seen) = sent(move || Answer::Status(status, text)).await;
        assert_eq!(words(result), expected);
        assert_eq!(seen.len(), 1, "one try is one request");
    }
    let (result, _) = sent(|| Answer::With(429, "Retry-After: 120".to_owned())).await;
    assert_eq!(words(result), "busy 120: answered 429");
}

/// What is signed for one server must not go to another.
#[tokio::test]
async fn a_redirect_is_not_followed() {
    let other = Hook::start(|_, _| Answer::Status(200, "")).await;
    for status in [301, 302, 303, 307, 308] {
        let location = format!("Location: {}", other.url());
        let (result, seen) = sent(move || Answer::With(status, location.clone())).await;
        assert_eq!(
            words(result),
            format!(
                "later: answered {status}, a redirect, which is not followed: put the new address into [[webhook]]"
            )
        );
        assert_eq!(seen.len(), 1);
    }
    assert_eq!(other.seen().len(), 0);
}

#[tokio::test]
async fn a_server_that_does_not_answer_is_waited_for_no_longer_than_its_time() {
    let from = Instant::now();
    let (result, seen) = sent(|| Answer::Never).await;
    assert_eq!(words(result), "later: no answer within 1 s");
    assert!(from.elapsed() < Duration::from_secs(20), "{:?}", from.elapsed());
    assert_eq!(seen.len(), 1);
}

#[tokio::test]
async fn a_connection_that_is_dropped_or_refused_is_tried_later() {
    let (result, seen) = sent(|| Answer::Drop).await;
    let told = words(result);
    assert!(told.starts_with("later: ") && !told.contains("/garden"), "{told}");
    assert_eq!(seen.len(), 1, "one try is one request");
    // Port 9 of the loopback address: nobody listens there.
    let told = words(webhooks("http://127.0.0.1:9/garden?key=sesame", 1).send(&office(1)).await);
    assert!(told.starts_with("later: ") && told.contains("refused") && !told.contains("sesame"), "{told}");
}

/// Only its beginning is read, and only where it says what is wrong.
#[tokio::test]
async fn an_answer_without_an_end_is_cut() {
    let (result, _) = sent(|| Answer::Huge(200)).await;
    assert_eq!(result, Ok(()));
    let (result, _) = sent(|| Answer::Huge(500)).await;
    assert_eq!(words(result), format!("later: answered 500: {}", "x".repeat(200)));
}

#[tokio::test]
async fn a_webhook_that_is_no_more_is_given_up_at_once() {
    let hook = Hook::start(|_, _| Answer::Status(200, "")).await;
    let lost = message(1, Channel::Webhook, "library", Priority::High, 0);
    let told = words(webhooks(&hook.url(), 1).send(&lost).await);
    assert_eq!(told, "never: no [[webhook]] of trug.toml has the name library");
    assert_eq!(hook.seen().len(), 0);
}

/// Whatever is in a key, it breaks no header.
#[tokio::test]
async fn a_key_that_is_no_header_is_refused() {
    let hook = Hook::start(|_, _| Answer::Status(200, "")).await;
    let bad = Message { key: "a\r\nTrug-Time: 0".to_owned(), ..office(1) };
    assert!(words(webhooks(&hook.url(), 1).send(&bad).await).starts_with("never: "));
    assert_eq!(hook.seen().len(), 0);
}

/// The server has our headers and bytes, another computer's clock, and the function of
/// `config/webhook.md`, with Python's own hmac.
#[tokio::test]
async fn python_finds_what_is_ours_and_what_was_changed() {
    let (_, seen) = sent(|| Answer::Status(200, "")).await;
    let request = &seen[0];
    let (time, key) = (request.header("trug-time"), request.key());
    let (signature, body) =
        (request.header("trug-signature"), String::from_utf8(request.body.clone()).unwrap());
    let sent_at: i64 = time.parse().unwrap();
    let later = (sent_at + 1).to_string();
    let changed = body.replace("38 %", "83 %");
    let flipped = format!("{}{}", if signature.starts_with('0') { '1' } else { '0' }, &signature[1..]);
    let cases = [
        ("as it came", SECRET, time, key, signature, body.as_str(), sent_at, true),
        ("five minutes later", SECRET, time, key, signature, &body, sent_at + 300, true),
        ("recorded, sent again", SECRET, time, key, signature, &body, sent_at + 301, false),
        ("from the future", SECRET, time, key, signature, &body, sent_at - 301, false),
        ("the time changed", SECRET, &later, key, signature, &body, sent_at, false),
        ("the key changed", SECRET, time, "a/b", signature, &body, sent_at, false),
        ("the body changed", SECRET, time, key, signature, &changed, sent_at, false),
        ("the signature changed", SECRET, time, key, &flipped, &body, sent_at, false),
        ("no signature", SECRET, time, key, "", &body, sent_at, false),
        ("another secret", "another secret, as long as that", time, key, signature, &body, sent_at, false),
    ];
    for (what, secret, time, key, signature, body, now, ours) in cases {
        assert_eq!(python_says(secret, time, key, signature, body, now), ours, "{what}");
    }
}

fn python_says(secret: &str, time: &str, key: &str, signature: &str, body: &str, now: i64) -> bool {
    let page = include_str!("../../config/webhook.md");
    let (_, after) = page.split_once("```python\n").expect("the page has Python");
    let (function, _) = after.split_once("```").expect("the Python ends");
    let script = format!(
        "{function}\nimport json, sys\nit = json.load(sys.stdin)\n\
         print(is_from_trug(it['secret'].encode(), it['headers'], it['body'].encode(), it['now']))\n"
    );
    let given = serde_json::json!({
        "secret": secret, "body": body, "now": now,
        "headers": { "Trug-Time": time, "Trug-Key": key, "Trug-Signature": signature },
    });
    let mut python = Command::new(program("python3"))
        .args(["-c", &script])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("Python can be started");
    let mut stdin = python.stdin.take().expect("it is a pipe");
    stdin.write_all(given.to_string().as_bytes()).expect("Python reads");
    drop(stdin);
    let output = python.wait_with_output().expect("Python ends");
    match String::from_utf8_lossy(&output.stdout).trim() {
        "True" => true,
        "False" => false,
        other => panic!("Python said {other:?}"),
    }
}

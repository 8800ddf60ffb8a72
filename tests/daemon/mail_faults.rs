//! A mail server that is down, refuses, hangs, floods, or ends the connection: at
//! each step of the conversation, the right conclusion, and in time.

use std::time::{Duration, Instant};

use crate::support::smtp::{By, mailer, settings};
use crate::support::smtp_faulty::Act::{Drip, Drop, Flood, Hang, OneLine, Say};
use crate::support::smtp_faulty::{Act, At, Faulty};
use crate::support::smtp_messages::tank;
use trug::deliver::channel::{Failure, MessageChannel};
use trug::settings::Mail;

/// What the mailer is given for one message.
const TIMEOUT: Duration = Duration::from_millis(700);
/// A loaded machine may need this much more to notice.
const SLACK: Duration = Duration::from_secs(5);
const FLOOD_SLACK: Duration = Duration::from_secs(60);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Then {
    Taken,
    Later,
    Never,
}
use Then::{Later, Never, Taken};

fn to(port: u16, login: Option<(&str, &str)>) -> Mail {
    Mail { timeout: TIMEOUT, ..settings(By::None, port, None, login) }
}

/// Sends one message to a server that goes wrong at one step.
async fn outcome(at: At, act: Act) -> (Then, String, Vec<String>) {
    let server = Faulty::start(at, act).await;
    let login = (at == At::Auth).then_some(("trug", "open sesame"));
    let mailer = mailer(&to(server.port(), login));
    let began = Instant::now();
    let result = mailer.send(&tank()).await;
    let took = began.elapsed();
    // The library reads 100 kB of one answer and parses all of it again with every
    // line: up to some seconds without optimisation, on which no limit can be put.
    let slack = if act == Flood { FLOOD_SLACK } else { SLACK };
    assert!(took < TIMEOUT + slack, "{at:?} {act:?}: {took:?}");
    let (then, why) = match result {
        Ok(()) => (Taken, String::new()),
        Err(Failure::Later(why) | Failure::Busy { reason: why, .. }) => (Later, why),
        Err(Failure::Never(why)) => (Never, why),
    };
    (then, why, server.heard())
}

async fn check(cases: &[(At, Act, Then, &str)]) {
    let mut wrong = Vec::new();
    for &(at, act, expected, words) in cases {
        let (then, why, _) = outcome(at, act).await;
        if then != expected || !why.contains(words) || why.chars().any(char::is_control) {
            wrong
                .push(format!("{at:?} {act:?}: {expected:?} with {words:?} expected, got {then:?}: {why:?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_works_takes_it() {
    let (then, why, heard) = outcome(At::Never, Hang).await;
    assert_eq!((then, why.as_str()), (Taken, ""));
    assert_eq!(heard, ["EHLO", "MAIL", "RCPT", "DATA", ".", "QUIT"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_is_down_is_tried_again_later() {
    let failure =
        mailer(&to(crate::support::free_port(), None)).send(&tank()).await.expect_err("nobody listens");
    assert!(
        matches!(&failure, Failure::Later(why) if why.contains("refused") && why.contains("127.0.0.1")),
        "{failure}"
    );
}

/// Classes of replies: RFC 5321, section 4.2.1; those about the login: RFC 4954,
/// section 6.
#[tokio::test(flavor = "multi_thread")]
async fn each_refusal_is_read_for_what_it_is() {
    check(&[
        (At::Greeting, Say("421 too busy"), Later, "421 too busy"),
        (At::Greeting, Say("554 no service here"), Later, "look at host, port and security"),
        (At::Greeting, Say("HTTP/1.1 400 Bad Request"), Later, "none of SMTP's"),
        (At::Greeting, Say(""), Later, "none of SMTP's"),
        (At::Ehlo, Say("502 not known"), Later, "502 not known"),
        (At::Auth, Say("454 not now"), Later, "454 not now"),
        (At::Auth, Say("535 not known"), Later, "look at username and password_file"),
        (At::Mail, Say("451 not now"), Later, "451 not now"),
        (At::Mail, Say("550 not your address"), Later, "look at from"),
        (At::Mail, Say("530 log in first"), Later, "look at username and password_file"),
        (At::Rcpt, Say("450 mailbox busy"), Later, "450 mailbox busy"),
        (At::Rcpt, Say("451 come back in five minutes"), Later, "451 come back in five minutes"),
        (At::Rcpt, Say("550 no such\u{7} user"), Never, "550 no such"),
        (At::Rcpt, Say("550-no such user\r\n550 ask the office"), Never, "no such user"),
        (At::Rcpt, Say("530 log in first"), Later, "look at username and password_file"),
        (At::Data, Say("451 not now"), Later, "451 not now"),
        (At::Data, Say("554 no valid recipients"), Never, "554"),
        (At::End, Say("451 not now"), Later, "451 not now"),
        (At::End, Say("552 too large"), Never, "552 too large"),
        (At::End, Say("554 looks like junk"), Never, "554 looks like junk"),
        (At::End, Say("354 go on"), Later, "354"),
        (At::End, Say("999 what"), Later, ""),
        (At::Quit, Say("500 what"), Taken, ""),
    ])
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_hangs_costs_the_timeout_and_no_more() {
    check(&[
        (At::Greeting, Hang, Later, "connecting to it: no answer within 0.7 s"),
        (At::Ehlo, Hang, Later, "no answer within"),
        (At::Auth, Hang, Later, "logging in: no answer within"),
        (At::Mail, Hang, Later, "naming the sender: no answer within"),
        (At::Rcpt, Hang, Later, "naming the recipient: no answer within"),
        (At::Data, Hang, Later, "handing over the text: no answer within"),
        (At::End, Hang, Later, "handing over the text: no answer within"),
        // It has taken the message: a second one would be a double.
        (At::Quit, Hang, Taken, ""),
        (At::Greeting, Drip, Later, ""),
        (At::Rcpt, Drip, Later, ""),
        (At::End, Drip, Later, ""),
    ])
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_connection_that_ends_is_tried_again_later() {
    check(&[
        (At::Greeting, Drop, Later, ""),
        (At::Ehlo, Drop, Later, ""),
        (At::Auth, Drop, Later, "logging in"),
        (At::Mail, Drop, Later, "naming the sender"),
        (At::Rcpt, Drop, Later, "naming the recipient"),
        (At::Data, Drop, Later, "handing over the text"),
        // Nobody knows whether it was taken; the same key goes out again.
        (At::End, Drop, Later, "handing over the text"),
        (At::Quit, Drop, Taken, ""),
    ])
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_answer_without_end_is_cut_off() {
    check(&[(At::Greeting, Flood, Later, ""), (At::Rcpt, Flood, Later, ""), (At::Quit, Flood, Taken, "")])
        .await;
}

/// Gigabytes were read into memory until the time was up.
#[tokio::test(flavor = "multi_thread")]
async fn a_line_without_end_is_cut_off() {
    check(&[
        (At::Greeting, OneLine, Later, "connecting to it: its answer has no end"),
        (At::Rcpt, OneLine, Later, "naming the recipient: its answer has no end"),
        (At::End, OneLine, Later, "handing over the text: its answer has no end"),
        (At::Quit, OneLine, Taken, ""),
    ])
    .await;
}

/// RFC 3207, section 6: what came before TLS is not to be relied on. Somebody between could
/// answer in the server's place.
#[tokio::test(flavor = "multi_thread")]
async fn answers_from_before_tls_are_refused() {
    let server = Faulty::start(At::Never, Act::AheadOfTls).await;
    let mail = Mail { timeout: Duration::from_secs(10), ..settings(By::StartTls, server.port(), None, None) };
    let failure = mailer(&mail).send(&tank()).await.expect_err("it is refused");
    let Failure::Later(why) = &failure else { panic!("{failure}") };
    for words in ["while going over to TLS: ", "it sent something in plain text before TLS began"] {
        assert!(why.contains(words), "{words:?} in {why}");
    }
    assert_eq!(server.heard(), ["EHLO", "STARTTLS"]);
}

/// What went wrong once leaves nothing behind.
#[tokio::test(flavor = "multi_thread")]
async fn after_a_failure_the_next_message_goes_out() {
    let bad = Faulty::start(At::End, Drop).await;
    let good = Faulty::start(At::Never, Hang).await;
    let mail = to(bad.port(), None);
    mailer(&mail).send(&tank()).await.expect_err("the connection ends");
    assert_eq!(bad.heard().iter().filter(|word| *word == ".").count(), 1, "the text was sent");
    let mailer = mailer(&Mail { port: good.port(), ..mail });
    for _ in 0..3 {
        mailer.send(&tank()).await.expect("the server takes it");
    }
    assert_eq!(good.heard().iter().filter(|word| *word == ".").count(), 3);
}

/// Servers that take no SMTPUTF8 (RFC 6531) are told nothing of such an address.
#[tokio::test(flavor = "multi_thread")]
async fn an_address_that_the_server_cannot_take_is_given_up() {
    let server = Faulty::start(At::Never, Hang).await;
    let mut message = tank();
    message.address.to = "büro@school.example".to_owned();
    let failure = mailer(&to(server.port(), None)).send(&message).await.expect_err("no SMTPUTF8");
    assert!(matches!(&failure, Failure::Never(why) if why.contains("SMTPUTF8")), "{failure}");
    assert_eq!(server.heard(), ["EHLO", "QUIT"]);
}

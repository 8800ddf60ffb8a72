//! E-mail through a real server: what arrives, who it says it is from, and that
//! nothing in a message can break out of its place.

use std::sync::Arc;

use crate::support::smtp::{By, Certificates, SmtpServer, mailer};
use crate::support::smtp_messages::{Links, long, summary, tank};
use serde_json::{Value, json};
use trug::deliver::channel::{Failure, MessageChannel};
use trug::deliver::mail::Mailer;
use trug::settings::Mail;
use trug::telling::Message;

const ADDRESS: &str = "127.0.0.1";

fn linked(mail: &Mail) -> Mailer {
    let page = Some("https://garden.school.example/".to_owned());
    Mailer::new(Some(mail), Some(Arc::new(Links)), page).expect("these settings do")
}

fn part<'v>(taken: &'v Value, kind: &str) -> &'v str {
    let parts = taken["parts"].as_array().expect("a list of parts");
    let found = parts.iter().find(|part| part["type"] == kind);
    found.and_then(|part| part["text"].as_str()).unwrap_or_else(|| panic!("no {kind} in {taken:#}"))
}

/// The text with every run of white space as one space.
fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn raw(taken: &Value) -> String {
    use base64::Engine as _;
    let bytes = base64::engine::general_purpose::STANDARD.decode(taken["raw"].as_str().expect("raw text"));
    String::from_utf8(bytes.expect("base64")).expect("what was sent is ASCII")
}

/// What RFC 5322 and the MIME standards ask of every message, as far as Python's
/// own reader of e-mail sees it.
fn assert_well_formed(taken: &Value) {
    assert_eq!(taken["defects"], json!([]), "{taken:#}");
    assert_eq!(taken["type"], "multipart/alternative");
    let kinds: Vec<&Value> =
        taken["parts"].as_array().expect("a list").iter().map(|part| &part["type"]).collect();
    assert_eq!(kinds, ["text/plain", "text/html"]);
    let raw = raw(taken);
    assert!(raw.is_ascii());
    for line in raw.split("\r\n") {
        assert!(line.len() <= 998, "a line of {} bytes", line.len());
        assert!(!line.contains(['\r', '\n']), "{line:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_sent_arrives_whole() {
    let server = SmtpServer::plain();
    let message = tank();
    linked(&server.settings(None)).send(&message).await.expect("the server takes it");
    let taken = &server.taken(1)[0];
    assert_well_formed(taken);
    assert_eq!(taken["mail_from"], "trug@school.example");
    assert_eq!(taken["rcpt_to"], json!(["teacher@school.example"]));
    assert_eq!(taken["from"], json!([["Trug of the garden", "trug@school.example"]]));
    assert_eq!(taken["to"], json!([["", "teacher@school.example"]]));
    let headers = &taken["headers"];
    assert_eq!(headers["Subject"], message.subject.as_str());
    assert_eq!(headers["Message-ID"], format!("<{}@school.example>", message.key));
    assert_eq!(headers["Trug-Key"], message.key.as_str());
    assert_eq!(headers["Auto-Submitted"], "auto-generated");
    assert_eq!(headers["Importance"], "high");
    assert_eq!(taken["date"], "2026-04-17T05:30:00+00:00");

    let item = &message.items[0];
    let link =
        "https://garden.school.example/answer/tank-temperature-shock/perch-tank/teacher?until=1776663000";
    let plain = part(taken, "text/plain");
    let flows = flowing(plain);
    for words in [
        "Saltbush Gully Primary School",
        "Act now Water temperature changed too fast: Perch tank",
        &item.text,
        "Since today 2:30 pm.",
        "I have taken this on: https://",
        link,
        "Opens a page with one button.",
        "How everything stands now: https://garden.school.example/",
        "You get this because this address is in the group \"teacher\" of Saltbush Gully Primary School.",
    ] {
        assert!(flows.contains(words), "{words:?} not in\n{plain}");
    }
    for line in plain.lines().filter(|line| !line.contains("https://")) {
        assert!(line.chars().count() <= 72, "{line:?}");
    }
    let html = part(taken, "text/html");
    for words in [
        "<h2",
        "Water temperature changed too fast: Perch tank",
        "Act now",
        "Since today 2:30 pm.",
        "I have taken this on</a>",
        &link.replace('&', "&amp;"),
    ] {
        assert!(html.contains(words), "{words:?} not in\n{html}");
    }
    for foreign in ["<img", "<link", "<script", "<style", "src=", "url(", "@import", "<form"] {
        assert!(!html.contains(foreign), "{foreign} in\n{html}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn only_what_waits_for_an_answer_has_a_link() {
    let server = SmtpServer::plain();
    let message = summary();
    linked(&server.settings(None)).send(&message).await.expect("the server takes it");
    mailer(&server.settings(None)).send(&message).await.expect("the server takes it");
    let taken = server.taken(2);
    let waiting = message.items.iter().filter(|item| item.state.waits()).count();
    assert_eq!((waiting, message.items.len()), (4, 5));
    for (taken, links) in [(&taken[0], waiting), (&taken[1], 0)] {
        assert_well_formed(taken);
        assert_eq!(part(taken, "text/plain").matches("I have taken this on").count(), links);
        assert_eq!(part(taken, "text/html").matches("I have taken this on").count(), links);
        assert_eq!(taken["headers"]["Importance"], Value::Null, "a summary can wait");
        for item in &message.items {
            assert!(flowing(part(taken, "text/plain")).contains(&item.text), "{}", item.text);
        }
    }
}

/// A mail program can only drop a double if it can see that it is one.
#[tokio::test(flavor = "multi_thread")]
async fn the_same_message_again_is_the_same_to_the_byte() {
    let server = SmtpServer::plain();
    let (mail, message) = (server.settings(None), long());
    for _ in 0..2 {
        // As after a restart.
        linked(&mail).send(&message).await.expect("the server takes it");
    }
    let taken = server.taken(2);
    assert_well_formed(&taken[0]);
    assert_eq!(raw(&taken[0]), raw(&taken[1]));
    assert_eq!(taken[0]["headers"]["Subject"], message.subject.trim());
    let flows = flowing(part(&taken[0], "text/plain"));
    assert!(flows.contains("It is dry & <b>cold</b> “there”. A second paragraph: ½ of 3 m³ 🐟."), "{flows}");
    assert!(part(&taken[0], "text/html").contains("It is dry &amp; &lt;b&gt;cold&lt;/b&gt;"));
}

#[tokio::test(flavor = "multi_thread")]
async fn both_ways_of_tls_and_a_login_work() {
    let certificates = Certificates::of(ADDRESS);
    for by in [By::StartTls, By::Tls] {
        let server = SmtpServer::start(by, Some(&certificates), Some(("trug", "open sesame")));
        let mail = server.settings(Some(&certificates.authority()));
        mailer(&mail).send(&tank()).await.unwrap_or_else(|e| panic!("{by:?}: {e}"));
        let taken = &server.taken(1)[0];
        assert_well_formed(taken);
        assert_eq!((&taken["tls"], &taken["login"]), (&json!(true), &json!("trug")), "{by:?}");

        // The wrong password is the settings' fault: the message waits.
        let mut wrong = mail.clone();
        wrong.login =
            crate::support::smtp::settings(by, server.port(), None, Some(("trug", "open barley"))).login;
        let failure = mailer(&wrong).send(&tank()).await.expect_err("a wrong password");
        assert!(
            matches!(&failure, Failure::Later(why) if why.contains("535") && why.contains("username")),
            "{failure}"
        );
        let none = Mail { login: None, ..mail };
        let failure = mailer(&none).send(&tank()).await.expect_err("no login");
        assert!(matches!(&failure, Failure::Later(why) if why.contains("530")), "{failure}");
        assert_eq!(server.taken_so_far(), 1);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_said_to_a_server_that_is_not_the_one() {
    let (own, other) = (Certificates::of(ADDRESS), Certificates::of(ADDRESS));
    let named = Certificates::of("mail.school.example");
    for by in [By::StartTls, By::Tls] {
        for (serves, trusts, words) in [
            (&own, Some(&other), "UnknownIssuer"),
            (&own, None, "UnknownIssuer"),
            (&named, Some(&named), "valid for"),
        ] {
            let server = SmtpServer::start(by, Some(serves), None);
            let authority = trusts.map(Certificates::authority);
            let failure = mailer(&server.settings(authority.as_deref())).send(&tank()).await;
            let failure = failure.expect_err("a certificate that does not fit");
            assert!(matches!(&failure, Failure::Later(why) if why.contains(words)), "{by:?}: {failure}");
            assert_eq!(server.taken_so_far(), 0);
        }
    }
    // A server, or somebody between, that offers no TLS.
    let server = SmtpServer::plain();
    let mail = crate::support::smtp::settings(By::StartTls, server.port(), Some(&own.authority()), None);
    let failure = mailer(&mail).send(&tank()).await.expect_err("no TLS is offered");
    assert!(matches!(&failure, Failure::Later(why) if why.contains("STARTTLS")), "{failure}");
    assert_eq!(server.taken_so_far(), 0);
}

/// A message of the daemon's never has these; one that has all the same must not
/// get a header of its own, a second recipient or a second message out of them.
#[tokio::test(flavor = "multi_thread")]
async fn nothing_breaks_out_of_a_header() {
    const EVIL: &str =
        "Bed\r\nBcc: thief@school.example\r\n\r\nHello\r\n.\r\nMAIL FROM:<a@b.example>\u{202e}\u{0}\u{85}é";
    let server = SmtpServer::plain();
    let mailer = linked(&server.settings(None));
    let mut message = tank();
    let usual_names = {
        mailer.send(&message).await.expect("the server takes it");
        server.taken(1)[0]["names"].clone()
    };
    let change: [fn(&mut Message); 8] = [
        |m| m.subject = EVIL.to_owned(),
        |m| m.garden = EVIL.to_owned(),
        |m| m.who = EVIL.to_owned(),
        |m| m.key = EVIL.to_owned(),
        |m| m.opening = EVIL.to_owned(),
        |m| m.items[0].place_name = EVIL.to_owned(),
        |m| m.items[0].text = EVIL.to_owned(),
        |m| m.items[0].since_local = EVIL.to_owned(),
    ];
    for (at, change) in change.iter().enumerate() {
        change(&mut message);
        mailer.send(&message).await.expect("the server takes it");
        let taken = &server.taken(at + 2)[at + 1];
        assert_well_formed(taken);
        assert_eq!(taken["names"], usual_names, "{at}");
        assert_eq!(taken["rcpt_to"], json!(["teacher@school.example"]), "{at}");
        for text in [part(taken, "text/plain"), part(taken, "text/html")] {
            // Lines end in CRLF in an e-mail.
            let text = text.replace("\r\n", "\n");
            assert!(!text.contains(['\r', '\u{202e}', '\u{0}', '\u{85}']), "{at}: {text:?}");
        }
    }
    assert_eq!(server.taken_so_far(), change.len() + 1);

    for to in [
        "teacher@school.example\r\nRCPT TO:<thief@school.example>",
        "teacher@school.example, thief@school.example",
        "<teacher@school.example>",
        "teacher",
        "",
    ] {
        message.address.to = to.to_owned();
        let failure = mailer.send(&message).await.expect_err("no address");
        assert!(
            matches!(&failure, Failure::Never(why) if why.contains("e-mail address")),
            "{to:?}: {failure}"
        );
    }
    assert_eq!(server.taken_so_far(), change.len() + 1);
}

/// An encoded word (RFC 2047) is text here, not code.
#[tokio::test(flavor = "multi_thread")]
async fn a_subject_is_shown_as_it_was_written() {
    let server = SmtpServer::plain();
    let mailer = mailer(&server.settings(None));
    let subjects = ["Bäume: 3 °C, naïve ½ 🐟 温室", "=?utf-8?q?=0d=0aBcc:_thief?= bed", "a  b   c", "x"];
    for subject in subjects {
        let mut message = tank();
        message.subject = subject.to_owned();
        mailer.send(&message).await.expect("the server takes it");
    }
    for (taken, subject) in server.taken(subjects.len()).iter().zip(subjects) {
        assert_well_formed(taken);
        assert_eq!(taken["headers"]["Subject"], subject.replace("=?", "= ?"));
    }
}

/// RFC 6531 for the part before the @, the DNS's own letters after it.
#[tokio::test(flavor = "multi_thread")]
async fn addresses_of_all_letters_are_reached() {
    let server = SmtpServer::plain();
    let mailer = mailer(&server.settings(None));
    let mut message = tank();
    message.address.to = "büro@bücher.example".to_owned();
    mailer.send(&message).await.expect("the server takes it");
    let taken = &server.taken(1)[0];
    assert_eq!(taken["rcpt_to"], json!(["büro@xn--bcher-kva.example"]));
    assert!(
        taken["options"].as_array().is_some_and(|options| options.contains(&json!("SMTPUTF8"))),
        "{taken:#}"
    );
}

#[tokio::test]
async fn without_a_mail_server_messages_are_given_up_at_once() {
    let mailer = Mailer::new(None, None, None).expect("nothing to set up");
    let failure = mailer.send(&tank()).await.expect_err("there is no server");
    assert!(matches!(&failure, Failure::Never(why) if why.contains("[mail]")), "{failure}");
}

#[test]
fn certificates_that_are_none_are_said_at_the_start() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("ca.pem");
    for text in ["", "not a certificate", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"] {
        std::fs::write(&file, text).expect("a file");
        // `trug check` refuses such a file; it may change afterwards.
        let mail = crate::support::smtp::settings(By::Tls, 465, None, None);
        let mail = trug::settings::Mail { ca_file: Some(file.clone()), ..mail };
        let error =
            Mailer::new(Some(&mail), None, None).err().unwrap_or_else(|| panic!("{text:?} was taken"));
        let told = format!("{:#}", anyhow::Error::from(error));
        assert!(told.contains("ca.pem") || told.contains("TLS"), "{told}");
    }
}

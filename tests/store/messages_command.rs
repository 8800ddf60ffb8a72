//! `trug messages`: what it prints from a store.

use crate::support::garden::{at, only, school};
use crate::support::plain_words::assert_plain;
use jiff::Timestamp;
use tempfile::TempDir;
use trug::alarms::AlarmKey;
use trug::alarms::{Kind, Priority, State};
use trug::commands::exit::finish;
use trug::commands::messages::{self, Messages};
use trug::garden::plan::{Address, Channel};
use trug::garden::record::Batch;
use trug::model::Id;
use trug::store::{Outcome, Reader, Store, Transaction, Tried};
use trug::telling::{Item, Message, Purpose, WaitFor, Waiting};

const HOUR: i64 = 3_600_000;

fn message(ms: i64, channel: Channel, to: &str, purpose: Purpose, subject: &str) -> Message {
    let site = Id::new("saltbush-gully");
    Message {
        key: format!("saltbush-gully/{ms}/{}", channel.name()),
        site: site.clone(),
        garden: "Saltbush Gully Primary School".to_owned(),
        who: "grounds".to_owned(),
        address: Address { channel, to: to.to_owned() },
        made_at: at(ms),
        priority: Priority::Medium,
        purpose,
        subject: subject.to_owned(),
        opening: String::new(),
        items: vec![Item {
            key: AlarmKey { site, kind: Kind::DryBed, place: Id::new("kitchen-bed") },
            place_name: "Kitchen bed".to_owned(),
            state: State::Unacknowledged,
            priority: Priority::Medium,
            by: String::new(),
            since: at(0),
            since_local: "Friday 17 April, 3:00 pm".to_owned(),
            text: "Kitchen bed is dry.".to_owned(),
            source: "FAO-56 eq. 82-83".to_owned(),
        }],
    }
}

/// One of everything.
fn stored() -> (TempDir, Reader) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[school()]).unwrap();
    let to = "grounds@school.example";
    let messages = [
        message(0, Channel::Email, to, Purpose::News, "Kitchen bed is dry: give it 64 L"),
        message(HOUR, Channel::Webhook, "office", Purpose::Summary, "Two beds need water"),
        message(
            2 * HOUR,
            Channel::Email,
            to,
            Purpose::NotAnswered { by: "garden-club".to_owned() },
            "Nobody has answered: Kitchen bed is dry",
        ),
        message(200 * HOUR, Channel::MessageFile, "office-log", Purpose::Test, "A test"),
    ];
    let batch = Batch::default();
    store.commit(&Transaction { messages: &messages, ..only(&batch) }).unwrap();
    let tried = |seq, ms, outcome| Tried { seq, at: at(ms), outcome };
    let later = |ms, reason: &str| Outcome::Later { next: at(ms), reason: reason.to_owned() };
    let tries = [
        tried(1, 1000, later(60_000, "451 busy")),
        tried(1, 60_000, Outcome::Sent),
        tried(2, HOUR, later(3 * HOUR, "the server answered 500\u{1b}[2J\nagain")),
        tried(3, 2 * HOUR, Outcome::GivenUp { reason: "550 no such mailbox".to_owned() }),
    ];
    store.commit(&Transaction { tries: &tries, ..only(&batch) }).unwrap();
    (folder, Reader::open(&path).unwrap())
}

fn listed(reader: &Reader, it: &Messages, now: Timestamp) -> (u8, String) {
    let mut out = Vec::new();
    let code = finish(messages::run(reader, &[school()], it, now, &mut out), it.json, &mut out).code();
    let text = String::from_utf8(out).unwrap();
    if !it.json {
        assert_plain(&text);
    }
    (code, text)
}

fn some(text: &str) -> Option<String> {
    Some(text.to_owned())
}

#[test]
fn messages_are_listed_for_people() {
    let (_folder, reader) = stored();
    let it = Messages { to: some("2026-04-17"), ..Messages::default() };
    let (code, text) = listed(&reader, &it, at(0));
    assert_eq!(code, 0);
    assert_eq!(
        text,
        "Friday 17 April 2026, 3 pm: Saltbush Gully Primary School, for grounds, by e-mail to \
         grounds@school.example\n\
         \x20 Kitchen bed is dry: give it 64 L\n\
         \x20 Sent Friday 17 April 2026, 3:01 pm, tried 2 times.\n\
         Friday 17 April 2026, 4 pm: Saltbush Gully Primary School, for grounds, by the webhook office\n\
         \x20 Two beds need water\n\
         \x20 A summary of what had come together.\n\
         \x20 Waits to be sent, tried once; the next try is Friday 17 April 2026, 6 pm. Last answer: the \
         server answered 500 [2J again\n\
         Friday 17 April 2026, 5 pm: Saltbush Gully Primary School, for grounds, by e-mail to \
         grounds@school.example\n\
         \x20 Nobody has answered: Kitchen bed is dry\n\
         \x20 Told because garden-club had not answered.\n\
         \x20 Given up Friday 17 April 2026, 5 pm, tried once. Last answer: 550 no such mailbox\n\
         \n\
         3 messages: 1 sent, 1 waiting, 1 given up.\n"
    );
}

#[test]
fn what_waits_is_listed_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[school()]).unwrap();
    let site = Id::new("saltbush-gully");
    let row = |who: &str, hours: i64, wait| Waiting {
        who: who.to_owned(),
        alarm: AlarmKey { site: site.clone(), kind: Kind::DryBed, place: Id::new("kitchen-bed") },
        since: at(0),
        due: at(hours * HOUR),
        wait,
    };
    let rows = vec![
        row("office", 3, WaitFor::TellNotAnswered { by: "grounds".to_owned() }),
        row("grounds", 1, WaitFor::Tell),
        row("grounds", 2, WaitFor::Answer),
        row("grounds", 0, WaitFor::Over),
    ];
    let batch = Batch::default();
    store.commit(&Transaction { waiting: &[(site.clone(), rows)], ..only(&batch) }).unwrap();
    let reader = Reader::open(&path).unwrap();
    let (code, text) = listed(&reader, &Messages::default(), at(0));
    assert_eq!(code, 0);
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines[0], "Nobody was told anything in the last seven days.");
    assert_eq!(lines[2], "Waits to be told, if it still stands then:");
    assert!(lines[3].ends_with(": grounds, Friday 17 April 2026, 4 pm"), "{text}");
    assert!(
        lines[4].ends_with("whoever is next, Friday 17 April 2026, 5 pm, unless grounds answers"),
        "{text}"
    );
    assert!(lines[5].ends_with("since grounds did not answer"), "{text}");
    assert_eq!(lines.len(), 6, "who was told waits for nothing: {text}");

    let only = Messages { waiting: true, json: true, ..Messages::default() };
    let json: serde_json::Value = serde_json::from_str(&listed(&reader, &only, at(0)).1).unwrap();
    assert_eq!(json.as_array().unwrap().len(), 3, "{json:#}");
    assert_eq!((&json[0]["for"], &json[0]["wait"]), (&"grounds".into(), &"tell".into()), "{json:#}");
    assert_eq!(json[0]["due"], "2026-04-17T06:30:00Z");
    let elsewhere = Messages { waiting: true, site: some("other"), ..Messages::default() };
    assert_eq!(listed(&reader, &elsewhere, at(0)).1, "Nothing waits to be told.\n");
}

#[test]
fn messages_are_listed_for_programs() {
    let (_folder, reader) = stored();
    let it = Messages {
        from: some("2026-04-17T16:00"),
        to: some("2026-04-17"),
        json: true,
        ..Messages::default()
    };
    let (_, text) = listed(&reader, &it, at(0));
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(json.as_array().unwrap().len(), 2);
    assert_eq!(
        json[0],
        serde_json::json!({
            "key": "saltbush-gully/3600000/webhook", "site": "saltbush-gully", "made_at": "2026-04-17T06:30:00Z",
            "for": "grounds", "channel": "webhook", "to": "office", "purpose": "summary", "priority": "medium",
            "subject": "Two beds need water", "state": "waiting", "tries": 1, "next": "2026-04-17T08:30:00Z",
            "reason": "the server answered 500\u{1b}[2J\nagain",
            "alarms": [{
                "kind": "dry-bed", "place": "kitchen-bed", "state": "unacknowledged",
                "since": "2026-04-17T05:30:00Z", "text": "Kitchen bed is dry."
            }]
        })
    );
    let other = &json[1];
    assert_eq!((&other["about"], &other["done_at"]), (&"garden-club".into(), &"2026-04-17T07:30:00Z".into()));
    assert!(other.get("next").is_none(), "{other}");
}

#[test]
fn without_a_span_the_last_seven_days_are_listed() {
    let (_folder, reader) = stored();
    let count = |it: Messages, now| {
        let (_, text) = listed(&reader, &Messages { json: true, ..it }, now);
        serde_json::from_str::<Vec<serde_json::Value>>(&text).unwrap().len()
    };
    assert_eq!(count(Messages::default(), at(7 * 24 * HOUR)), 4);
    assert_eq!(count(Messages::default(), at(7 * 24 * HOUR + HOUR)), 3);
    assert_eq!(count(Messages { from: some("2026-04-01"), ..Messages::default() }, at(999 * HOUR)), 4);
    let (code, text) = listed(&reader, &Messages::default(), at(999 * HOUR));
    assert_eq!((code, text.as_str()), (0, "Nobody was told anything in the last seven days.\n"));
    let then = Messages { from: some("2020-01-01"), to: some("2020-01-02"), ..Messages::default() };
    assert_eq!(listed(&reader, &then, at(0)).1, "Nobody was told anything in that time.\n");
}

#[test]
fn a_wrong_request_is_told_in_plain_words() {
    let (_folder, reader) = stored();
    let (code, text) = listed(&reader, &Messages { site: some("school"), ..Messages::default() }, at(0));
    assert_eq!(
        (code, text.as_str()),
        (2, "no garden is called \"school\"; the gardens are: saltbush-gully\n")
    );
    let (code, text) = listed(&reader, &Messages { from: some("soon"), ..Messages::default() }, at(0));
    assert_eq!(code, 2);
    assert!(text.starts_with("\"soon\" is not a time"), "{text}");
}

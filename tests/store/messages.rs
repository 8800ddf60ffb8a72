//! The store: messages to people and what waits to be told.

use std::path::PathBuf;

use crate::support::garden::{at, only, school};
use jiff::civil::date;
use jiff::tz::TimeZone;
use tempfile::TempDir;
use trug::alarms::AlarmKey;
use trug::alarms::{Kind, Priority, State};
use trug::garden::plan::{Address, Channel};
use trug::garden::record::Batch;
use trug::model::Id;
use trug::store::{
    Committed, DueMessage, MessageCount, MessageLook, MessageState, MessageTime, Outcome, Reader, Store,
    Transaction, Tried,
};
use trug::telling::{Item, Message, Purpose, WaitFor, Waiting};

const EMAIL: Channel = Channel::Email;

fn opened() -> (TempDir, PathBuf, Store) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let store = Store::open(&path, &[school()]).unwrap();
    (folder, path, store)
}

fn message(n: i64, channel: Channel, priority: Priority) -> Message {
    let site = Id::new("saltbush-gully");
    Message {
        key: format!("saltbush-gully/dry-bed/kitchen-bed/{n}/{}", channel.name()),
        site: site.clone(),
        garden: "Saltbush Gully Primary School".to_owned(),
        who: "grounds".to_owned(),
        address: Address { channel, to: "grounds@school.example".to_owned() },
        made_at: at(n),
        priority,
        purpose: Purpose::News,
        subject: "Kitchen bed is dry \u{2014} \"64 L\"".to_owned(),
        opening: "What needs doing:\n".to_owned(),
        items: vec![Item {
            key: AlarmKey { site, kind: Kind::DryBed, place: Id::new("kitchen-bed") },
            place_name: "Kitchen bed".to_owned(),
            state: State::Unacknowledged,
            priority,
            by: String::new(),
            since: at(-900_000),
            since_local: "Friday 17 April, 14:45".to_owned(),
            text: "Kitchen bed is dry: 38 % of its available water is left.".to_owned(),
            source: "FAO-56 eq. 82-83".to_owned(),
        }],
    }
}

fn add(store: &mut Store, messages: &[Message]) -> Committed {
    store.commit(&Transaction { messages, ..only(&Batch::default()) }).unwrap()
}

fn tried(store: &mut Store, seq: i64, ms: i64, outcome: Outcome) {
    let tries = [Tried { seq, at: at(ms), outcome }];
    store.commit(&Transaction { at: at(ms), tries: &tries, ..only(&Batch::default()) }).unwrap();
}

fn later(ms: i64) -> Outcome {
    Outcome::Later { next: at(ms), reason: "451 try again later".to_owned() }
}

fn given_up() -> Outcome {
    Outcome::GivenUp { reason: "550 no such mailbox".to_owned() }
}

/// What a courier finds: the urgent, then the others.
fn due(reader: &Reader, channel: Channel, ms: i64, limit: usize) -> Vec<DueMessage> {
    let look = |urgent| MessageLook {
        channel,
        which: MessageTime::DueBy(at(ms)),
        urgent,
        closed: Vec::new(),
        known: Vec::new(),
        limit,
    };
    [true, false].into_iter().flat_map(|urgent| reader.messages_wanted(&look(urgent)).unwrap()).collect()
}

fn numbers(reader: &Reader, ms: i64) -> Vec<i64> {
    due(reader, EMAIL, ms, 100).iter().map(|it| it.seq).collect()
}

#[test]
fn a_message_comes_back_as_it_was_and_is_kept_once() {
    let (_folder, path, mut store) = opened();
    let purposes = [
        Purpose::News,
        Purpose::Summary,
        Purpose::NotAnswered { by: "grounds".to_owned() },
        Purpose::NotDelivered { to: "grounds".to_owned() },
        Purpose::Over,
        Purpose::Test,
    ];
    let mut messages: Vec<_> = (0..).map(|n| message(n, EMAIL, Priority::Low)).take(6).collect();
    for (message, purpose) in messages.iter_mut().zip(purposes) {
        message.purpose = purpose;
    }
    messages[1].items.clear();
    assert_eq!(add(&mut store, &messages).messages, 6);
    assert_eq!(add(&mut store, &messages), Committed::default(), "given again, nothing is new");
    drop(store);
    let mut store = Store::open(&path, &[school()]).unwrap();
    let other = Message { subject: "Another subject".to_owned(), ..messages[0].clone() };
    assert_eq!(add(&mut store, &[other]).messages, 0, "the key says which message it is");
    let reader = Reader::open(&path).unwrap();
    let due_now = due(&reader, EMAIL, 5, 100);
    assert_eq!(due_now.iter().map(|it| it.message.clone()).collect::<Vec<_>>(), messages);
    assert!(due_now.iter().all(|it| it.tries == 0));
    assert_eq!(due(&reader, Channel::Webhook, 5, 100), []);
}

#[test]
fn what_is_urgent_comes_first_then_what_is_old() {
    let (_folder, path, mut store) = opened();
    use Priority::{High, Low, Medium};
    let messages: Vec<_> =
        [Low, Medium, High, Low, High].into_iter().zip(0..).map(|(it, n)| message(n, EMAIL, it)).collect();
    add(&mut store, &messages);
    let reader = Reader::open(&path).unwrap();
    assert_eq!(numbers(&reader, 10), [3, 5, 1, 2, 4]);
    assert_eq!(due(&reader, EMAIL, 10, 1).len(), 2, "one of each");
    assert_eq!(due(&reader, EMAIL, 10, 0), []);
    assert_eq!(numbers(&reader, 2), [3, 1, 2], "two have not been made yet");
    assert_eq!(reader.next_due(EMAIL).unwrap(), Some(at(0)));
    assert_eq!(reader.next_due(Channel::MessageFile).unwrap(), None);
}

#[test]
fn a_message_is_tried_until_it_is_sent_or_given_up() {
    let (_folder, path, mut store) = opened();
    add(&mut store, &[message(0, EMAIL, Priority::High), message(1, EMAIL, Priority::High)]);
    let reader = Reader::open(&path).unwrap();
    // The same try noted twice counts once.
    tried(&mut store, 1, 10, later(60_000));
    tried(&mut store, 1, 10, later(60_000));
    assert_eq!(numbers(&reader, 59_999), [2]);
    let again = due(&reader, EMAIL, 60_000, 9);
    let tries: Vec<_> = again.iter().map(|it| (it.seq, it.tries)).collect();
    assert_eq!(tries, [(2, 0), (1, 1)], "that which has been due for longer comes first");
    tried(&mut store, 2, 20, given_up());
    assert_eq!(reader.next_due(EMAIL).unwrap(), Some(at(60_000)));
    tried(&mut store, 1, 60_010, Outcome::Sent);
    assert_eq!(reader.next_due(EMAIL).unwrap(), None);

    // Of what is sent nothing is new, whatever is said of it; nor of what never was.
    let sent = reader.messages(at(0), at(1), None).unwrap().remove(0);
    for (seq, outcome) in
        [(1, later(99_000)), (1, given_up()), (1, Outcome::Sent), (2, later(99_000)), (7, Outcome::Sent)]
    {
        tried(&mut store, seq, 70_000, outcome);
    }
    let all = reader.messages(at(0), at(10), Some("saltbush-gully")).unwrap();
    assert_eq!(all[0], sent);
    assert_eq!(all[0].message, message(0, EMAIL, Priority::High), "its words stay");
    let told: Vec<_> = all.iter().map(|it| (it.state, it.tries, it.done, it.reason.as_str())).collect();
    assert_eq!(
        told,
        [
            (MessageState::Sent, 2, Some(at(60_010)), ""),
            (MessageState::GivenUp, 1, Some(at(20)), "550 no such mailbox"),
        ]
    );
    assert_eq!(reader.messages(at(0), at(10), Some("redgum-flat")).unwrap(), []);
    // Given again, a message that is over does not wait anew.
    assert_eq!(add(&mut store, &[message(0, EMAIL, Priority::High)]).messages, 0);
    assert_eq!(reader.next_due(EMAIL).unwrap(), None);
}

#[test]
fn a_message_that_was_sent_past_the_outbox_is_kept_as_sent() {
    let (_folder, path, mut store) = opened();
    let sent = message(1, EMAIL, Priority::High);
    let batch = Batch::default();
    // The same message the usual way, in the same transaction and later: it is known.
    let both = Transaction {
        messages: std::slice::from_ref(&sent),
        sent: &[(sent.clone(), at(5000))],
        ..only(&batch)
    };
    assert_eq!(store.commit(&both).unwrap().messages, 0);
    assert_eq!(add(&mut store, std::slice::from_ref(&sent)).messages, 0);
    let reader = Reader::open(&path).unwrap();
    assert_eq!(numbers(&reader, 100_000), [0_i64; 0]);
    let kept: (String, i64, i64) = rusqlite::Connection::open(&path)
        .unwrap()
        .query_row("SELECT state, tries, done_at FROM message", [], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })
        .unwrap();
    assert_eq!(kept, ("sent".to_owned(), 1, at(5000).as_millisecond()));
    // One that waits already counts as sent from then on.
    let other = message(2, EMAIL, Priority::High);
    add(&mut store, std::slice::from_ref(&other));
    assert_eq!(numbers(&reader, 100_000).len(), 1);
    store.commit(&Transaction { sent: &[(other, at(6000))], ..only(&batch) }).unwrap();
    assert_eq!(numbers(&reader, 100_000), [0_i64; 0]);
}

#[test]
fn a_long_reason_is_cut_between_characters() {
    let (_folder, path, mut store) = opened();
    add(&mut store, &[message(0, EMAIL, Priority::Low)]);
    tried(&mut store, 1, 1, Outcome::Later { next: at(9), reason: "ß".repeat(10_000) });
    let kept = Reader::open(&path).unwrap().messages(at(0), at(1), None).unwrap().remove(0);
    assert_eq!((kept.reason, kept.next), ("ß".repeat(500), at(9)));
}

#[test]
fn a_group_is_reached_by_the_same_message_at_another_address_only() {
    let (_folder, path, mut store) = opened();
    let by_mail = message(0, EMAIL, Priority::High);
    let by_hook = message(0, Channel::Webhook, Priority::High);
    let mut of_another_alarm = message(0, Channel::MessageFile, Priority::High);
    of_another_alarm.items[0].key.kind = Kind::Ph;
    let mut for_another_reason = message(0, Channel::Webhook, Priority::High);
    for_another_reason.key.push_str("/over");
    for_another_reason.purpose = Purpose::Over;
    add(&mut store, &[by_mail.clone(), by_hook, of_another_alarm, for_another_reason]);
    let reader = Reader::open(&path).unwrap();
    for seq in [1, 3, 4] {
        tried(&mut store, seq, 5, Outcome::Sent);
        assert!(!reader.reached(&by_mail).unwrap(), "by number {seq}");
    }
    tried(&mut store, 2, 5, Outcome::Sent);
    assert!(reader.reached(&by_mail).unwrap());
    assert!(!reader.reached(&Message { made_at: at(1), ..by_mail.clone() }).unwrap());
    assert!(!reader.reached(&Message { who: "tank".to_owned(), ..by_mail }).unwrap());
}

#[test]
fn what_waits_at_a_site_takes_the_place_of_what_waited() {
    let (_folder, path, mut store) = opened();
    let waiting = |site: &str, who: &str, due| Waiting {
        who: who.to_owned(),
        alarm: AlarmKey { site: Id::new(site), kind: Kind::DryBed, place: Id::new("kitchen-bed") },
        since: at(0),
        due: at(due),
        wait: WaitFor::Tell,
    };
    let set = |store: &mut Store, site: &str, rows: Vec<Waiting>| {
        let waiting = [(Id::new(site), rows)];
        store.commit(&Transaction { waiting: &waiting, ..only(&Batch::default()) }).unwrap();
    };
    let answer = Waiting { wait: WaitFor::Answer, ..waiting("saltbush-gully", "grounds", 50) };
    set(
        &mut store,
        "saltbush-gully",
        vec![waiting("saltbush-gully", "grounds", 100), answer.clone(), waiting("saltbush-gully", "tank", 7)],
    );
    set(&mut store, "redgum-flat", vec![waiting("redgum-flat", "grounds", 1)]);
    let reader = Reader::open(&path).unwrap();
    let expected = [
        waiting("redgum-flat", "grounds", 1),
        answer.clone(),
        waiting("saltbush-gully", "grounds", 100),
        waiting("saltbush-gully", "tank", 7),
    ];
    assert_eq!(reader.waiting().unwrap(), expected);
    // Twice the same: the last stays.
    set(
        &mut store,
        "saltbush-gully",
        vec![Waiting { due: at(60), ..answer.clone() }, Waiting { due: at(70), ..answer.clone() }],
    );
    assert_eq!(
        reader.waiting().unwrap(),
        [waiting("redgum-flat", "grounds", 1), Waiting { due: at(70), ..answer }]
    );
    set(&mut store, "saltbush-gully", vec![]);
    drop(store);
    let _store = Store::open(&path, &[school()]).unwrap();
    assert_eq!(reader.waiting().unwrap(), [waiting("redgum-flat", "grounds", 1)]);
}

#[test]
fn what_another_version_wrote_is_left_out_and_holds_nothing_up() {
    let (_folder, path, mut store) = opened();
    let messages: Vec<_> = (0..6).map(|n| message(n, EMAIL, Priority::Low)).collect();
    add(&mut store, &messages);
    let connection = rusqlite::Connection::open(&path).unwrap();
    for (n, change) in [
        "body = '{\"subject\":1}'",
        "priority = 'dire'",
        "purpose = 'greeting'",
        "made_at = 9223372036854775807",
        "body = replace(body, 'dry-bed', 'locusts')",
    ]
    .iter()
    .enumerate()
    {
        connection.execute(&format!("UPDATE message SET {change} WHERE seq = {}", n + 1), []).unwrap();
    }
    connection
        .execute_batch(
            "INSERT INTO waiting VALUES ('saltbush-gully', 'grounds', 'locusts', 'bed', 'tell', 0, 0);
             INSERT INTO waiting VALUES ('saltbush-gully', 'grounds', 'ph', 'bed', 'sing', 0, 0);
             INSERT INTO waiting VALUES ('saltbush-gully', 'grounds', 'ph', 'tank', 'tell', 0, 0);",
        )
        .unwrap();
    let reader = Reader::open(&path).unwrap();
    assert_eq!(numbers(&reader, 10), [6]);
    assert_eq!(due(&reader, EMAIL, 10, 1).len(), 1, "they do not use up the number");
    assert_eq!(reader.next_due(EMAIL).unwrap(), Some(at(5)), "nor is anybody woken for them");
    assert_eq!(reader.waiting().unwrap().len(), 1);
    // When the daemon starts again they are given up, with the reason.
    drop(store);
    let _store = Store::open(&path, &[school()]).unwrap();
    let reasons: Vec<String> = connection
        .prepare("SELECT reason FROM message WHERE state = 'given-up' ORDER BY seq")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<rusqlite::Result<_>>()
        .unwrap();
    assert_eq!(reasons.len(), 5);
    assert!(reasons.iter().all(|it| it.starts_with("it cannot be understood: the ")), "{reasons:?}");
    assert_eq!(reasons[1], "it cannot be understood: the priority \"dire\"");
    assert_eq!(numbers(&reader, 10), [6]);
}

#[test]
fn messages_are_counted_by_group_and_day_of_the_garden() {
    let (_folder, path, mut store) = opened();
    const DAY: i64 = 86_400_000;
    // 15:00 in Adelaide: 10 hours later is the next day there, not in UTC.
    let mut messages = Vec::new();
    for ms in [0, 1000, 10 * 3_600_000, DAY] {
        messages.push(message(ms, EMAIL, Priority::Low));
        messages.push(message(ms, Channel::Webhook, Priority::Low));
    }
    messages.push(Message { purpose: Purpose::Test, ..message(5, Channel::MessageFile, Priority::Low) });
    add(&mut store, &messages);
    for seq in [1, 2, 3, 5] {
        tried(&mut store, seq, 1, Outcome::Sent);
    }
    tried(&mut store, 4, 1, given_up());
    let reader = Reader::open(&path).unwrap();
    let zone = TimeZone::get("Australia/Adelaide").unwrap();
    let counts = |to| reader.message_counts(at(0), at(to), |_, at| zone.to_datetime(at).date()).unwrap();
    let count = |day, sent, waiting, given_up| MessageCount {
        site: Id::new("saltbush-gully"),
        who: "grounds".to_owned(),
        day,
        sent,
        waiting,
        given_up,
    };
    assert_eq!(counts(2 * DAY), [count(date(2026, 4, 17), 2, 0, 1), count(date(2026, 4, 18), 1, 2, 0)]);
    assert_eq!(counts(5000), [count(date(2026, 4, 17), 2, 0, 1)]);
}

#[test]
fn what_is_over_is_kept_for_a_year() {
    let (_folder, path, mut store) = opened();
    const DAY: i64 = 86_400_000;
    add(&mut store, &[message(0, EMAIL, Priority::Low), message(1, EMAIL, Priority::Low)]);
    tried(&mut store, 1, 10, Outcome::Sent);
    let reader = Reader::open(&path).unwrap();
    let left = || reader.messages(at(0), at(9), None).unwrap().len();
    tried(&mut store, 9, 10 + 365 * DAY, Outcome::Sent);
    assert_eq!(left(), 2);
    tried(&mut store, 9, 11 + 365 * DAY, Outcome::Sent);
    assert_eq!(left(), 1, "the one that still waits");
}

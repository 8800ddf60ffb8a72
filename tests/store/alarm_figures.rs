//! How the alarms do: from the store to the words and JSON of the command.

use std::time::Instant;

use crate::support::garden::{at, dry_bed, only, reading, school};
use crate::support::plain_words::assert_plain;
use serde_json::Value;
use tempfile::TempDir;
use trug::alarms::AlarmNote;
use trug::alarms::{Priority, State};
use trug::commands::alarms::{self, AlarmsArgs};
use trug::commands::exit::finish;
use trug::garden::plan::{Address, Channel, Garden, Tell};
use trug::garden::record::{AlarmChange, Batch};
use trug::model::Id;
use trug::store::{Reader, Store, Transaction};
use trug::telling::{Message, Purpose};

use State::{Acknowledged, Normal, ReturnedUnacknowledged, Shelved, Unacknowledged};

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

/// The school with a group.
fn gardens() -> Vec<Garden> {
    let tell = vec![Tell { who: "grounds".to_owned(), ..Tell::default() }];
    let mut garden = school();
    garden.tell = tell;
    vec![garden]
}

/// A store with readings at the start and at the end of some days, and these steps.
fn stored(days: i64, changes: Vec<AlarmChange>, messages: &[Message]) -> (TempDir, Reader) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &gardens()).unwrap();
    let readings = vec![reading(0, 0, 1450.0), reading(0, days * DAY_MS, 1450.0)];
    let batch = Batch { readings, changes, ..Batch::default() };
    store.commit(&Transaction { messages, ..only(&batch) }).unwrap();
    let reader = Reader::open(&path).unwrap();
    (folder, reader)
}

fn figures(reader: &Reader, it: AlarmsArgs) -> (u8, String) {
    let mut out = Vec::new();
    let ended = alarms::run(reader, &gardens(), &AlarmsArgs { figures: true, ..it.clone() }, &mut out);
    let code = finish(ended, it.json, &mut out).code();
    let text = String::from_utf8(out).unwrap();
    if !it.json {
        assert_plain(&text);
    }
    (code, text)
}

fn json_of(reader: &Reader, it: AlarmsArgs) -> Value {
    let (code, text) = figures(reader, AlarmsArgs { json: true, ..it });
    assert_eq!(code, 0, "{text}");
    serde_json::from_str::<Value>(&text).unwrap()[0].take()
}

fn person(change: AlarmChange) -> AlarmChange {
    AlarmChange { how: Some("command".into()), ..change }
}

fn message(n: i64, at_ms: i64) -> Message {
    Message {
        key: format!("message/{n}"),
        site: Id::new("saltbush-gully"),
        garden: "Saltbush Gully Primary School".to_owned(),
        who: "grounds".to_owned(),
        address: Address { channel: Channel::Email, to: "grounds@school.example".to_owned() },
        made_at: at(at_ms),
        priority: Priority::Medium,
        purpose: Purpose::News,
        subject: "Kitchen bed is dry".to_owned(),
        opening: String::new(),
        items: vec![],
    }
}

#[test]
fn an_empty_store_and_a_time_before_it_have_no_figures() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    drop(Store::open(&path, &gardens()).unwrap());
    let reader = Reader::open(&path).unwrap();
    let (code, text) = figures(&reader, AlarmsArgs::default());
    assert_eq!(code, 0);
    assert!(text.contains("No reading is stored yet, so there are no figures."), "{text}");
    assert_eq!(json_of(&reader, AlarmsArgs::default())["all"], Value::Null);

    let (_folder, reader) = stored(2, vec![], &[]);
    let long_ago = || AlarmsArgs {
        from: Some("2020-01-01".to_owned()),
        to: Some("2020-02-01".to_owned()),
        ..AlarmsArgs::default()
    };
    let (_, text) = figures(&reader, long_ago());
    assert!(text.contains("Nothing is known of that time"), "{text}");
    // A time that begins before the first reading begins with it.
    let all = json_of(&reader, AlarmsArgs { from: Some("2020-01-01".to_owned()), ..AlarmsArgs::default() });
    assert_eq!(all["all"]["from"], "2026-04-17T05:30:00Z");
    assert_eq!((&all["all"]["raised"], &all["all"]["answered"]["median_s"]), (&Value::from(0), &Value::Null));
}

#[test]
fn one_alarm_is_told_beside_the_targets() {
    let changes = vec![
        dry_bed(HOUR_MS, Normal, Unacknowledged),
        person(dry_bed(3 * HOUR_MS, Unacknowledged, Acknowledged)),
    ];
    let (_folder, reader) =
        stored(4, changes, &[message(1, HOUR_MS), message(2, HOUR_MS), message(3, DAY_MS)]);
    let (_, text) = figures(&reader, AlarmsArgs::default());
    for part in [
        "Saltbush Gully Primary School: how the alarms do\nFrom Friday 17 April 2026, 3 pm to Tuesday 21 April",
        "Alarms raised: 1, which is 0.2 a day and 0.01 an hour\n  within: the target is about 6 an hour for one person, 12 at most.",
        "Standing for more than a day: 1 on the worst day, 1 at the end\n  within: ",
        "The ten most frequent alarms: all of them: 1 different; most often Bed needs water at kitchen-bed (1)\n  too few",
        "Until somebody answered: 1 answered, half within 2 hours, nine of ten within 2 hours; none waits\n  The standard",
        "Out of sight at the end: none\n  within: ",
        "For grounds: 1 alarm, 0.2 a day, at most 1 in ten minutes;",
        "3 messages, 0.7 a day, 2 on the day with the most (within the aim of fewer than 2 a day).",
        "* The numbers of this target are from memory",
    ] {
        assert!(text.contains(part), "{part:?} not in\n{text}");
    }
    let all = json_of(&reader, AlarmsArgs::default());
    assert_eq!(all["all"]["answered"]["median_s"], 7200);
    assert_eq!(all["groups"][0]["messages"]["a_day"], 0.75);
    assert_eq!(all["groups"][0]["messages"]["verdict"], "within");
    let judged = all["all"]["judged"].as_array().unwrap();
    let of = |name: &str| judged.iter().find(|row| row["figure"] == name).unwrap();
    assert_eq!(of("chattering")["target_from_memory"], true);
    assert_eq!(of("priorities")["verdict"], "too-few-to-judge");

    // The day after: nothing was raised, and it stood from before.
    let second = AlarmsArgs {
        from: Some("2026-04-19".to_owned()),
        to: Some("2026-04-19".to_owned()),
        ..AlarmsArgs::default()
    };
    let day = json_of(&reader, second);
    assert_eq!(
        (&day["all"]["raised"], &day["all"]["standing_over_a_day"]["worst_day"]),
        (&0.into(), &1.into())
    );
}

#[test]
fn what_was_put_aside_without_a_word_is_told() {
    let hidden =
        vec![dry_bed(HOUR_MS, Normal, Unacknowledged), person(dry_bed(2 * HOUR_MS, Unacknowledged, Shelved))];
    let (folder, reader) = stored(2, hidden.clone(), &[]);
    let (_, text) = figures(&reader, AlarmsArgs::default());
    assert!(
        text.contains("1 paused, 0 kept quiet by the garden's plan, 0 switched off; 1 without"),
        "{text}"
    );
    assert!(text.contains("above: the target is none without a reason."), "{text}");
    let mut store = Store::open(&folder.path().join("trug.db"), &gardens()).unwrap();
    let note = AlarmNote {
        key: hidden[1].record.key.clone(),
        since: hidden[1].record.since,
        at: at(2 * HOUR_MS),
        note: "the bed is being dug over".to_owned(),
        how: "command".to_owned(),
    };
    store.commit(&only(&Batch { notes: vec![note], ..Batch::default() })).unwrap();
    let all = json_of(&reader, AlarmsArgs::default());
    assert_eq!(
        (&all["all"]["out_of_sight"]["shelved"], &all["all"]["out_of_sight"]["without_reason"]),
        (&1.into(), &0.into())
    );
}

#[test]
fn the_gardens_own_priority_counts() {
    let (_folder, reader) = stored(2, vec![dry_bed(HOUR_MS, Normal, Unacknowledged)], &[]);
    let mut own = gardens();
    own[0].rules[trug::alarms::Kind::DryBed].priority = Priority::High;
    let mut out = Vec::new();
    let it = AlarmsArgs { figures: true, json: true, ..AlarmsArgs::default() };
    alarms::run(&reader, &own, &it, &mut out).unwrap();
    let all: Value = serde_json::from_slice(&out).unwrap();
    assert_eq!(all[0]["all"]["by_priority"]["high"], 1);
    // And in the list of alarms.
    let mut out = Vec::new();
    alarms::run(&reader, &own, &AlarmsArgs { json: true, ..AlarmsArgs::default() }, &mut out).unwrap();
    assert_eq!(serde_json::from_slice::<Value>(&out).unwrap()[0]["priority"], "high");
}

#[test]
fn a_wrong_request_is_told_in_plain_words() {
    let (_folder, reader) = stored(2, vec![], &[]);
    let (code, text) =
        figures(&reader, AlarmsArgs { from: Some("soon".to_owned()), ..AlarmsArgs::default() });
    assert_eq!(code, 2);
    assert!(text.contains("\"soon\" is not a time"), "{text}");
    let (code, text) =
        figures(&reader, AlarmsArgs { site: Some("other".to_owned()), ..AlarmsArgs::default() });
    assert_eq!((code, text.contains("no garden is called \"other\"")), (2, true), "{text}");
}

/// Ten thousand steps within thirty days, as a bad month of many gardens would have.
#[test]
fn ten_thousand_steps_are_counted_soon() {
    let changes = (0..5000)
        .flat_map(|n| {
            let ms = 1000 + n * 30 * DAY_MS / 5000;
            let place = Id::new(&format!("bed-{}", n % 40));
            let of = |mut change: AlarmChange| {
                change.record.key.place = place.clone();
                change
            };
            [
                of(dry_bed(ms, Normal, Unacknowledged)),
                of(dry_bed(ms + 60_000, Unacknowledged, ReturnedUnacknowledged)),
            ]
        })
        .collect();
    let (_folder, reader) = stored(30, changes, &[]);
    let started = Instant::now();
    let all = json_of(&reader, AlarmsArgs::default());
    println!("10,000 steps: {:?}", started.elapsed());
    assert_eq!((&all["all"]["raised"], &all["all"]["different"]), (&5000.into(), &40.into()));
    let judged = all["all"]["judged"].as_array().unwrap();
    let above = |name: &str| judged.iter().find(|row| row["figure"] == name).unwrap()["verdict"] == "above";
    assert!(above("raised") && above("frequent") && above("priorities") && !above("flood"), "{judged:#?}");
}

/// Of more steps than are read the newest count, and it is said.
#[test]
fn too_many_steps_are_cut_and_it_is_said() {
    let changes = (0..20).map(|n| dry_bed(n * HOUR_MS, Normal, Unacknowledged)).collect();
    let (_folder, reader) = stored(2, changes, &[]);
    let site = Id::new("saltbush-gully");
    let (history, cut) = reader.alarm_history(&site, at(0), at(DAY_MS), 5).unwrap();
    assert_eq!((history.changes.len(), cut), (5, Some(at(15 * HOUR_MS))));
    assert_eq!(history.before.len(), 1);
    assert_eq!(history.before[0].at, at(14 * HOUR_MS));
    let (history, cut) = reader.alarm_history(&site, at(0), at(DAY_MS), 21).unwrap();
    assert_eq!((history.changes.len(), history.before.len(), cut), (20, 0, None));
}

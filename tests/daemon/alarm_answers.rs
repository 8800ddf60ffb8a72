//! `trug alarms ack`, `note` and their like with a running daemon: what people say is
//! kept with the alarm and shown in its history; an answer that is for another
//! occurrence, or that nobody can give, changes nothing.

use std::process::Output;
use std::time::Duration;

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::{free_port, wait_until};
use jiff::Timestamp;
use serde_json::Value;
use trug::alarms::Answer;
use trug::alarms::{Input, State};
use trug::store::{AlarmRow, leave_answer};

const ALARM: &str = "ammonia/perch-tank";
const LIMIT: Duration = Duration::from_secs(60);

/// A daemon whose broker is not there: what people write down needs none.
fn daemon() -> Daemon {
    let mut daemon = Daemon::new(free_port(), &[("saltbush-gully", SHIPPED)]);
    daemon.arguments.clear();
    daemon
}

/// A test of the tank's water that is far beyond every limit, and its alarm.
fn raise(daemon: &mut Daemon) -> AlarmRow {
    let reader = daemon.reader();
    let test = ["log", "water-test", "perch-tank", "--ammonia", "4", "--ph", "8.6", "--temp-c", "24"];
    let done = daemon.ask(test);
    assert!(done.status.success(), "{}", said(&done));
    wait_until("the alarm", LIMIT, || {
        daemon.assert_alive();
        let present = reader.alarms_present().unwrap();
        present.into_iter().find(|it| it.record.key.kind.name() == "ammonia")
    })
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// The exit code and what is said.
fn ask(daemon: &Daemon, arguments: &[&str]) -> (i32, String) {
    let output = daemon.ask(arguments);
    (output.status.code().unwrap(), said(&output))
}

#[test]
fn what_people_say_is_kept_with_the_answer_and_in_the_history() {
    let mut daemon = daemon();
    daemon.start();
    raise(&mut daemon);
    let words = "Half the water was changed, no feed today.";
    let (code, text) = ask(&daemon, &["alarms", "note", ALARM, "Somebody is on the way."]);
    assert_eq!(
        (code, text.as_str()),
        (
            0,
            "ammonia of Perch tank has your note.\n\
             Notes are kept and shown with the alarm: write no names of children.\n"
        )
    );
    let (code, text) = ask(&daemon, &["alarms", "ack", ALARM, "--note", words]);
    assert_eq!(
        (code, text.as_str()),
        (
            0,
            "ammonia of Perch tank is marked as seen.\n\
             Notes are kept and shown with the alarm: write no names of children.\n"
        )
    );
    let (code, text) = ask(&daemon, &["alarms", "shelve", ALARM, "--for", "2h", "--json"]);
    assert_eq!(code, 0, "{text}");
    let json: Value = serde_json::from_str(&text).unwrap();
    assert_eq!((&json["taken"], &json["waits"], &json["note"]), (&true.into(), &false.into(), &Value::Null));

    let (_, text) = ask(&daemon, &["alarms"]);
    assert!(text.contains(&format!(", on the command line: {words}\n")), "{text}");
    let (code, text) = ask(&daemon, &["alarms", "--from", "2020-01-01"]);
    assert_eq!(code, 0);
    let raised = text.find("From normal to unacknowledged").unwrap();
    let noted = text.find("Note, on the command line, on what began ").unwrap();
    let seen = text.find("Somebody answered on the command line.\n").unwrap();
    let with_it = text.find(&format!("  Note: {words}\n")).unwrap();
    let aside = text.find("Somebody answered on the command line, until ").unwrap();
    assert!(raised < noted && noted < seen && seen < with_it && with_it < aside, "{text}");

    let (_, text) = ask(&daemon, &["alarms", "--from", "2020-01-01", "--json"]);
    let json: Vec<Value> = serde_json::from_str(&text).unwrap();
    let brief: Vec<_> = json
        .iter()
        .filter(|it| it["kind"] == "ammonia")
        .map(|it| (it["state"].as_str(), it["how"].as_str(), it["note"].as_str()))
        .collect();
    assert_eq!(
        brief,
        [
            (Some("unacknowledged"), None, None),
            (None, Some("command"), Some("Somebody is on the way.")),
            (Some("acknowledged"), Some("command"), Some(words)),
            (Some("shelved"), Some("command"), None),
        ]
    );
    // All of it is still there after the next start.
    daemon.kill();
    daemon.start();
    daemon.reader();
    assert_eq!(ask(&daemon, &["alarms", "--from", "2020-01-01", "--json"]).1, text);
}

#[test]
fn an_answer_for_another_occurrence_changes_nothing_and_its_note_is_not_kept() {
    let mut daemon = daemon();
    daemon.start();
    let alarm = raise(&mut daemon);
    let answer = |since: Option<Timestamp>, note: &str, input| Answer {
        key: alarm.record.key.clone(),
        at: alarm.record.at,
        input,
        how: "link".to_owned(),
        since,
        note: Some(note.to_owned()),
    };
    let before = alarm.record.since.checked_sub(Duration::from_millis(1)).unwrap();
    let store = daemon.store();
    let leave = |it: &Answer| leave_answer(&store, it).unwrap().unwrap();
    leave(&answer(Some(before), "of another time", Some(Input::Acknowledge)));
    leave(&answer(Some(before), "of another time", None));
    let last = leave(&answer(None, "it is not latched", Some(Input::Reset)));
    let reader = daemon.reader();
    let taken = |daemon: &mut Daemon, seq| {
        wait_until("the answers to be taken", LIMIT, || {
            daemon.assert_alive();
            (!reader.answer_waits(seq).unwrap()).then_some(())
        });
    };
    taken(&mut daemon, last);
    let notes = || reader.notes(Timestamp::MIN, Timestamp::MAX, None).unwrap();
    let state = || reader.alarms_present().unwrap()[0].record.state;
    assert_eq!((state(), notes()), (State::Unacknowledged, vec![]));

    // The same for this one is taken; and given again, it leaves nothing more.
    let fits = answer(Some(alarm.record.since), "of this time", Some(Input::Acknowledge));
    leave(&fits);
    let last = leave(&fits);
    taken(&mut daemon, last);
    assert_eq!(state(), State::Acknowledged);
    let kept: Vec<_> = notes().into_iter().map(|it| (it.note, it.how, it.since)).collect();
    assert_eq!(kept, [("of this time".to_owned(), "link".to_owned(), alarm.record.since)]);
}

#[test]
fn what_cannot_be_answered_or_is_no_note_is_told_in_plain_words() {
    let mut daemon = daemon();
    daemon.start();
    raise(&mut daemon);
    let long = "x".repeat(501);
    for (arguments, code, words) in [
        (vec!["alarms", "note", ALARM, ""], 2, "the note is empty"),
        (vec!["alarms", "ack", ALARM, "--note", &long], 2, "the note has 501 characters"),
        (vec!["alarms", "note", ALARM, "two\nlines"], 2, "accepted is one line of text"),
        (vec!["alarms", "note", "locusts/perch-tank", "x"], 2, "names no alarm"),
        (vec!["alarms", "note", "ammonia/pond", "x"], 2, "no bed, tank or sensor is called \"pond\""),
        (vec!["alarms", "note", "ph/perch-tank", "x"], 1, "ph/perch-tank is not open"),
        (vec!["alarms", "reset", ALARM], 1, "is not waiting to be declared over"),
    ] {
        let (got, text) = ask(&daemon, &arguments);
        assert_eq!(got, code, "{arguments:?}: {text}");
        assert!(text.contains(words), "{arguments:?}: {text}");
    }
    // Where no daemon runs, the answer waits for one.
    daemon.kill();
    let (code, text) = ask(&daemon, &["alarms", "ack", ALARM, "--note", "Seen at the gate."]);
    assert_eq!(code, 0, "{text}");
    assert!(text.starts_with("The answer to ammonia of Perch tank is kept. No running daemon"), "{text}");
    daemon.start();
    let reader = daemon.reader();
    let notes = wait_until("the note", LIMIT, || {
        daemon.assert_alive();
        let notes = reader.notes(Timestamp::MIN, Timestamp::MAX, None).unwrap();
        (!notes.is_empty()).then_some(notes)
    });
    assert_eq!(notes[0].note, "Seen at the gate.");
}

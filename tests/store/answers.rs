//! The store: answers that people leave, and what they say about alarms.

use crate::support::garden::{at, only, school};
use trug::alarms::{AlarmKey, AlarmNote, Answer};
use trug::alarms::{Input, Kind};
use trug::garden::record::Batch;
use trug::model::Id;
use trug::store::{Reader, Store, StoreError, leave_answer};

fn dry_bed() -> AlarmKey {
    AlarmKey { site: Id::new("saltbush-gully"), kind: Kind::DryBed, place: Id::new("kitchen-bed") }
}

fn answer(input: Option<Input>) -> Answer {
    Answer { key: dry_bed(), at: at(0), input, how: "command".to_owned(), since: None, note: None }
}

fn note(ms: i64, text: &str) -> AlarmNote {
    AlarmNote { key: dry_bed(), since: at(0), at: at(ms), note: text.to_owned(), how: "command".to_owned() }
}

#[test]
fn an_answer_is_left_beside_a_writer_and_taken_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[school()]).unwrap();
    let seen = answer(Some(Input::Acknowledge));
    leave_answer(&path, &seen).unwrap();
    leave_answer(&path, &seen).unwrap();
    let answers = store.answers().unwrap();
    assert_eq!(answers.iter().map(|row| &row.answer).collect::<Vec<_>>(), [&seen, &seen]);
    store.forget_answers(answers[0].seq).unwrap();
    assert_eq!(store.answers().unwrap(), answers[1..]);
    store.forget_answers(answers[1].seq).unwrap();
    assert_eq!(store.answers().unwrap(), []);
    // A number is never used twice: a late forgetting takes no new answer away.
    leave_answer(&path, &seen).unwrap();
    store.forget_answers(answers[1].seq).unwrap();
    assert_eq!(store.answers().unwrap().len(), 1);
    let missing = folder.path().join("nowhere.db");
    assert!(matches!(leave_answer(&missing, &seen), Err(StoreError::Missing { .. })));
    assert!(!missing.exists());
}

#[test]
fn every_answer_comes_back_as_it_was_left() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[school()]).unwrap();
    let until = "2026-04-18T06:00:00Z".parse().unwrap();
    let all = [
        Input::Acknowledge,
        Input::Reset,
        Input::Shelve { until, one_shot: false },
        Input::Shelve { until, one_shot: true },
        Input::Unshelve,
        Input::TakeOut,
        Input::PutBack,
    ];
    let mut left: Vec<_> = all.iter().map(|&input| answer(Some(input))).collect();
    for (n, answer) in left.iter_mut().enumerate() {
        answer.how = "link".to_owned();
        answer.since = (n % 2 == 0).then(|| at(-60_000));
        answer.note = (n % 3 == 0).then(|| "The tap was shut; the hose leaked.".to_owned());
    }
    left.push(Answer { note: Some("Watered by hand, 60 L.".to_owned()), ..answer(None) });
    for answer in &left {
        leave_answer(&path, answer).unwrap();
    }
    // No person can bring a judgement, and an answer that says nothing is none.
    leave_answer(&path, &answer(Some(Input::Clear))).unwrap();
    leave_answer(&path, &answer(None)).unwrap();
    let taken: Vec<_> = store.answers().unwrap().into_iter().map(|row| row.answer).collect();
    assert_eq!(taken, left);
}

#[test]
fn a_note_is_kept_once_and_cut_at_its_bound() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[school()]).unwrap();
    let mut keep = |notes: Vec<AlarmNote>| {
        store.commit(&only(&Batch { notes, ..Batch::default() })).unwrap();
    };
    let first = note(5000, "Watered by hand, 60 L.");
    for _ in 0..2 {
        keep(vec![first.clone(), note(1000, &"ü".repeat(600))]);
    }
    // The same words at another time are another note.
    keep(vec![note(9000, &first.note)]);
    let reader = Reader::open(&path).unwrap();
    let kept = reader.notes(at(0), at(9000), Some("saltbush-gully")).unwrap();
    assert_eq!(kept, [note(1000, &"ü".repeat(500)), first]);
    assert_eq!(reader.notes(at(0), at(9001), None).unwrap().len(), 3);
    assert_eq!(reader.notes(at(0), at(9001), Some("redgum-flat")).unwrap(), []);
}

/// A message is brought again when the daemon ended before it could say that it
/// has it.
#[test]
fn a_note_that_the_broker_brings_again_is_kept_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[school()]).unwrap();
    let by_mqtt = |ms, text| AlarmNote { how: "mqtt".to_owned(), ..note(ms, text) };
    for ms in [1000, 2000, 9000] {
        let notes = vec![by_mqtt(ms, "The tap is being mended.")];
        store.commit(&only(&Batch { notes, ..Batch::default() })).unwrap();
    }
    let later = AlarmNote { since: at(9500), ..by_mqtt(9900, "The tap is being mended.") };
    store.commit(&only(&Batch { notes: vec![later.clone()], ..Batch::default() })).unwrap();
    let kept = Reader::open(&path).unwrap().notes(at(0), at(10_000), None).unwrap();
    assert_eq!(kept, [by_mqtt(1000, "The tap is being mended."), later]);
}

#[test]
fn what_is_no_note_is_said() {
    assert_eq!(AlarmNote::check("Watered by hand, 60 L."), Ok(()));
    assert_eq!(AlarmNote::check(&"ü".repeat(500)), Ok(()));
    for (text, why) in [
        ("", "the note is empty"),
        ("  ", "the note is empty"),
        ("a\nb", "the note holds a line break or another control character; accepted is one line of text"),
        (
            "a\u{1b}[31m",
            "the note holds a line break or another control character; accepted is one line of text",
        ),
    ] {
        assert_eq!(AlarmNote::check(text), Err(why.to_owned()), "{text:?}");
    }
    assert_eq!(
        AlarmNote::check(&"ü".repeat(501)),
        Err("the note has 501 characters; accepted are at most 500".to_owned())
    );
}

/// People leave answers while a daemon starts.
#[test]
fn a_store_is_opened_while_another_program_writes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    drop(Store::open(&path, &[]).unwrap());
    let other = rusqlite::Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE; INSERT INTO unplaced VALUES ('a', 0, 0, 1, x'');").unwrap();
    let (opening, is_opening) = std::sync::mpsc::channel();
    let ends = std::thread::spawn(move || {
        is_opening.recv().unwrap();
        // Long enough for the other to have begun; the test passes however slow it is.
        std::thread::sleep(std::time::Duration::from_millis(300));
        other.execute_batch("COMMIT").unwrap();
    });
    opening.send(()).unwrap();
    let store = Store::open(&path, &[school()]).unwrap();
    ends.join().unwrap();
    assert_eq!(store.series().sensors(), 2);
}

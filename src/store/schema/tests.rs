//! A file that an earlier version wrote is brought up to date with all that is in it.

use rusqlite::Connection;

use jiff::Timestamp;

use super::*;
use crate::alarms::{Input, Kind, State};
use crate::store::{Reader, Store, Transaction};

/// A file as the version with this number left it.
fn file_of(version: u16, path: &Path) -> Connection {
    let connection = Connection::open(path).unwrap();
    connection.pragma_update(None, "journal_mode", "WAL").unwrap();
    for script in &MIGRATIONS[..usize::from(version)] {
        connection.execute_batch(script).unwrap();
    }
    connection.pragma_update(None, "application_id", APPLICATION_ID).unwrap();
    connection.pragma_update(None, "user_version", version).unwrap();
    connection
}

/// What a file held before there were messages to people: an alarm with the answers
/// to it, a letter that waits and one that does not.
const HELD: &str = "
    INSERT INTO series VALUES
        (1, 'saltbush-gully', 'kitchen-15cm', 'soil-moisture', 'm3/m3', 'kitchen-bed', 'topic');
    INSERT INTO reading VALUES (1776403800000, 1, 1450.0, 0.145, 1, 0, 0, 0);
    INSERT INTO alarm (site, kind, place, state, since, at, text, numbers, source, tell, how) VALUES
        ('saltbush-gully', 'dry-bed', 'kitchen-bed', 'acknowledged', 1776403800000, 1776405600000,
         'Kitchen bed is dry.', '{\"depletion_mm\":8.0}', 'FAO-56', '[\"grounds\"]', 'command');
    INSERT INTO alarm_change
        (at, site, kind, place, to_state, from_state, since, text, numbers, source, tell, how) VALUES
        (1776405600000, 'saltbush-gully', 'dry-bed', 'kitchen-bed', 'acknowledged', 'unacknowledged',
         1776403800000, 'Kitchen bed is dry.', '{}', 'FAO-56', '[\"grounds\"]', 'command');
    INSERT INTO answer (at, site, kind, place, action, until, how) VALUES
        (1776405700000, 'saltbush-gully', 'dry-bed', 'kitchen-bed', 'shelve', 1776409200000, 'command');
    INSERT INTO outbox VALUES (1, 'a', 'trug/a', x'7b7d', 0), (2, 'b', 'trug/b', x'', 1);
    INSERT INTO counter VALUES ('last_letter', 2);
";

#[test]
fn a_file_without_messages_to_people_gets_room_for_them() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    file_of(4, &path).execute_batch(HELD).unwrap();
    // Nobody changes it but the writer.
    assert!(matches!(Reader::open(&path), Err(StoreError::Older { found: 4, known: KNOWN, .. })));

    let mut store = Store::open(&path, &[]).unwrap();
    let answers = store.answers().unwrap();
    assert_eq!(answers.len(), 1);
    let answer = &answers[0].answer;
    assert_eq!((answer.since, answer.note.as_deref(), answer.key.kind), (None, None, Kind::DryBed));
    let until = "2026-04-17T07:00:00Z".parse().unwrap();
    assert_eq!(answer.input, Some(Input::Shelve { until, one_shot: false }));

    let reader = Reader::open(&path).unwrap();
    let present = reader.alarms_present().unwrap();
    assert_eq!((present.len(), present[0].record.state), (1, State::Acknowledged));
    let history = reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).unwrap();
    assert_eq!(history[0].how.as_deref(), Some("command"));
    assert_eq!(reader.count().unwrap(), 1);
    assert_eq!(reader.letters(0, 10).unwrap().len(), 1);
    assert_eq!(reader.waiting().unwrap(), []);
    assert_eq!(reader.messages(Timestamp::MIN, Timestamp::MAX, None).unwrap(), []);
    assert_eq!(reader.notes(Timestamp::MIN, Timestamp::MAX, None).unwrap(), []);

    // It takes what is new.
    let note = crate::alarms::AlarmNote {
        key: present[0].record.key.clone(),
        since: present[0].record.since,
        at: present[0].record.at,
        note: "Watered by hand.".to_owned(),
        how: "command".to_owned(),
    };
    let batch = crate::garden::record::Batch { notes: vec![note.clone()], ..Default::default() };
    let transaction = Transaction {
        at: present[0].record.at,
        batch: &batch,
        letters: &[],
        letters_sent: &[],
        forwarded: &[],
        forward: false,
        messages: &[],
        sent: &[],
        tries: &[],
        waiting: &[],
        received: &[],
        confirmed: 0,
    };
    store.commit(&transaction).unwrap();
    assert_eq!(reader.notes(Timestamp::MIN, Timestamp::MAX, None).unwrap(), [note]);
    drop(store);
    drop(Store::open(&path, &[]).unwrap());
}

#[test]
fn every_older_version_comes_to_the_same_tables() {
    let folder = tempfile::tempdir().unwrap();
    let tables = |version: u16| -> Vec<String> {
        let path = folder.path().join(format!("{version}.db"));
        drop(file_of(version, &path));
        drop(Store::open(&path, &[]).unwrap());
        Connection::open(&path)
            .unwrap()
            .prepare("SELECT name || ': ' || coalesce(sql, '') FROM sqlite_schema ORDER BY name")
            .unwrap()
            .query_map([], |row| row.get(0))
            .unwrap()
            .collect::<rusqlite::Result<_>>()
            .unwrap()
    };
    let known = u16::try_from(MIGRATIONS.len()).unwrap();
    let newest = tables(known);
    assert!(newest.iter().any(|it| it.starts_with("message: ")), "{newest:?}");
    for version in 1..known {
        assert_eq!(tables(version), newest, "from version {version}");
    }
}

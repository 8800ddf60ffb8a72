//! What is left when a transaction breaks: nothing of it.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::store::test_garden::{at, dry_bed, forwarded, letter, only, probes, reading, reject, unplaced};
use rusqlite::Connection;
use rusqlite::types::ValueRef;

use super::*;
use crate::alarms::{AlarmKey, AlarmNote};
use crate::alarms::{Kind, Priority, State};
use crate::garden::plan::{Address, Channel};
use crate::garden::record::{AlarmChange, Batch, Reading, Reflag};
use crate::model::Id;
use crate::model::SensorIx;
use crate::quality::{Flag, Tests};
use crate::store::{
    AlarmPublication, ForwardProgress, MessageState, Outcome, Reader, RefusedRow, ReplayDay, ReplayRun, Tried,
};
use crate::telling::{Message, Purpose, WaitFor, Waiting};

/// Every row of every table, by way of a connection of its own.
fn snapshot(path: &Path) -> Vec<String> {
    let connection = Connection::open(path).unwrap();
    let check: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(check, "ok");
    let tables: Vec<String> = connection
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<rusqlite::Result<_>>()
        .unwrap();
    let mut lines = Vec::new();
    for table in tables {
        let mut select = connection.prepare(&format!("SELECT * FROM {table} ORDER BY 1, 2")).unwrap();
        let columns = select.column_count();
        let mut rows = select.query([]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            let cells: Vec<_> = (0..columns)
                .map(|column| match row.get_ref(column).unwrap() {
                    ValueRef::Text(text) | ValueRef::Blob(text) => String::from_utf8_lossy(text).into_owned(),
                    number => format!("{number:?}"),
                })
                .collect();
            lines.push(format!("{table}: {}", cells.join(" | ")));
        }
    }
    lines
}

/// A store with something of everything in it, and a transaction that touches
/// every table.
struct Case {
    folder: tempfile::TempDir,
    store: Store,
    batch: Batch,
    letters: Vec<AlarmPublication>,
    forwarded: Vec<ForwardProgress>,
    messages: Vec<Message>,
    tries: Vec<Tried>,
    waiting: Vec<(Id, Vec<Waiting>)>,
}

/// Whether the disk (or the room given to the database) is full.
fn is_full(error: &StoreError) -> bool {
    let StoreError::Write { source, .. } = error else { return false };
    source.sqlite_error_code() == Some(rusqlite::ErrorCode::DiskFull)
}

/// A message about the kitchen bed, made `ms` after the start.
fn message(ms: i64, priority: Priority) -> Message {
    Message {
        key: format!("saltbush-gully/dry-bed/kitchen-bed/{ms}/email"),
        site: Id::new("saltbush-gully"),
        garden: "Saltbush Gully Primary School".to_owned(),
        who: "grounds".to_owned(),
        address: Address { channel: Channel::Email, to: "grounds@school.example".to_owned() },
        made_at: at(ms),
        priority,
        purpose: Purpose::News,
        subject: "Kitchen bed is dry".to_owned(),
        opening: String::new(),
        items: Vec::new(),
    }
}

fn dry_bed_key() -> AlarmKey {
    AlarmKey { site: Id::new("saltbush-gully"), kind: Kind::DryBed, place: Id::new("kitchen-bed") }
}

fn waits(who: &str, wait: WaitFor) -> Waiting {
    Waiting { who: who.to_owned(), alarm: dry_bed_key(), since: at(0), due: at(900), wait }
}

fn note(ms: i64, text: &str) -> AlarmNote {
    let (note, how) = (text.to_owned(), "command".to_owned());
    AlarmNote { key: dry_bed_key(), since: at(0), at: at(ms), note, how }
}

fn packet(serial: u8) -> ReceivedPacket {
    ReceivedPacket { serial: serial.into(), packet: 7 + u16::from(serial), fingerprint: [serial; 16] }
}

fn tried(seq: i64, outcome: Outcome) -> Tried {
    Tried { seq, at: at(100), outcome }
}

impl Case {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(&folder.path().join("trug.db"), &[probes(4)]).unwrap();
        store.set_forwarders(&["school"]).unwrap();
        store.set_keep_rejects(2);
        let raised = dry_bed(0, State::Normal, State::Unacknowledged);
        let letters = [letter(&raised)];
        let first = Batch {
            readings: (0..4).map(|sensor| reading(sensor, 0, 1000.0)).collect(),
            rejects: vec![reject(0), reject(1)],
            unplaced: vec![unplaced(0, "new/1")],
            changes: vec![raised],
            notes: vec![note(1, "Somebody looks after it.")],
            ..Batch::default()
        };
        // Three messages wait; one more is over already.
        let messages: Vec<_> = (0..4).map(|ms| message(ms, Priority::Medium)).collect();
        let waiting = vec![(
            Id::new("saltbush-gully"),
            vec![waits("grounds", WaitFor::Tell), waits("tank", WaitFor::Tell)],
        )];
        store
            .commit(&Transaction {
                letters: &letters,
                forward: true,
                messages: &messages,
                tries: &[Tried { at: at(0), ..tried(4, Outcome::Sent) }],
                waiting: &waiting,
                received: &[packet(1), packet(2)],
                ..only(&first)
            })
            .unwrap();
        // Two may wait and two that are over are kept: the transaction goes beyond both.
        store.marks.post.set_max(2, 2);
        let returned = dry_bed(9, State::Unacknowledged, State::ReturnedUnacknowledged);
        let letters = vec![letter(&returned)];
        let batch = Batch {
            readings: vec![
                reading(0, 10, 1001.0),
                reading(1, 0, 1000.0),
                reading(2, 0, 999.0),
                reading(3, 10, 1.5),
            ],
            reflags: vec![Reflag { sensor: SensorIx(0), at: at(0), flag: Flag::Suspect, tests: Tests(0x33) }],
            rejects: vec![reject(5)],
            unplaced: vec![unplaced(6, "new/1"), unplaced(7, "new/2")],
            changes: vec![returned],
            notes: vec![note(1, "Somebody looks after it."), note(9, "Watered by hand.")],
        };
        let refused = vec![RefusedRow { at: at(0), series: 2, why: "422: too old".into() }];
        Self {
            folder,
            store,
            batch,
            letters,
            forwarded: vec![ForwardProgress { refused, ..forwarded("school", 3) }],
            messages: vec![
                message(1, Priority::Medium),
                message(10, Priority::Low),
                message(11, Priority::High),
            ],
            tries: vec![
                tried(1, Outcome::Sent),
                tried(2, Outcome::Later { next: at(500), reason: "451 later".to_owned() }),
                tried(3, Outcome::GivenUp { reason: "550 nobody".to_owned() }),
            ],
            waiting: vec![(Id::new("saltbush-gully"), vec![waits("grounds", WaitFor::Answer)])],
        }
    }

    fn commit(&mut self) -> Result<Committed, StoreError> {
        self.store.commit(&Transaction {
            at: at(100),
            batch: &self.batch,
            letters: &self.letters,
            letters_sent: &[1],
            forwarded: &self.forwarded,
            forward: true,
            messages: &self.messages,
            sent: &[],
            tries: &self.tries,
            waiting: &self.waiting,
            received: &[packet(3), packet(4)],
            confirmed: 2,
        })
    }

    fn snapshot(&self) -> Vec<String> {
        snapshot(&self.folder.path().join("trug.db"))
    }

    /// The tables after the same transaction without any fault.
    fn whole() -> (Committed, Vec<String>) {
        let mut case = Self::new();
        let committed = case.commit().unwrap();
        (committed, case.snapshot())
    }
}

#[test]
fn a_transaction_broken_at_any_step_leaves_nothing_and_can_be_given_again() {
    let (committed, whole) = Case::whole();
    let mut case = Case::new();
    let before = case.snapshot();
    assert_ne!(before, whole);
    let (mut broken, mut kept) = (0, 0);
    for n in 1_u64.. {
        let steps = Arc::new(AtomicU64::new(0));
        let count = Arc::clone(&steps);
        // SQLite asks after each instruction of its virtual machine.
        let interrupt = move || count.fetch_add(1, Ordering::Relaxed) + 1 == n;
        case.store.connection.progress_handler(1, Some(interrupt)).unwrap();
        let result = case.commit();
        case.store.connection.progress_handler(1, None::<fn() -> bool>).unwrap();
        if result.is_ok() {
            break;
        }
        broken += 1;
        assert!(n < 20_000, "it never recovers: {result:?}");
        if case.snapshot() == whole {
            // Broken after the end had been written: given again, it is all there.
            kept += 1;
            let again = case.commit().unwrap();
            // After a fault every message counts as new, so that nobody sleeps through it.
            let expected = Committed { stored: 0, repeated: 3, messages: 3, ..committed };
            assert_eq!(again, expected, "broken at step {n}");
            assert_eq!(keyed(case.snapshot()), keyed(whole.clone()));
            case = Case::new();
        } else {
            assert_eq!(case.snapshot(), before, "broken at step {n}");
        }
    }
    assert!(broken > 200, "only {broken} steps were broken");
    assert!(kept < 5, "{kept} steps after the end");
    assert_eq!(case.snapshot(), whole);
    if let Some(folder) = std::env::var_os("FAULTS_ROWS") {
        // A row for the table of `tests/faults`: whoever comes so far has lost nothing.
        let row = format!("a write broken at each step\t{broken}\t{}\t0\t0\t0\t0\t-\tat once\n", broken * 4);
        std::fs::create_dir_all(&folder).expect("the folder of the rows");
        std::fs::write(Path::new(&folder).join("1-step"), row).expect("a row");
    }
}

/// What has a key. Rejects and messages on unknown topics have none: they are told
/// of each time that they come.
fn keyed(mut snapshot: Vec<String>) -> Vec<String> {
    snapshot.retain(|line| !line.starts_with("reject:") && !line.starts_with("unplaced:"));
    snapshot
}

/// A store with a raised alarm, and a day of a replay by which it was never raised.
fn replayed_day() -> (tempfile::TempDir, Store, ReplayDay) {
    let Case { folder, mut store, batch, .. } = Case::new();
    store.commit(&only(&Batch { rejects: vec![], unplaced: vec![], ..batch })).unwrap();
    let corrected =
        |sensor, ms| Reading { value: Some(0.3), flag: Flag::Fail, ..reading(sensor, ms, 1000.0) };
    let day = ReplayDay {
        readings: vec![
            corrected(0, 0),
            corrected(1, 0),
            Reading { value: None, flag: Flag::Missing, ..reading(2, 0, 1000.0) },
        ],
        gone: vec![1, 2],
        steps: vec![dry_bed(4, State::Normal, State::Unacknowledged)],
    };
    (folder, store, day)
}

fn write_replayed(store: &mut Store, day: &ReplayDay) -> Result<(), StoreError> {
    let mut run =
        ReplayRun { number: None, written_at: at(500), site: None, from: at(0), to: at(900), forward: true };
    store.replay_day(&mut run, at(800), day, &|_, row| {
        letter(&AlarmChange {
            record: row.unwrap().record.clone(),
            ..dry_bed(0, State::Normal, State::Unacknowledged)
        })
    })
}

#[test]
fn a_replayed_day_broken_at_any_step_leaves_nothing_and_can_be_given_again() {
    let (folder, mut store, day) = replayed_day();
    let path = |folder: &tempfile::TempDir| folder.path().join("trug.db");
    let before = snapshot(&path(&folder));
    write_replayed(&mut store, &day).unwrap();
    let whole = snapshot(&path(&folder));
    let of = |table: &str| whole.iter().filter(|line| line.starts_with(table)).count();
    assert_eq!((of("reading_before: "), of("alarm_change_before: "), of("replay: ")), (3, 2, 1));
    assert_eq!((of("reading: "), of("alarm_change: "), of("alarm: ")), (6, 1, 1));
    assert_eq!((of("outbox: "), of("forward_queue: ")), (2, 7));

    let (mut folder, mut store, day) = replayed_day();
    let (mut broken, mut kept) = (0, 0);
    for n in 1_u64.. {
        let steps = Arc::new(AtomicU64::new(0));
        let count = Arc::clone(&steps);
        let interrupt = move || count.fetch_add(1, Ordering::Relaxed) + 1 == n;
        store.connection.progress_handler(1, Some(interrupt)).unwrap();
        let result = write_replayed(&mut store, &day);
        store.connection.progress_handler(1, None::<fn() -> bool>).unwrap();
        if result.is_ok() {
            break;
        }
        broken += 1;
        assert!(n < 20_000, "it never recovers: {result:?}");
        if snapshot(&path(&folder)) == whole {
            // Broken after the end had been written.
            kept += 1;
            (folder, store, _) = replayed_day();
        } else {
            assert_eq!(snapshot(&path(&folder)), before, "broken at step {n}");
        }
    }
    assert!(broken > 200, "only {broken} steps were broken");
    assert!(kept < 5, "{kept} steps after the end");
    assert_eq!(snapshot(&path(&folder)), whole);
}

#[test]
fn a_transaction_with_messages_leaves_what_it_should() {
    let (committed, whole) = Case::whole();
    assert_eq!(committed.messages, 2, "one was there already");
    let of = |table: &str| -> Vec<String> {
        whole.iter().filter_map(|line| line.strip_prefix(table)).map(str::to_owned).collect()
    };
    assert_eq!(of("waiting: ").len(), 1);
    assert_eq!(of("alarm_note: ").len(), 2);
    let states: Vec<_> = of("message: ")
        .iter()
        .map(|line| {
            let cells: Vec<&str> = line.split(" | ").collect();
            (cells[0].to_owned(), cells[11].to_owned(), cells[15].to_owned())
        })
        .collect();
    let state = |seq: i64, state: MessageState, reason: &str| {
        (format!("Integer({seq})"), state.name().to_owned(), reason.to_owned())
    };
    // The fourth and then the first were over for longest.
    assert_eq!(
        states,
        [
            state(2, MessageState::Waiting, "451 later"),
            state(3, MessageState::GivenUp, "550 nobody"),
            state(5, MessageState::GivenUp, "too many messages waited"),
            state(6, MessageState::Waiting, ""),
        ]
    );
}

#[test]
fn messages_beyond_the_bound_are_given_up_the_least_urgent_first() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[]).unwrap();
    store.marks.post.set_max(3, 4);
    let reader = Reader::open(&path).unwrap();
    let mut add = |range: std::ops::Range<i64>, priority| {
        let messages: Vec<_> = range.map(|ms| message(ms, priority)).collect();
        store.commit(&Transaction { messages: &messages, ..only(&Batch::default()) }).unwrap();
        let mut due = reader.messages(at(0), at(100), None).unwrap();
        due.retain(|it| it.state == MessageState::Waiting);
        due.sort_by_key(|it| std::cmp::Reverse(it.message.priority));
        let left: Vec<_> = due
            .iter()
            .map(|it| it.message.made_at.as_millisecond() - crate::store::test_garden::START_MS)
            .collect();
        (left, reader.messages_dropped().unwrap())
    };
    assert_eq!(add(0..3, Priority::Low), (vec![0, 1, 2], 0));
    assert_eq!(add(3..5, Priority::High), (vec![3, 4, 2], 2), "the oldest of low priority went");
    assert_eq!(add(5..6, Priority::Medium), (vec![3, 4, 5], 3));
    assert_eq!(add(6..8, Priority::Low), (vec![3, 4, 5], 5), "what is more urgent stays");
    assert_eq!(add(8..10, Priority::High), (vec![4, 8, 9], 7));
    // Given up, they are still known, as many as are kept.
    let kept = reader.messages(at(0), at(100), None).unwrap();
    let done: Vec<_> = kept.iter().filter(|it| it.state == MessageState::GivenUp).map(|it| it.seq).collect();
    assert_eq!(done.len(), 4);
    assert_eq!(add(6..8, Priority::Low), (vec![4, 8, 9], 7), "given again, they are not new");
}

#[test]
fn a_commit_that_fails_at_the_very_end_leaves_nothing() {
    let (committed, whole) = Case::whole();
    let mut case = Case::new();
    let before = case.snapshot();
    case.store.connection.commit_hook(Some(|| true)).unwrap();
    let error = case.commit().unwrap_err();
    assert!(error.to_string().starts_with("writing (ending a transaction) to "), "{error}");
    assert!(!is_full(&error));
    case.store.connection.commit_hook(None::<fn() -> bool>).unwrap();
    assert_eq!(case.snapshot(), before);
    let expected = Committed { messages: 3, ..committed };
    assert_eq!(case.commit().unwrap(), expected, "given again, it is kept");
    assert_eq!(case.snapshot(), whole);
}

#[test]
fn a_full_disk_says_so_and_leaves_everything_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[probes(1)]).unwrap();
    let batch =
        Batch { readings: (0..2000).map(|ms| reading(0, ms, ms as f64)).collect(), ..Batch::default() };
    let before = snapshot(&path);
    let pages: i64 = store.connection.pragma_query_value(None, "page_count", |row| row.get(0)).unwrap();
    let mut full = 0;
    for more in 0.. {
        store.connection.pragma_update(None, "max_page_count", pages + more).unwrap();
        match store.commit(&Transaction { forward: true, ..only(&batch) }) {
            Ok(committed) => {
                assert_eq!((committed.stored, committed.last_forward), (2000, Some(2000)));
                break;
            }
            Err(error) => {
                full += 1;
                assert!(is_full(&error), "{error}");
                assert_eq!(snapshot(&path), before, "with {more} more pages");
            }
        }
    }
    assert!(full >= 10, "only {full} times full");
    assert_eq!(Reader::open(&path).unwrap().count().unwrap(), 2000);
}

#[test]
fn a_forward_queue_that_is_full_lets_the_oldest_go_and_counts_them() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[probes(10)]).unwrap();
    store.set_forwarders(&["school"]).unwrap();
    store.marks.forwarding.set_max(50);
    let mut add = |ms, position| {
        let readings = (0..10).map(|sensor| reading(sensor, ms, 1.0)).collect();
        let batch = Batch { readings, ..Batch::default() };
        let forwarded = [forwarded("school", position)];
        store.commit(&Transaction { forward: true, forwarded: &forwarded, ..only(&batch) }).unwrap();
    };
    let reader = Reader::open(&path).unwrap();
    let state = || {
        let rows = reader.forward_rows(0, 1000).unwrap();
        (rows[0].seq, rows.len(), reader.forward_dropped().unwrap())
    };
    (0..5).for_each(|ms| add(ms, 0));
    assert_eq!(state(), (1, 50, 0));
    add(5, 4);
    assert_eq!(state(), (11, 50, 6), "four of the ten had been sent");
    add(6, 35);
    assert_eq!(state(), (36, 35, 6));
    assert_eq!(reader.count().unwrap(), 70, "the readings themselves all stay");
}

#[test]
fn an_outbox_that_is_full_lets_the_oldest_go_and_counts_them() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let mut store = Store::open(&path, &[probes(1)]).unwrap();
    let add = |store: &mut Store, ms| {
        let change: AlarmChange = dry_bed(ms, State::Normal, State::Unacknowledged);
        let letters = [letter(&change)];
        store.commit(&Transaction { letters: &letters, ..only(&Batch::default()) }).unwrap();
    };
    add(&mut store, 1);
    add(&mut store, 2);
    store.commit(&Transaction { letters_sent: &[1], ..only(&Batch::default()) }).unwrap();
    // As if very many had come between.
    store.marks.outbox.skip_to(100_003);
    add(&mut store, 3);
    let reader = Reader::open(&path).unwrap();
    let waiting: Vec<_> = reader.letters(0, 10).unwrap().iter().map(|it| it.seq).collect();
    assert_eq!(waiting, [100_003]);
    assert_eq!(reader.letters_dropped().unwrap(), 1, "the first had been sent");
}

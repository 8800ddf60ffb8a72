//! The daemon's alarms about itself, raised by a running daemon: a server that is
//! down, a disk with too little room, a record that another program holds.

use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use crate::support::daemon::Daemon;
use crate::support::garden::{SHIPPED, forwarded, garden, only, reading, settings};
use crate::support::keeper::Running;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::sender::{Post, send};
use crate::support::{free_port, wait_until};
use axum::Router;
use axum::http::StatusCode;
use axum::routing::post;
use jiff::Timestamp;
use trug::alarms::{Kind, State};
use trug::engine::Engine;
use trug::garden::Clock;
use trug::garden::plan::Channel;
use trug::garden::record::Batch;
use trug::model::Quantity;
use trug::store::{AlarmRow, Reader, Store, Transaction};

const LIMIT: Duration = Duration::from_secs(60);

/// Delays that a test can wait for, and an office in the place of the demonstration's
/// that hears of the daemon's own alarms at any hour, in a file.
const QUICK: &str = r#"
[[tell]]
who = "office"
alarms = ["store-failing", "forwarding-behind", "disk-nearly-full"]
file = ["record"]
[alarms.store-failing]
on_delay_s = 3
off_delay_s = 0
[alarms.forwarding-behind]
on_delay_s = 0
[alarms.disk-nearly-full]
on_delay_s = 0
off_delay_s = 0
"#;

fn daemon(broker: &Mosquitto) -> Daemon {
    let own = SHIPPED.find("[[tell]]\nwho = \"office\"").expect("the demonstration has an office");
    let after = SHIPPED[own..].find("\n\n").map_or(SHIPPED.len(), |end| own + end);
    let garden = format!("{}{}{QUICK}", &SHIPPED[..own], &SHIPPED[after..]);
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", &garden)]);
    // The daemon's own alarms live by the computer's clock.
    daemon.arguments.clear();
    daemon.set("TRUG__WATCH__EVERY_S", "1");
    add(&daemon, &format!("[[told_file]]\nname = \"record\"\npath = \"{}\"\n", told(&daemon).display()));
    daemon
}

/// Adds to trug.toml.
fn add(daemon: &Daemon, more: &str) {
    let path = daemon.folder().join("trug.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(path, format!("{text}\n{more}")).unwrap();
}

/// Where the office is told.
fn told(daemon: &Daemon) -> std::path::PathBuf {
    daemon.folder().join("told.jsonl")
}

/// The lines that the office has been told.
fn lines(daemon: &Daemon) -> Vec<String> {
    let text = std::fs::read_to_string(told(daemon)).unwrap_or_default();
    text.lines().map(str::to_owned).collect()
}

#[expect(clippy::disallowed_methods, reason = "the daemon under test lives by the computer's clock")]
fn now() -> Timestamp {
    Timestamp::now()
}

/// Sends readings of one probe, a second apart, from so many seconds ago.
/// Before the daemon listens the broker has nobody to keep readings for.
fn wait_online(broker: &Mosquitto) {
    Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
}

fn send_readings(broker: &Mosquitto, ago_s: i64, count: i64) {
    wait_online(broker);
    let from_s = now().as_second() - ago_s;
    let posts = (0..count)
        .map(|n| {
            let payload = format!(r#"{{"raw":2000,"t":{}}}"#, from_s + n);
            Post::new("saltbush-gully/kitchen-bed/moisture-30cm", payload.as_bytes())
        })
        .collect();
    send(broker.port(), posts);
}

fn history(reader: &Reader, kind: Kind) -> Vec<AlarmRow> {
    let mut all = reader.alarm_changes(Timestamp::UNIX_EPOCH, Timestamp::MAX, None).unwrap();
    all.retain(|change| change.record.key.kind == kind);
    all
}

/// Waits until an alarm has taken so many steps.
fn wait_for_steps(daemon: &mut Daemon, reader: &Reader, kind: Kind, count: usize) -> Vec<AlarmRow> {
    wait_until(&format!("{count} steps of {}", kind.name()), LIMIT, || {
        daemon.assert_alive();
        let steps = history(reader, kind);
        (steps.len() >= count).then_some(steps)
    })
}

#[test]
fn a_disk_with_less_room_than_was_asked_for_is_told_until_less_is_asked_for() {
    let broker = Mosquitto::start();
    let listener = Listener::start(broker.port(), &["trug/#"]);
    let mut daemon = daemon(&broker);
    daemon.set("TRUG__WATCH__DISK_FREE_MB", "100000000");
    daemon.start_with_page();
    let topic = "trug/saltbush-gully/alarm/disk-nearly-full/trug";
    let told = listener.wait_for("the full disk", |heard| heard.topic == topic).text();
    for words in [r#""state":"unacknowledged""#, r#""priority":"medium""#, "100000 GB or more", r#""for":["#]
    {
        assert!(told.contains(words), "{words} in {told}");
    }
    let page = daemon.get("/").unwrap();
    assert!(page.body.contains("record is nearly full"), "{}", page.body);
    // The room that there is suffices after a change of the configuration: the alarm of
    // the run before is taken up and ends.
    assert!(daemon.terminate().success());
    daemon.set("TRUG__WATCH__DISK_FREE_MB", "1");
    daemon.start();
    let reader = daemon.reader();
    let steps = wait_for_steps(&mut daemon, &reader, Kind::DiskNearlyFull, 2);
    assert_eq!(steps.len(), 2);
    assert_eq!(steps[1].record.state, State::ReturnedUnacknowledged);
    assert!(steps[1].record.said.text.contains("has room again"), "{}", steps[1].record.said.text);
}

#[test]
fn a_server_that_is_down_is_told_until_it_has_everything() {
    let broker = Mosquitto::start();
    let mut daemon = daemon(&broker);
    let port = free_port();
    add(
        &daemon,
        &format!(
            "[[forward]]\nname = \"school\"\nurl = \"http://127.0.0.1:{port}/write?db=garden\"\ntimeout_s = 1\n"
        ),
    );
    daemon.set("TRUG__WATCH__FORWARD_ROWS", "10");
    daemon.start();
    let reader = daemon.reader();
    send_readings(&broker, 600, 9);
    wait_until("the queue to fill", LIMIT, || (reader.queues().unwrap()[0].rows == 9).then_some(()));
    send_readings(&broker, 300, 30);
    let steps = wait_for_steps(&mut daemon, &reader, Kind::ForwardingBehind, 1);
    assert_eq!(steps[0].record.state, State::Unacknowledged);
    assert!(steps[0].record.said.text.contains("the server school"), "{}", steps[0].record.said.text);
    assert_eq!(steps[0].record.key.place.as_str(), "trug");

    // It comes back.
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let listener = runtime.block_on(tokio::net::TcpListener::bind(("127.0.0.1", port))).unwrap();
    let router = Router::new().route("/write", post(|| async { StatusCode::NO_CONTENT }));
    runtime.spawn(async move { axum::serve(listener, router).await.unwrap() });
    let steps = wait_for_steps(&mut daemon, &reader, Kind::ForwardingBehind, 2);
    assert_eq!(steps[1].record.state, State::ReturnedUnacknowledged);
    assert_eq!(reader.queues().unwrap()[0].rows, 0);
}

/// Another program holds the database, so that no write is taken; the daemon's retries
/// are real ones. The alarm is published while nothing can be stored, and stands in the
/// history with its true times once it can.
#[test]
fn a_record_that_cannot_be_written_is_published_at_once_and_stored_later() {
    let broker = Mosquitto::start();
    let topic = "trug/saltbush-gully/alarm/store-failing/trug";
    let listener = Listener::start(broker.port(), &["trug/#"]);
    let mut daemon = daemon(&broker);
    daemon.set("TRUG__WATCH__DISK_FREE_MB", "1");
    daemon.start_with_page();
    let reader = daemon.reader();
    send_readings(&broker, 600, 3);
    wait_until("the readings", LIMIT, || (reader.count().unwrap() == 3).then_some(()));

    let holder = rusqlite::Connection::open(daemon.store()).unwrap();
    holder.execute_batch("BEGIN IMMEDIATE").unwrap();
    let began = now();
    send_readings(&broker, 300, 5);
    let told = listener.wait_for("the failing store, published", |heard| heard.topic == topic).text();
    assert!(told.contains(r#""state":"unacknowledged""#) && told.contains(r#""priority":"high""#), "{told}");
    assert!(told.contains("Look at the fish now, and measure their water"), "{told}");
    let office = wait_until("the office to be told", LIMIT, || lines(&daemon).first().cloned());
    assert!(office.contains("has not been able to store readings since"), "{office}");
    assert!(history(&reader, Kind::StoreFailing).is_empty(), "nothing can have been stored");
    wait_until("the page to say so", LIMIT, || {
        daemon.assert_alive();
        daemon.get("/health").filter(|answer| answer.status == 503)
    });
    shown_all_the_same(&mut daemon);

    holder.execute_batch("ROLLBACK").unwrap();
    let let_go = now();
    let steps = wait_for_steps(&mut daemon, &reader, Kind::StoreFailing, 2);
    assert_eq!(
        (steps[0].record.state, steps[1].record.state),
        (State::Unacknowledged, State::ReturnedUnacknowledged)
    );
    assert!(
        steps[0].record.since >= began && steps[0].record.since <= let_go,
        "{} {}",
        began,
        steps[0].record.since
    );
    let after_ms = steps[0].record.at.as_millisecond() - steps[0].record.since.as_millisecond();
    assert_eq!(after_ms, 3000, "raised after the delay");
    assert!(steps[1].record.at >= let_go, "{} {let_go}", steps[1].record.at);
    // What waited came through, and what was published past the store is what was stored.
    wait_until("all readings", LIMIT, || (reader.count().unwrap() == 8).then_some(()));
    let since = steps[0].record.since;
    assert!(told.contains(&since.to_string()), "{since} in {told}");
    listener.wait_for("the return", |heard| {
        heard.topic == topic && heard.text().contains("returned-unacknowledged")
    });
    assert_eq!(daemon.get("/health").map(|answer| answer.status), Some(200));
    // The outbox has the message as one that was sent, and the office has it once.
    let states = wait_until("the message to be kept", LIMIT, || {
        let mut select = holder
            .prepare(
                "SELECT state FROM message WHERE body LIKE '%has not been able to store readings since%'",
            )
            .ok()?;
        let states: Vec<String> =
            select.query_map([], |row| row.get(0)).ok()?.collect::<Result<_, _>>().ok()?;
        (!states.is_empty()).then_some(states)
    });
    assert_eq!(states, ["sent"]);
    assert!(daemon.terminate().success());
    let told = lines(&daemon)
        .iter()
        .filter(|line| line.contains("has not been able to store readings since"))
        .count();
    assert_eq!(told, 1, "{:#?}", lines(&daemon));
}

/// Waits until the page shows the garden with a bar that says that nothing is kept.
fn shown_all_the_same(daemon: &mut Daemon) {
    wait_until("the page with a bar", LIMIT, || {
        daemon.assert_alive();
        let page = daemon.get("/").filter(|page| page.status == 200)?;
        assert!(page.body.contains("Kitchen bed"), "{}", page.body);
        page.body.contains("Trug cannot save anything just now. ").then_some(())
    });
}

/// The daemon went on writing into a file that nobody would have found again, and told the
/// broker that it had everything.
#[test]
fn a_record_that_is_moved_away_is_told_and_loses_nothing() {
    let broker = Mosquitto::start();
    let mut daemon = daemon(&broker);
    daemon.set("TRUG__WATCH__DISK_FREE_MB", "1");
    daemon.start_with_page();
    let reader = daemon.reader();
    send_readings(&broker, 600, 3);
    wait_until("the readings", LIMIT, || (reader.count().unwrap() == 3).then_some(()));
    assert_eq!(daemon.get("/").map(|page| page.status), Some(200));

    let away = daemon.folder().join("away.db");
    std::fs::rename(daemon.store(), &away).unwrap();
    send_readings(&broker, 300, 5);
    let told = wait_until("the page to say so", LIMIT, || {
        daemon.assert_alive();
        daemon.get("/health").filter(|answer| answer.status == 503).map(|answer| answer.body)
    });
    assert!(told.contains("was moved or deleted while trug has it open"), "{told}");
    shown_all_the_same(&mut daemon);
    let office = wait_until("the office to be told", LIMIT, || lines(&daemon).first().cloned());
    assert!(office.contains("has not been able to store readings since"), "{office}");

    std::fs::rename(&away, daemon.store()).unwrap();
    wait_until("all readings", LIMIT, || {
        Reader::open(&daemon.store()).ok().filter(|reader| reader.count().unwrap() == 8).map(|_| ())
    });
    wait_until("the page to say that all is well", LIMIT, || {
        daemon.get("/health").filter(|answer| answer.status == 200)
    });
    assert!(daemon.terminate().success());
}

/// The wall clock of the test below: it is set forward, and time goes on as it does.
static AHEAD_S: AtomicI64 = AtomicI64::new(0);

fn clock_that_is_set() -> Timestamp {
    now().saturating_add(jiff::SignedDuration::from_secs(AHEAD_S.load(Ordering::Relaxed))).unwrap()
}

#[test]
fn a_clock_that_is_set_while_the_daemon_runs_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let mut settings = settings(SHIPPED);
    settings.store.path = folder.path().join("trug.db");
    let mut running = Running::start(Engine::open(&settings, Clock::Arrival).unwrap(), clock_that_is_set);
    let reader = Reader::open(&settings.store.path).unwrap();
    let rounds = running.daemon_health.pulse.rounds();
    wait_until("a round", LIMIT, || (running.daemon_health.pulse.rounds() > rounds + 1).then_some(()));
    assert!(history(&reader, Kind::ClockJumped).is_empty());
    AHEAD_S.store(-7200, Ordering::Relaxed);
    let steps = wait_until("the jump", LIMIT, || {
        Some(history(&reader, Kind::ClockJumped)).filter(|steps| !steps.is_empty())
    });
    assert_eq!((steps.len(), steps[0].record.state), (1, State::Unacknowledged));
    assert!(steps[0].record.said.text.contains("jumped back by 2 hours"), "{}", steps[0].record.said.text);
    // Set forward again: the alarm stands, and is not told a second time.
    AHEAD_S.store(0, Ordering::Relaxed);
    let rounds = running.daemon_health.pulse.rounds();
    wait_until("more rounds", LIMIT, || (running.daemon_health.pulse.rounds() > rounds + 2).then_some(()));
    running.end();
    assert_eq!(history(&reader, Kind::ClockJumped).len(), 1);
}

/// A group whose only address is refused for good, as the outbox notes it, and then one
/// message that arrives.
#[test]
fn a_message_that_reached_nobody_is_told_by_the_daemon_until_one_arrives() {
    let broker = Mosquitto::start();
    let more = "[[tell]]\nwho = \"caretaker\"\nalarms = [\"tank-too-warm\"]\nwebhook = [\"shed\"]\n\
                [alarms.tank-too-warm]\non_delay_s = 0\n[alarms.message-not-sent]\non_delay_s = 0\noff_delay_s = 0\n";
    // Without the groups of the demonstration, whose e-mail goes nowhere.
    let (beds_and_sensors, _) = SHIPPED.split_once("[[tell]]").unwrap();
    let text = format!("{beds_and_sensors}{QUICK}{more}");
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", &text)]);
    daemon.arguments.clear();
    daemon.set("TRUG__WATCH__EVERY_S", "1");
    daemon.set("TRUG__WATCH__DISK_FREE_MB", "1");
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let listener = runtime.block_on(tokio::net::TcpListener::bind("127.0.0.1:0")).unwrap();
    let port = listener.local_addr().unwrap().port();
    // 400: the server takes this message at no time (RFC 9110, section 15.5.1).
    let router = Router::new().fallback(|| async { StatusCode::BAD_REQUEST });
    runtime.spawn(async move { axum::serve(listener, router).await.unwrap() });
    std::fs::write(daemon.folder().join("secret"), "a secret of thirty-two characters").unwrap();
    add(
        &daemon,
        &format!(
            "[[told_file]]\nname = \"record\"\npath = \"{}\"\n[[webhook]]\nname = \"shed\"\n\
             url = \"http://127.0.0.1:{port}/told\"\nsecret_file = \"secret\"\n",
            told(&daemon).display()
        ),
    );
    daemon.start();
    let reader = daemon.reader();
    wait_online(&broker);
    // 33 degrees: what is of high priority is told at once.
    let payload = format!(r#"{{"raw":528,"t":{}}}"#, now().as_second());
    send(broker.port(), vec![Post::new("saltbush-gully/perch-tank/temperature", payload.as_bytes())]);
    let steps = wait_for_steps(&mut daemon, &reader, Kind::MessageNotSent, 1);
    assert_eq!(steps[0].record.state, State::Unacknowledged);
    for words in
        ["A message to caretaker at Saltbush Gully Primary School did not arrive", "by webhook", "400"]
    {
        assert!(steps[0].record.said.text.contains(words), "{words} in {}", steps[0].record.said.text);
    }
    // One that arrives, as the outbox would note it.
    let connection = rusqlite::Connection::open(daemon.store()).unwrap();
    connection.busy_timeout(Duration::from_secs(10)).unwrap();
    connection
        .execute_batch(
            "CREATE TEMP TABLE it AS SELECT * FROM message WHERE who = 'caretaker' LIMIT 1;
             UPDATE it SET seq = NULL, key = key || '-later', made_at = made_at + 1000, state = 'sent',
                           done_at = made_at + 2000;
             INSERT INTO message SELECT * FROM it;",
        )
        .unwrap();
    let steps = wait_for_steps(&mut daemon, &reader, Kind::MessageNotSent, 2);
    assert_eq!(steps[1].record.state, State::ReturnedUnacknowledged);
}

/// Rows put in as they come and go.
#[test]
fn what_waits_for_each_forwarder_is_counted() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    let gardens = [garden("saltbush-gully", &[("probe", Quantity::SoilMoisture, true)])];
    let mut store = Store::open(&path, &gardens).unwrap();
    store.set_forwarders(&["one", "two"]).unwrap();
    let reader = Reader::open(&path).unwrap();
    let queues = || {
        let queues = reader.queues().unwrap();
        queues
            .into_iter()
            .map(|q| {
                (q.name, q.rows, q.oldest.map(|at| at.as_millisecond() - crate::support::garden::START_MS))
            })
            .collect::<Vec<_>>()
    };
    assert_eq!(queues(), [("one".to_owned(), 0, None), ("two".to_owned(), 0, None)]);
    let batch = Batch { readings: (0..50).map(|n| reading(0, n, 1.0)).collect(), ..Batch::default() };
    store.commit(&Transaction { forward: true, ..only(&batch) }).unwrap();
    assert_eq!(queues(), [("one".to_owned(), 50, Some(0)), ("two".to_owned(), 50, Some(0))]);
    let nothing = Batch::default();
    let positions = [forwarded("one", 50), forwarded("two", 20)];
    store.commit(&Transaction { forwarded: &positions, ..only(&nothing) }).unwrap();
    assert_eq!(queues(), [("one".to_owned(), 0, None), ("two".to_owned(), 30, Some(20))]);
}

/// Messages put into the table as the outbox leaves them.
#[test]
fn a_group_is_unreached_until_something_arrives() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trug.db");
    drop(Store::open(&path, &[]).unwrap());
    let connection = rusqlite::Connection::open(&path).unwrap();
    let columns: Vec<(String, String, bool)> = connection
        .prepare("SELECT name, type, \"notnull\" FROM pragma_table_info('message')")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let mut number = 0;
    let mut put = |who: &str, made: i64, state: &str, done: i64| {
        number += 1;
        let values: Vec<String> = columns
            .iter()
            .filter(|(name, _, _)| name != "seq")
            .map(|(name, kind, needed)| match name.as_str() {
                "key" => format!("'m{number}'"),
                "made_at" => made.to_string(),
                "done_at" if state == "waiting" => "NULL".to_owned(),
                "done_at" => done.to_string(),
                "site" => "'saltbush-gully'".to_owned(),
                "who" => format!("'{who}'"),
                "channel" => "'email'".to_owned(),
                "state" => format!("'{state}'"),
                "priority" => "'medium'".to_owned(),
                "reason" => format!("'reason {number}'"),
                _ if !needed => "NULL".to_owned(),
                _ if kind == "INTEGER" => "0".to_owned(),
                _ => "''".to_owned(),
            })
            .collect();
        let names: Vec<&str> =
            columns.iter().map(|(name, _, _)| name.as_str()).filter(|name| *name != "seq").collect();
        let insert = format!("INSERT INTO message ({}) VALUES ({})", names.join(", "), values.join(", "));
        connection.execute(&insert, []).unwrap();
    };
    let reader = Reader::open(&path).unwrap();
    let unreached = |since_ms: i64| {
        let since = Timestamp::from_millisecond(since_ms).unwrap();
        reader.unreached(since).unwrap().into_iter().map(|it| (it.who, it.reason)).collect::<Vec<_>>()
    };
    let row = |who: &str, reason: &str| (who.to_owned(), reason.to_owned());
    assert_eq!(unreached(0), []);
    put("grounds", 1000, "given-up", 5000);
    put("office", 1000, "waiting", 0);
    assert_eq!(unreached(0), [row("grounds", "reason 1")]);
    assert_eq!(reader.unreached(Timestamp::UNIX_EPOCH).unwrap()[0].channel, Channel::Email);
    // Older than is asked for.
    assert_eq!(unreached(5001), []);
    // Something that was made before arrives late: it says nothing about what came after.
    put("grounds", 900, "sent", 6000);
    assert_eq!(unreached(0), [row("grounds", "reason 1")]);
    // Each group once, the newest first.
    put("grounds", 2000, "given-up", 7000);
    put("office", 2000, "given-up", 8000);
    assert_eq!(unreached(0), [row("office", "reason 5"), row("grounds", "reason 4")]);
    // Another group's message changes nothing; one of its own does.
    put("teacher", 3000, "sent", 9000);
    put("grounds", 3000, "sent", 9000);
    assert_eq!(unreached(0), [row("office", "reason 5")]);
    // The same message by another way counts as arrived.
    put("office", 4000, "sent", 9500);
    put("office", 4000, "given-up", 90_000);
    assert_eq!(unreached(0), []);
}

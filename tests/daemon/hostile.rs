//! Nothing that comes in stops the daemon: no payload, topic, message, broker,
//! store, configuration or command line.

use std::net::TcpListener;
use std::ops::ControlFlow;
use std::process::{Output, Stdio};
use std::time::Duration;

use crate::support::daemon::{Daemon, trug};
use crate::support::garden::SHIPPED;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::rows::rejects;
use crate::support::sender::{Post, send};
use crate::support::wait_until;
use jiff::Timestamp;
use rumqttc::v5::mqttbytes::QoS;
use trug::garden::record::Reject;
use trug::model::TimeFrom;
use trug::store::{Reader, ReadingFilter};

const STATUS: &str = "trug/saltbush-gully/status";
const LIMIT: Duration = Duration::from_secs(60);
const KEEP_REJECTS: usize = 1000;

/// A sensor whose payload is a plain number, beside those of the demonstration.
const PLAIN: &str = r#"
[[sensor]]
id = "glasshouse-air"
measures = "air-temperature"
topic = "saltbush-gully/glasshouse/air"
payload = "number"
every_s = 900
"#;
const PLAIN_TOPIC: &str = "saltbush-gully/glasshouse/air";
const JSON_TOPIC: &str = "saltbush-gully/kitchen-bed/moisture-15cm";
const SENML_TOPIC: &str = "saltbush-gully/pea-bed/moisture-15cm";
const LINE_TOPIC: &str = "saltbush-gully/herb-bed/moisture-15cm";
const SENSOR_TOPICS: [&str; 4] = [PLAIN_TOPIC, JSON_TOPIC, SENML_TOPIC, LINE_TOPIC];

/// A running daemon, and what is needed to see that it still works.
struct Garden {
    broker: Mosquitto,
    daemon: Daemon,
    reader: Reader,
    listener: Listener,
    /// Times of good readings: one second after the other, some time ago.
    next_s: i64,
}

#[expect(clippy::disallowed_methods, reason = "the daemon under test lives by the computer's clock")]
fn now_s() -> i64 {
    Timestamp::now().as_second()
}

impl Garden {
    fn start() -> Self {
        let broker = Mosquitto::start();
        let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", &format!("{SHIPPED}{PLAIN}"))]);
        daemon.arguments.clear();
        daemon.set("TRUG__STORE__KEEP_REJECTS", &KEEP_REJECTS.to_string());
        daemon.set("TRUG__BROKER__MAX_PACKET_BYTES", "262144");
        let listener = Listener::start(broker.port(), &[STATUS]);
        daemon.start_with_page();
        listener.wait_for_last(STATUS, "online");
        let reader = daemon.reader();
        Self { broker, daemon, reader, listener, next_s: now_s() - 9000 }
    }

    fn send(&self, posts: Vec<Post>) {
        send(self.broker.port(), posts);
    }

    /// Sends one good reading and waits until it is stored; the page is well.
    /// What was sent before it has then been dealt with.
    fn still_works(&mut self, after: &str) {
        self.next_s += 1;
        let at = Timestamp::from_second(self.next_s).expect("the present");
        let payload = format!(r#"{{"raw":2000,"t":{}}}"#, self.next_s);
        self.send(vec![Post::new("saltbush-gully/kitchen-bed/moisture-30cm", payload.as_bytes())]);
        let filter = ReadingFilter {
            sensors: vec!["kitchen-30cm".to_owned()],
            from: Some(at),
            to: Timestamp::from_second(self.next_s + 1).ok(),
            ..ReadingFilter::default()
        };
        wait_until(&format!("a good reading to be stored after {after}"), LIMIT, || {
            self.daemon.assert_alive();
            // Late or not: other sensors may have told of a later time.
            self.readings(&filter).iter().any(|row| (row.0, row.2) == (at, true)).then_some(())
        });
        let health = self.daemon.get("/health");
        assert_eq!(health.map(|answer| answer.status), Some(200), "after {after}: {}", self.daemon.log());
    }

    /// Time, raw number, whether the time is the device's, whether it is late.
    fn readings(&self, filter: &ReadingFilter) -> Vec<(Timestamp, f64, bool, bool)> {
        let mut rows = Vec::new();
        self.reader
            .readings(filter, |row| {
                rows.push((row.at, row.raw, row.time_from == TimeFrom::Device, row.late));
                ControlFlow::Continue(())
            })
            .expect("the store can be read");
        rows
    }

    fn of(&self, sensor: &str) -> Vec<(Timestamp, f64, bool, bool)> {
        self.readings(&ReadingFilter { sensors: vec![sensor.to_owned()], ..ReadingFilter::default() })
    }

    fn rejects(&self) -> Vec<(String, Vec<u8>, String)> {
        let rows = rejects(&self.reader, 20_000);
        rows.into_iter().map(|row| (row.topic, row.payload, row.reason)).collect()
    }
}

/// Payloads that are a reading for no sensor at all.
fn bad_payloads() -> Vec<(&'static str, Vec<u8>)> {
    let mut all: Vec<(&str, Vec<u8>)> = vec![
        ("an empty payload", Vec::new()),
        ("white space", b" \t\r\n".to_vec()),
        ("a NUL", vec![0]),
        ("half an object", br#"{"raw":"#.to_vec()),
        ("an object without its end", br#"{"raw":2000,"t":1"#.to_vec()),
        ("a text for a number", br#"{"raw":"wet"}"#.to_vec()),
        ("no number", br#"{"raw":null}"#.to_vec()),
        ("10,000 arrays deep", "[".repeat(10_000).into_bytes()),
        ("10,000 arrays deep and back", ("[".repeat(10_000) + &"]".repeat(10_000)).into_bytes()),
        ("10,000 objects deep", r#"{"raw":"#.repeat(10_000).into_bytes()),
        ("invalid UTF-8", vec![0xFF, 0xFE, 0x80, 0x31]),
        ("invalid UTF-8 in an object", b"{\"raw\":2000,\"\xC3\x28\":1}".to_vec()),
        ("an overlong slash", vec![0xC0, 0xAF]),
        ("a surrogate", vec![0xED, 0xA0, 0x80]),
        ("a number beyond every float", b"1e999".to_vec()),
        ("such a number in an object", br#"{"raw":1e999}"#.to_vec()),
        ("such a number in SenML", br#"[{"n":"pea-15cm","v":-1e999}]"#.to_vec()),
        ("such a number in line protocol", b"soil value=1e999".to_vec()),
        ("200 KB of nothing", vec![b'x'; 200_000]),
        ("200 KB of digits and a word", [vec![b'1'; 200_000], b"wet".to_vec()].concat()),
        ("a NaN in SenML", br#"[{"n":"pea-15cm","v":NaN}]"#.to_vec()),
    ];
    for spelling in
        ["NaN", "nan", "-NaN", "inf", "Infinity", "-inf", "+infinity", "1.#INF", "1.#QNAN", "nan(0x1)"]
    {
        all.push(("no finite number", spelling.as_bytes().to_vec()));
        all.push(("no finite number in an object", format!(r#"{{"raw":{spelling}}}"#).into_bytes()));
        all.push(("no finite number in line protocol", format!("soil value={spelling}").into_bytes()));
    }
    all
}

#[test]
fn no_payload_stops_the_daemon() {
    let mut garden = Garden::start();
    for (what, payload) in bad_payloads() {
        for (topic, qos) in SENSOR_TOPICS.into_iter().zip([
            QoS::AtLeastOnce,
            QoS::AtMostOnce,
            QoS::ExactlyOnce,
            QoS::AtLeastOnce,
        ]) {
            garden.send(vec![Post::new(topic, &payload).qos(qos)]);
        }
        garden.still_works(what);
        let kept = &payload[..payload.len().min(Reject::PAYLOAD_MAX)];
        let rejects = garden.rejects();
        for topic in SENSOR_TOPICS {
            let found = rejects.iter().find(|(t, p, _)| t == topic && p == kept);
            let (_, _, reason) =
                found.unwrap_or_else(|| panic!("{what} on {topic} is not among the rejects"));
            assert!(!reason.is_empty(), "{what} on {topic}");
        }
    }
    for sensor in ["glasshouse-air", "kitchen-15cm", "pea-15cm", "herb-15cm"] {
        assert_eq!(garden.of(sensor), [], "{sensor}: nothing of it is a reading");
    }

    // A message above our limit (262,144 bytes) is left out by the broker, and
    // the session goes on.
    for payload in [vec![b'7'; 262_145], vec![b'7'; 900_000]] {
        garden.send(vec![Post::new(PLAIN_TOPIC, &payload)]);
        garden.still_works("a message above the limit");
    }
    let log = garden.daemon.log();
    assert!(!log.contains("panicked"), "{log}");
    assert_eq!(log.matches("listening to the broker").count(), 1, "the session was never lost: {log}");
    assert_eq!(garden.daemon.terminate().code(), Some(0));
}

#[test]
fn thousands_of_rejects_stay_bounded() {
    let mut garden = Garden::start();
    let posts = (0..5000).map(|n| Post::new(JSON_TOPIC, format!("wet {n}").as_bytes())).collect();
    garden.send(posts);
    garden.still_works("5,000 rejects");
    let rejects = garden.rejects();
    assert_eq!(rejects.len(), KEEP_REJECTS);
    assert_eq!(rejects[0].1, b"wet 4999", "the newest stay");
    assert_eq!(rejects[KEEP_REJECTS - 1].1, b"wet 4000");
}

#[test]
fn times_duplicates_and_disorder_are_taken_for_what_they_are() {
    let mut garden = Garden::start();
    let begin_s = now_s() - 10_000;
    let json = |t: &str, raw: u32| Post::new(JSON_TOPIC, format!(r#"{{"raw":{raw},"t":{t}}}"#).as_bytes());
    let at = |s: i64| Timestamp::from_second(begin_s + s).expect("the present");

    // The same message fifty times, at every QoS, is one reading.
    let topic = "saltbush-gully/kitchen-bed/soil-temperature";
    let soil =
        |s: i64, raw: u32| Post::new(topic, format!(r#"{{"raw":{raw},"t":{}}}"#, begin_s + s).as_bytes());
    for qos in [QoS::AtMostOnce, QoS::AtLeastOnce, QoS::ExactlyOnce] {
        garden.send((0..50).map(|_| soil(1000, 240).qos(qos)).collect());
    }
    garden.still_works("duplicates");
    assert_eq!(garden.of("kitchen-soil-temp"), [(at(1000), 240.0, true, false)]);

    // Another number for the same time: the first stays.
    garden.send(vec![soil(1000, 241)]);
    garden.still_works("another number for one time");
    assert_eq!(garden.of("kitchen-soil-temp").len(), 1);
    let (of, payload, reason) = garden.rejects().remove(0);
    assert_eq!((of.as_str(), payload.as_slice()), (topic, b"241".as_slice()), "{reason}");

    // Out of order: stored, and marked as late.
    garden.send(vec![soil(1900, 242), soil(1450, 243), soil(100, 244)]);
    garden.still_works("disorder");
    let late = |s: i64, raw: f64| (at(s), raw, true, true);
    let early = |s: i64, raw: f64| (at(s), raw, true, false);
    assert_eq!(
        garden.of("kitchen-soil-temp"),
        [late(100, 244.0), early(1000, 240.0), late(1450, 243.0), early(1900, 242.0)]
    );
    // A time that cannot be true: the reading is kept with its arrival. The next
    // message waits, since two arrivals in one millisecond are one key.
    for (n, (t, what)) in (1u32..).zip([
        ("0", "1970"),
        ("1", "a second after"),
        ("-62135596800", "the year 1"),
        ("4070908800", "2099"),
        ("\"2099-01-01T00:00:00Z\"", "2099 as text"),
        ("\"1970-01-01T00:00:00Z\"", "1970 as text"),
        ("1e300", "no time at all"),
        ("-1e300", "no time at all"),
        ("9223372036854775807", "the largest whole number"),
    ]) {
        garden.send(vec![json(t, 2000 + n)]);
        garden.still_works(what);
        let found = garden.of("kitchen-15cm");
        let found = found.iter().find(|(_, raw, _, _)| (*raw - f64::from(2000 + n)).abs() < 0.5);
        match found {
            Some((arrival, _, by_device, _)) => {
                assert!(!by_device, "{what}");
                assert!((arrival.as_second() - now_s()).abs() < 600, "{what}: {arrival}");
            }
            None => {
                let kept = format!("\"t\":{t}");
                let refused =
                    garden.rejects().iter().any(|(_, p, _)| String::from_utf8_lossy(p).contains(&kept));
                assert!(refused, "{what}: neither a reading nor a reject");
            }
        }
    }
    assert!(!garden.daemon.log().contains("panicked"));
}

#[test]
fn a_retained_message_is_a_reading_only_by_its_own_time() {
    let mut garden = Garden::start();
    let topic = "saltbush-gully/perch-tank/temperature";
    let begin_s = now_s() - 5000;
    let timed = format!(r#"{{"raw":320,"t":{begin_s}}}"#);
    assert_eq!(garden.daemon.terminate().code(), Some(0));
    // Kept by the broker and sent to whoever subscribes. The second topic's
    // message has no time of its own.
    garden.send(vec![
        Post::new(topic, timed.as_bytes()).retained(),
        Post::new(PLAIN_TOPIC, b"19.5").retained(),
    ]);
    for round in 1..=3 {
        garden.daemon.start_with_page();
        garden.listener.wait_for_last(STATUS, "online");
        garden.still_works("retained messages");
        let at = Timestamp::from_second(begin_s).expect("the present");
        assert_eq!(garden.of("perch-water-temp"), [(at, 320.0, true, false)], "start {round}");
        // It was queued once as a live message for the kept session; what the
        // broker sends again at each subscription is no new reading.
        assert_eq!(garden.of("glasshouse-air").len(), 1, "start {round}");
        assert_eq!(garden.daemon.terminate().code(), Some(0));
    }

    // A daemon that the broker has never seen gets only the kept ones.
    garden.daemon.set("TRUG__BROKER__CLIENT_ID", "trug-2");
    let before = garden.of("glasshouse-air");
    garden.daemon.start_with_page();
    garden.listener.wait_for_last(STATUS, "online");
    garden.still_works("retained messages for a new session");
    assert_eq!(garden.of("glasshouse-air"), before);
}

#[test]
fn any_topic_is_listed_as_not_placed() {
    let mut garden = Garden::start();
    let long = format!("saltbush-gully/{}", "x".repeat(60_000));
    let deep = "a/".repeat(150);
    let topics = [
        "saltbush-gully/kitchen-bed/moisture-15cm/",
        "saltbush-gully/new-probe",
        "Saltbush-Gully/rain",
        "/",
        "//",
        " ",
        "saltbush-gully/grüner-daumen/温度/🌱",
        "e\u{301}/\u{200B}/\u{202E}neila/\u{FEFF}",
        "saltbush-gully/<script>alert(1)</script>",
        "saltbush-gully/'; DROP TABLE reading; --",
        "saltbush-gully/rain%00%s%n\\",
        &deep,
        &long,
    ];
    for (n, topic) in topics.iter().enumerate() {
        let qos = [QoS::AtMostOnce, QoS::AtLeastOnce, QoS::ExactlyOnce][n % 3];
        garden.send(vec![Post::new(topic, format!("{n}\u{0}<b>").as_bytes()).qos(qos)]);
        garden.still_works(&format!("the topic {:?}", topic.chars().take(60).collect::<String>()));
    }
    let listed = garden.reader.unplaced(100).expect("the list can be read");
    for (n, topic) in topics.iter().enumerate() {
        let kept: String = topic.chars().take(1024).collect();
        let found = listed.iter().find(|it| it.topic == kept);
        let found = found.unwrap_or_else(|| panic!("{kept:?} is not listed"));
        assert_eq!(found.payload, format!("{n}\u{0}<b>").as_bytes());
    }
    // The page shows them, and nothing in them is taken for markup.
    let page = garden.daemon.get("/site/saltbush-gully/sensors").expect("the page answers");
    assert_eq!(page.status, 200);
    assert!(page.body.contains("saltbush-gully/new-probe"), "{}", page.body);
    assert!(!page.body.contains("<script>alert"), "{}", page.body);
    assert_eq!(garden.rejects(), []);
}

#[test]
fn a_broker_that_is_not_there_is_waited_for() {
    let mut broker = Mosquitto::start();
    broker.stop();
    // In its place stands something that hangs up on everybody.
    let listener = TcpListener::bind(("127.0.0.1", broker.port())).expect("the broker's port is free");
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", SHIPPED)]);
    daemon.start_with_page();
    // The session and the letters try on their own, so these are three tries or
    // more of the session.
    for _ in 0..7 {
        drop(listener.accept().expect("the daemon tries again"));
        daemon.assert_alive();
    }
    let away = daemon.get("/health").expect("the page answers");
    assert_eq!(away.status, 503, "{}", away.body);
    assert!(away.body.contains("broker"), "{}", away.body);
    drop(listener);
    broker.start_again();
    let status = Listener::start(broker.port(), &[STATUS]);
    status.wait_for_last(STATUS, "online");
    let log = daemon.log();
    assert_eq!(log.matches("cannot listen to the broker").count(), 1, "it is said once: {log}");
    wait_until("the page to be well", LIMIT, || {
        daemon.get("/health").filter(|answer| answer.status == 200).map(|_| ())
    });
    let payload = format!(r#"{{"raw":2000,"t":{}}}"#, now_s() - 60);
    send(broker.port(), vec![Post::new(JSON_TOPIC, payload.as_bytes())]);
    daemon.wait_for(1, LIMIT);
    assert_eq!(daemon.terminate().code(), Some(0));
}

/// Runs it to its end, which must come by itself.
fn refused(daemon: &Daemon, arguments: &[&str]) -> (Option<i32>, String) {
    told(daemon.ask(arguments))
}

fn told(output: Output) -> (Option<i32>, String) {
    let told =
        format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(!told.contains("panicked"), "{told}");
    (output.status.code(), told)
}

#[test]
fn a_store_that_cannot_be_opened_is_said_with_exit_code_3() {
    let broker = Mosquitto::start();
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", SHIPPED)]);
    let (folder, store) = (daemon.folder().to_owned(), daemon.store());
    let file = folder.join("a-file");
    std::fs::write(&file, "seedlings: 40\n".repeat(200)).expect("a file can be written");
    let foreign = folder.join("foreign.db");
    rusqlite::Connection::open(&foreign)
        .and_then(|c| c.execute_batch("PRAGMA application_id = 77; CREATE TABLE seedling (id INTEGER);"))
        .expect("another program's database can be made");
    let before = std::fs::read(&foreign).expect("it can be read");

    for (path, says) in [
        // A file where a folder is wanted, and a folder where a file is: these
        // stop root as well, which may write everywhere else.
        (file.join("trug.db"), "creating the folder"),
        (folder.clone(), "opening"),
        ("/proc/trug.db".into(), "opening"),
        (file.clone(), "is not a database"),
        (foreign.clone(), "another program"),
    ] {
        daemon.set("TRUG__STORE__PATH", &path.display().to_string());
        let (code, told) = refused(&daemon, &["run"]);
        assert_eq!(code, Some(3), "{}: {told}", path.display());
        let folder = path.parent().unwrap_or(&path).display().to_string();
        assert!(told.contains(says) && told.contains(&folder), "{told}");
    }
    assert_eq!(std::fs::read(&foreign).expect("it can be read"), before, "it is left as it was");

    daemon.set("TRUG__STORE__PATH", &store.display().to_string());
    daemon.start();
    daemon.reader();
    let (code, told) = refused(&daemon, &["run"]);
    assert_eq!(code, Some(3), "{told}");
    assert!(told.contains("another trug is already writing"), "{told}");
    daemon.assert_alive();
}

#[test]
fn a_command_line_that_makes_no_sense_is_refused_with_exit_code_2() {
    use std::os::unix::ffi::OsStringExt as _;
    let long = "x".repeat(100_000);
    let lines: Vec<Vec<std::ffi::OsString>> = [
        vec![],
        vec!["fly"],
        vec!["run", "--clock"],
        vec!["run", "--clock", "sundial"],
        vec!["run", "now"],
        vec!["run", "--config"],
        vec!["--config", "/nonexistent/trug.toml", "run"],
        vec!["--config", "", "run"],
        vec!["--config", "/", "check"],
        vec!["--config", "/dev/null", "run"],
        vec!["--", "--"],
        vec!["import"],
        vec!["mulch", "kitchen-bed", "--at", "soon"],
        vec!["demo", "--speed", "NaN"],
        vec!["demo", "--for", "-1"],
        vec!["run", &long],
        vec![&long],
        vec!["--config", &long, "run"],
    ]
    .into_iter()
    .map(|line| line.into_iter().map(Into::into).collect())
    .chain([vec![std::ffi::OsString::from_vec(vec![0xFF, 0xFE])]])
    .collect();
    for line in lines {
        let output = trug(&line).stdin(Stdio::null()).output().expect("trug can be started");
        let (code, told) = told(output);
        let line: Vec<_> =
            line.iter().map(|a| a.to_string_lossy().chars().take(60).collect::<String>()).collect();
        assert_eq!(code, Some(2), "{line:?}: {told}");
        assert!(!told.trim().is_empty(), "{line:?} is refused with a reason");
    }
}

#[test]
fn a_wrong_configuration_starts_nothing() {
    let broker = Mosquitto::start();
    let wrong =
        SHIPPED.replace("area_m2 = 7.2", "area_m2 = 0").replace("Australia/Adelaide", "Australia/Gully");
    let daemon = Daemon::new(broker.port(), &[("saltbush-gully", &wrong)]);
    for command in [&["run"][..], &["check"], &["import", "nothing.csv"], &["mulch", "kitchen-bed"]] {
        let (code, told) = refused(&daemon, command);
        assert_eq!(code, Some(2), "{command:?}: {told}");
        for part in ["area_m2", "Australia/Gully", "saltbush-gully.toml"] {
            assert!(told.contains(part), "{command:?} names {part}: {told}");
        }
        assert!(!daemon.store().exists(), "{command:?} has made a store");
    }
    let log = std::fs::read_to_string(broker.log()).expect("the broker's log can be read");
    assert!(!log.contains("as trug"), "nobody came to the broker: {log}");

    // Keys from the environment are checked like those of the files.
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", SHIPPED)]);
    daemon.set("TRUG__BROKER__KEEP_ALIVE_S", "soon");
    let (code, told) = refused(&daemon, &["run"]);
    assert_eq!(code, Some(2), "{told}");
    assert!(told.contains("KEEP_ALIVE_S") && !daemon.store().exists(), "{told}");
}

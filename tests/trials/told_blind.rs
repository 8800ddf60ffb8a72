//! Rows of the table for the daemon's own blindness: a broker that dies, a device with a
//! wrong clock, a thermometer on the floor, and an alarm of three weeks ago after a
//! restart.
//!
//! The first two live by arrivals, so they are played by a keeper and a session of this
//! process whose clock the test sets; nothing waits in real time, and every delay is the
//! usual one.

use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use trug::alarms::{AlarmRecord, Kind, State};
use trug::engine::{Engine, system_now};
use trug::garden::Clock;
use trug::garden::system::health::SystemHealth;
use trug::settings::Settings;
use trug::store::Reader;
use trug::telling::Message;

use crate::support::garden::{BED_KEYS, GardenFile, SHIPPED_TRUG, WATERING, local as t, settings_with};
use crate::support::keeper::Running;
use crate::support::mosquitto::Mosquitto;
use crate::support::sender::{Post, send};
use crate::support::told_table::{ToldCell, ToldRow, await_online, daemon_with_ways};
use crate::support::wait_until;

const LIMIT: Duration = Duration::from_secs(60);
/// Less than what counts as a jump of the clock.
const STEP: SignedDuration = SignedDuration::from_secs(50);

/// Grounds staff with a summary in the morning, a teacher who has the fish, an office that
/// keeps the computer; each by a file of its own.
const GROUPS: &str = r#"
[[tell]]
who = "grounds"
alarms = ["dry-bed", "sensor-silent", "sensor-fault", "device-clock", "gateway-silent"]
file = ["grounds"]
summary = "07:00"
[[tell]]
who = "teacher"
alarms = ["tank-too-warm", "tank-too-cold"]
file = ["teacher"]
[[tell]]
who = "office"
alarms = ["broker-lost"]
file = ["office"]
"#;

/// A tank with one thermometer, a bed with a probe that says when it measured.
fn garden() -> String {
    let timed = |topic: &str| {
        format!(
            "topic = \"saltbush-gully/{topic}\"\npayload = {{ json = {{ value = \"/raw\", time = \"/t\" }} }}\n"
        )
    };
    GardenFile::new("saltbush-gully")
        .with(WATERING)
        .bed(
            "bed",
            "Kitchen bed",
            &format!("{BED_KEYS}irrigation = {{ litres_per_hour = 240, efficiency = 0.8 }}\n"),
        )
        .tank("tank", "Perch tank", "")
        .sensor("probe", "soil-moisture", &format!("bed = \"bed\"\ndepth_cm = 15\n{}", timed("probe")))
        .sensor("float", "water-temperature", &format!("tank = \"tank\"\n{}", timed("float")))
        .sensor("shade", "air-temperature", &timed("shade"))
        .with(GROUPS)
        .text()
        .to_owned()
}

fn reading(sensor: &str, at: Timestamp, raw: f64) -> Post {
    let payload = format!(r#"{{"raw":{raw},"t":{}}}"#, at.as_second());
    Post::new(&format!("saltbush-gully/{sensor}"), payload.as_bytes())
}

/// Seconds that the test's clock is ahead of the computer's.
static AHEAD_S: AtomicI64 = AtomicI64::new(0);

fn clock() -> Timestamp {
    system_now() + SignedDuration::from_secs(AHEAD_S.load(Ordering::Relaxed))
}

/// A keeper that listens to a broker by the test's clock.
struct Listening {
    running: Running,
    broker: Mosquitto,
    reader: Reader,
    _folder: tempfile::TempDir,
}

impl Listening {
    /// Its clock shows `at` when it begins.
    fn start(at: Timestamp) -> Self {
        AHEAD_S.store(at.as_second() - system_now().as_second(), Ordering::Relaxed);
        let broker = Mosquitto::start();
        let folder = tempfile::tempdir().expect("a folder");
        let ways: String = ["grounds", "teacher", "office"]
            .iter()
            .map(|name| format!("[[told_file]]\nname = \"{name}\"\npath = \"{name}.jsonl\"\n"))
            .collect();
        let mut settings: Settings = settings_with(&format!("{SHIPPED_TRUG}\n{ways}"), &garden());
        settings.store.path = folder.path().join("trug.db");
        settings.broker.port = broker.port();
        settings.broker.host = "127.0.0.1".to_owned();
        let running = Running::start(Engine::open(&settings, Clock::Arrival).expect("a store"), clock);
        running.listen(settings.broker.clone(), "saltbush-gully", clock);
        let reader = Reader::open(&settings.store.path).expect("the store");
        let listening = Self { running, broker, reader, _folder: folder };
        wait_until("the session", LIMIT, || listening.running.daemon_health.broker.health());
        listening
    }

    /// Lets time go by in steps that are no jump, with a look of the daemon at itself after each.
    fn pass(&self, length: SignedDuration) {
        let end = clock() + length;
        while clock() < end {
            AHEAD_S.fetch_add(STEP.as_secs(), Ordering::Relaxed);
            self.running.look(SystemHealth::default());
            // It is judged in the round that takes it, which the next but one has seen end.
            let pulse = &self.running.daemon_health.pulse;
            let round = pulse.rounds();
            while pulse.rounds() < round + 2 {
                self.running.offer(SystemHealth::default());
                std::thread::sleep(Duration::from_millis(1));
            }
        }
    }

    /// Sends a message, and waits until it is stored.
    fn send(&self, post: Post) {
        let before = self.reader.count().expect("the store");
        send(self.broker.port(), vec![post]);
        wait_until("the reading", LIMIT, || (self.reader.count().ok()? > before).then_some(()));
    }

    fn present(&self, kind: Kind) -> Option<AlarmRecord> {
        let present = self.reader.alarms_present().expect("the store");
        present.into_iter().map(|row| row.record).find(|it| it.key.kind == kind)
    }

    fn rows(&self, scenario: &str, kind: Kind, since: Timestamp) -> Vec<ToldRow> {
        let messages = self.reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages");
        rows(scenario, kind, since, messages.into_iter().map(|it| it.message))
    }
}

/// A row for each message about a kind, and one where nobody was told.
fn rows(
    scenario: &str,
    kind: Kind,
    since: Timestamp,
    messages: impl Iterator<Item = Message>,
) -> Vec<ToldRow> {
    let row = |truth: String, told| ToldRow { scenario: scenario.to_owned(), truth, since, told };
    let mut rows: Vec<ToldRow> = messages
        .filter_map(|message| {
            let item = message.items.iter().find(|item| item.key.kind == kind)?;
            let told = ToldCell {
                who: message.who.clone(),
                way: format!("{}:{}", message.address.channel.name(), message.address.to),
                at: message.made_at,
                priority: message.priority.name(),
                words: message.subject.clone(),
            };
            Some(row(format!("{} {}", kind.name(), item.key.place), Some(told)))
        })
        .collect();
    if rows.is_empty() {
        rows.push(row(kind.name().to_owned(), None));
    }
    rows.sort_by_key(|row| row.told.as_ref().map(|told| told.at));
    rows
}

/// Who was told first, how, and how long after it was true.
fn first(rows: &[ToldRow]) -> (&str, &str, SignedDuration) {
    let told = rows[0].told.as_ref().unwrap_or_else(|| panic!("somebody is told: {rows:?}"));
    (told.who.as_str(), told.priority, rows[0].after().expect("it is told"))
}

/// The broker dies at 10 in the morning.
pub(crate) fn dead_broker() -> Vec<ToldRow> {
    let mut school = Listening::start(t("2026-04-14T10:00"));
    school.pass(SignedDuration::from_mins(5));
    let died = clock();
    school.broker.kill();
    wait_until("the loss", LIMIT, || school.running.daemon_health.broker.is_away().then_some(()));
    school.pass(SignedDuration::from_mins(10));
    assert_eq!(school.present(Kind::BrokerLost), None, "ten minutes are no loss yet");
    school.pass(SignedDuration::from_mins(10));
    let rows = school.rows("dead-broker", Kind::BrokerLost, died);
    let (who, priority, after) = first(&rows);
    assert_eq!((who, priority), ("office", "high"));
    assert!((15..=17).contains(&after.as_mins()), "{after}");
    rows
}

/// From 10 in the morning on the probe's clock is two hours behind.
pub(crate) fn wrong_clock() -> Vec<ToldRow> {
    let mut school = Listening::start(t("2026-04-14T09:45"));
    school.send(reading("probe", clock(), 0.24));
    school.pass(SignedDuration::from_mins(15));
    let wrong = clock();
    for n in 0..3 {
        school.send(reading("probe", clock() - SignedDuration::from_hours(2), 0.24 + 0.001 * f64::from(n)));
        assert!(school.present(Kind::DeviceClock).is_none() || n == 2, "{n}");
        school.pass(SignedDuration::from_mins(15));
    }
    let alarm = school.present(Kind::DeviceClock).expect("a wrong clock");
    assert_eq!(alarm.since.duration_since(wrong).as_mins(), 30);
    assert!(alarm.said.text.contains("2 hours behind"), "{}", alarm.said.text);
    // It is of low priority: it comes with the morning's summary.
    let morning = t("2026-04-15T07:00");
    AHEAD_S.fetch_add(morning.as_second() - clock().as_second() + 1, Ordering::Relaxed);
    wait_until("the summary", LIMIT, || {
        school.running.look(SystemHealth::default());
        school.rows("wrong-clock", Kind::DeviceClock, wrong)[0].told.is_some().then_some(())
    });
    let rows = school.rows("wrong-clock", Kind::DeviceClock, wrong);
    let (who, priority, after) = first(&rows);
    assert_eq!((who, priority, after.as_hours()), ("grounds", "low", 21));
    school.running.end();
    rows
}

/// The tank's only thermometer is lifted out at 1 pm on a hot day, and left on the floor.
pub(crate) fn thermometer_on_the_floor() -> Vec<ToldRow> {
    let broker = Mosquitto::start();
    let mut daemon = daemon_with_ways(broker.port(), &garden());
    daemon.arguments = vec!["--clock", "simulated"];
    daemon.start();
    let reader = daemon.reader();
    await_online(&broker);
    let (start, lifted) = (t("2026-02-10T00:00"), t("2026-02-11T13:00"));
    let mut posts = Vec::new();
    for quarter in 0..(2 * 96) {
        let at = start + SignedDuration::from_mins(15 * quarter);
        let hour = (quarter % 96) as f64 / 4.0;
        let wave = ((hour - 9.0) * std::f64::consts::PI / 12.0).sin();
        let wobble = if quarter % 2 == 0 { 0.05 } else { -0.05 };
        let air = 27.0 + 10.0 * wave + wobble;
        // On the floor in the sun it is warmer than the air in the shade.
        let water = if at < lifted { 22.0 + 0.8 * wave + wobble } else { air + 4.0 + 3.0 * wobble };
        posts.push(reading("shade", at, air));
        posts.push(reading("float", at, water));
    }
    let count = posts.len();
    send(broker.port(), posts);
    daemon.wait_for(count, LIMIT);
    let messages = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages");
    let rows = rows("floor", Kind::SensorFault, lifted, messages.into_iter().map(|it| it.message));
    let told: Vec<&str> = rows.iter().filter_map(|row| Some(row.told.as_ref()?.who.as_str())).collect();
    assert!(told.contains(&"teacher") && told.contains(&"grounds"), "{rows:#?}");
    let (_, priority, after) = first(&rows);
    assert!(priority == "high" && after.as_mins() <= 135, "{after} {rows:#?}");
    let words = &rows[0].told.as_ref().expect("told").words;
    assert!(words.contains("seems to hang in the air"), "{words}");
    rows
}

/// A bed that has been dry for three weeks; the daemon is started again, and somebody answers.
pub(crate) fn alarm_of_three_weeks_ago() -> Vec<ToldRow> {
    let broker = Mosquitto::start();
    let mut daemon = daemon_with_ways(broker.port(), &garden());
    daemon.arguments = vec!["--clock", "simulated"];
    daemon.start_with_page();
    let start = t("2026-03-01T09:00");
    let days = |n: i64| -> Vec<Post> {
        (n * 96..(n + 1) * 96)
            .map(|quarter| {
                let at = start + SignedDuration::from_mins(15 * quarter);
                let wobble = if quarter % 2 == 0 { 0.0003 } else { -0.0003 };
                reading("probe", at, 0.21 - 0.001_7 * quarter as f64 / 96.0 + wobble)
            })
            .collect()
    };
    let mut sent = 0;
    for day in 0..22 {
        let posts = days(day);
        sent += posts.len();
        send(broker.port(), posts);
        daemon.wait_for(sent, LIMIT);
    }
    let reader = daemon.reader();
    let present = || reader.alarms_present().expect("the store").remove(0).record;
    let before = present();
    assert_eq!((before.key.kind, before.since), (Kind::DryBed, start));
    let words = daemon_page(&daemon);
    daemon.terminate();
    daemon.start_with_page();
    assert!(words.contains("Monday 23 March"), "{words}");
    assert_eq!(present().since, start, "it began when it began");
    assert_eq!(daemon_page(&daemon), words, "the words of now");
    let told = String::from_utf8_lossy(&daemon.ask(["alarms"]).stdout).into_owned();
    assert!(told.contains(&words), "{words} in {told}");
    let done = daemon.ask(["alarms", "ack", "dry-bed/bed"]);
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert_eq!((done.status.code(), said.trim()), (Some(0), "dry-bed of Kitchen bed is marked as seen."));
    let after = present();
    assert_eq!((after.state, after.since), (State::Acknowledged, start));
    let messages = reader.messages(Timestamp::MIN, Timestamp::MAX, None).expect("the messages");
    let rows = rows("three-weeks", Kind::DryBed, start, messages.into_iter().map(|it| it.message));
    let (who, priority, _) = first(&rows);
    assert_eq!((who, priority), ("grounds", "medium"));
    rows
}

/// What Today says of the dry bed: its litres and days are those of now.
fn daemon_page(daemon: &crate::support::daemon::Daemon) -> String {
    let answer = wait_until("the page", LIMIT, || daemon.get("/api/v1/sites/saltbush-gully"));
    let site: serde_json::Value = serde_json::from_str(&answer.body).expect("JSON");
    site["to_do"][0]["text"].as_str().unwrap_or_else(|| panic!("the dry bed in {site}")).to_owned()
}

//! The daemon's own blindness, through Mosquitto: a broker that dies or refuses is told by
//! ways that need no broker; what a broker lost is published again, and what others wrote
//! on the alarms' topics is overwritten; a rehearsal is answered by its link.

use std::time::Duration;

use jiff::Timestamp;
use serde_json::Value;
use trug::alarms::{Kind, State};

use crate::support::daemon::Daemon;
use crate::support::garden::{BED_KEYS, GardenFile, SHIPPED, local};
use crate::support::hooks::{Answer, Hook, SECRET};
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::sender::{Post, send};
use crate::support::wait_until;

const LIMIT: Duration = Duration::from_secs(60);
const LINK_SECRET: &str = "thirty-two bytes of a test's own";

/// The shipped garden with other groups, by the computer's clock.
fn daemon(broker: &Mosquitto, groups: &str) -> Daemon {
    let mut garden: toml::Table = SHIPPED.parse().unwrap();
    garden.remove("tell");
    let quick = "[alarms.broker-lost]\non_delay_s = 2\noff_delay_s = 0\n";
    let mut daemon =
        Daemon::new(broker.port(), &[("saltbush-gully", &format!("{garden}\n{groups}\n{quick}"))]);
    daemon.arguments.clear();
    daemon.set("TRUG__WATCH__EVERY_S", "1");
    let file = daemon.folder().join("trug.toml");
    let told = daemon.folder().join("told.jsonl");
    let text = std::fs::read_to_string(&file).unwrap();
    let record = format!("[[told_file]]\nname = \"record\"\npath = \"{}\"\n", told.display());
    std::fs::write(file, format!("{text}\n{record}")).unwrap();
    daemon
}

const OFFICE: &str =
    "[[tell]]\nwho = \"office\"\nalarms = [\"broker-lost\", \"ammonia\"]\nfile = [\"record\"]\n";

fn told(daemon: &Daemon) -> Vec<Value> {
    let text = std::fs::read_to_string(daemon.folder().join("told.jsonl")).unwrap_or_default();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn online(broker: &Mosquitto) {
    Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
}

#[test]
fn a_broker_that_dies_is_told_while_it_is_dead_and_its_return_published() {
    let mut broker = Mosquitto::start();
    let mut daemon = daemon(&broker, OFFICE);
    daemon.start();
    online(&broker);
    let before = trug::engine::system_now();
    broker.kill();
    let message = wait_until("the office to be told", LIMIT, || told(&daemon).first().cloned());
    assert_eq!((message["purpose"].as_str(), message["priority"].as_str()), (Some("news"), Some("high")));
    let item = &message["items"][0];
    assert_eq!((item["kind"].as_str(), item["place"].as_str()), (Some("broker-lost"), Some("trug")));
    let text = item["text"].as_str().unwrap();
    assert!(
        text.starts_with("Trug has not reached the broker (the program that collects the readings) since "),
        "{text}"
    );
    assert!(text.contains("sends no alarm. Look at the fish now"), "{text}");
    let since: Timestamp = item["since"].as_str().unwrap().parse().unwrap();
    assert!(since.as_millisecond() >= before.as_millisecond(), "{since} {before}");

    broker.start_again();
    let topic = "trug/saltbush-gully/alarm/broker-lost/trug";
    let listener = Listener::start(broker.port(), &["trug/#"]);
    listener.wait_for("its end, published", |heard| {
        heard.topic == topic && heard.text().contains("returned-unacknowledged")
    });
    let over = wait_until("the office to be told of its end", LIMIT, || told(&daemon).get(1).cloned());
    assert_eq!(over["purpose"], "over");
    let reader = daemon.reader();
    let key = reader.alarms_present().unwrap();
    assert_eq!(key.iter().filter(|it| it.record.key.kind == Kind::BrokerLost).count(), 1);
}

#[test]
fn a_broker_that_refuses_is_told_as_that() {
    let broker = Mosquitto::start_with("allow_anonymous false\n");
    let mut daemon = daemon(&broker, OFFICE);
    daemon.start();
    let message = wait_until("the office to be told", LIMIT, || told(&daemon).first().cloned());
    let text = message["items"][0]["text"].as_str().unwrap();
    assert!(
        text.starts_with("The broker (the program that collects the readings) has refused Trug since "),
        "{text}"
    );
    assert!(text.contains("Then set the user, the password or the broker's access rules right"), "{text}");
}

#[test]
fn what_a_broker_lost_is_published_again_and_what_others_wrote_is_overwritten() {
    let mut broker = Mosquitto::start();
    let mut daemon = daemon(&broker, OFFICE);
    daemon.start();
    online(&broker);
    let test = ["log", "water-test", "perch-tank", "--ammonia", "4", "--ph", "8.6", "--temp-c", "24"];
    assert!(daemon.ask(test).status.success());
    let topic = "trug/saltbush-gully/alarm/ammonia/perch-tank";
    let listener = Listener::start(broker.port(), &["trug/#"]);
    let ours = listener.wait_for("the alarm", |heard| heard.topic == topic);
    assert!(ours.text().contains(r#""state":"unacknowledged""#), "{}", ours.text());
    drop(listener);

    // It comes back with an empty memory.
    broker.kill();
    std::fs::remove_file(broker.folder().join("mosquitto.db")).ok();
    broker.start_again();
    let listener = Listener::start(broker.port(), &["trug/#"]);
    let again = listener.wait_for("the alarm, published again", |heard| heard.topic == topic);
    assert_eq!(again.text(), ours.text());

    // Another program says that all is well, and leaves a state of a kind that there is not.
    let false_state = ours.text().replace("unacknowledged", "normal");
    let no_kind = "trug/saltbush-gully/alarm/fish-bored/perch-tank";
    let never = "trug/saltbush-gully/alarm/ph/perch-tank";
    send(
        broker.port(),
        vec![
            Post::new(topic, false_state.as_bytes()).retained(),
            Post::new(no_kind, b"{}").retained(),
            Post::new(never, b"{\"state\":\"unacknowledged\"}").retained(),
        ],
    );
    for (topic, payload) in [(topic, ours.text()), (no_kind, String::new()), (never, String::new())] {
        listener.wait_for_last(topic, &payload);
    }
    // Whoever comes later sees what is so.
    let later = Listener::start(broker.port(), &["trug/#"]);
    later.wait_for_last(topic, &ours.text());
    assert!(later.catch_up().iter().all(|heard| heard.topic != no_kind && heard.topic != never));
    assert!(
        daemon.log().contains("a message that is not ours stood on an alarm's topic"),
        "{}",
        daemon.log()
    );
}

#[test]
fn a_rehearsal_comes_marked_and_its_link_takes_the_answer() {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let hook = runtime.block_on(Hook::start(|_, _| Answer::Status(200, "")));
    let broker = Mosquitto::start();
    let groups = "[[tell]]\nwho = \"teacher\"\nalarms = [\"tank-too-warm\"]\nwebhook = [\"office\"]\n\
                  next = { who = \"office\", after_min = 30 }\n\
                  [[tell]]\nwho = \"office\"\nalarms = [\"dry-bed\"]\nfile = [\"record\"]\nsummary = \"07:00\"\n";
    let mut daemon = daemon(&broker, groups);
    let file = daemon.folder().join("trug.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    let office = format!("[[webhook]]\nname = \"office\"\nurl = \"http://127.0.0.1:{}/office\"\n", hook.port);
    std::fs::write(file, format!("{text}\n{office}")).unwrap();
    daemon.set("TRUG__WEBHOOK__OFFICE__SECRET", SECRET);
    daemon.set("TRUG__ANSWERS__PAGE_URL", "http://127.0.0.1:8470");
    daemon.set("TRUG__ANSWERS__LINK_SECRET", LINK_SECRET);
    daemon.start_with_page();

    let ask = |arguments: &[&str]| {
        let output = daemon.ask(arguments);
        let text = String::from_utf8_lossy(&output.stdout) + String::from_utf8_lossy(&output.stderr);
        (output.status.code().unwrap(), text.into_owned())
    };
    let (code, said) = ask(&["tell", "--rehearse", "tank-too-warm", "perch-tank"]);
    assert_eq!(code, 0, "{said}");
    assert!(said.starts_with("Rehearsal: Perch tank is too warm\n\nteacher\n  webhook office ("), "{said}");
    assert!(
        said.contains("If nobody answers within 30 minutes in earnest, the group office is told"),
        "{said}"
    );
    let seen = hook.seen();
    let json = seen[0].json();
    assert_eq!((json["purpose"].as_str(), json["priority"].as_str()), (Some("rehearsal"), Some("high")));
    assert_eq!(json["subject"], "Rehearsal: Perch tank is too warm");
    assert!(json["opening"].as_str().unwrap().starts_with("This is a rehearsal: nothing is wrong"), "{json}");

    let link = json["items"][0]["answer"].as_str().expect("a link");
    let token = link.strip_prefix("http://127.0.0.1:8470/answer?t=").unwrap_or_else(|| panic!("{link}"));
    let page = daemon.get(&format!("/answer?t={token}")).unwrap();
    assert!(
        page.status == 200 && page.body.contains("This is a rehearsal: nothing is wrong."),
        "{}",
        page.body
    );
    let page = daemon.post("/answer", &format!("t={token}&note=I+have+it")).unwrap();
    assert!(page.status == 200 && page.body.contains("The rehearsal has worked"), "{}", page.body);
    // It is kept as an answer to a rehearsal, and no alarm was touched.
    let (_, said) = ask(&["alarms", "--from", "2020-01-01"]);
    assert!(said.contains("Rehearsal answered by teacher. I have it"), "{said}");
    let reader = trug::store::Reader::open(&daemon.store()).unwrap();
    let warm = |it: &trug::store::AlarmRow| it.record.key.kind == Kind::TankTooWarm;
    let changes = reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).unwrap();
    assert!(changes.iter().filter(|it| warm(it)).all(|it| it.record.state == State::Normal), "{changes:?}");

    // What waits for a summary in earnest is said; a kind that nobody is told of is no.
    let (code, said) = ask(&["tell", "--rehearse", "dry-bed", "pea-bed"]);
    assert!(code == 0 && said.contains("In earnest it would wait until 7 am"), "{said}");
    let (code, said) = ask(&["tell", "--rehearse", "ph", "perch-tank"]);
    assert!(code == 1 && said.contains("Nobody is told of ph/perch-tank"), "{said}");
    let (code, said) = ask(&["tell", "--rehearse", "dry-bed", "perch-tank"]);
    assert!(code == 2 && said.contains("its places are: kitchen-bed"), "{said}");
    let (code, said) = ask(&["tell", "--rehearse", "damp-bed", "pea-bed"]);
    assert!(code == 2 && said.contains("is no kind of alarm; the kinds are: dry-bed"), "{said}");
    // What nobody is told of stands in the list.
    let (_, said) = ask(&["tell"]);
    assert!(said.contains("\nNobody is told of\n") && said.contains("(broker-lost)"), "{said}");
    let (_, said) = ask(&["check"]);
    assert!(said.contains("note: saltbush-gully: nobody is told of mulch-on-dry-soil"), "{said}");
}

#[test]
fn what_is_not_an_alarm_yet_is_seen_on_the_page_and_by_the_command() {
    let broker = Mosquitto::start();
    let probe = "bed = \"bed\"\ndepth_cm = 15\npayload = { json = { value = \"/v\", time = \"/t\" } }\n";
    let file = GardenFile::new("school")
        .bed("bed", "Pea bed", BED_KEYS)
        .sensor("probe", "soil-moisture", probe)
        .with("[[tell]]\nwho = \"grounds\"\nalarms = [\"dry-bed\"]\nemail = [\"g@school.example\"]\n");
    let mut daemon = Daemon::new(broker.port(), &[("school", file.text())]);
    daemon.start_with_page();
    Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/school/status", "online");
    let read = |time: &str, value: f64| {
        let payload = format!(r#"{{"v":{value},"t":{}}}"#, local(time).as_second());
        Post::new("school/probe", payload.as_bytes())
    };
    send(
        broker.port(),
        vec![
            read("2026-03-10T09:25", 0.24),
            read("2026-03-10T09:40", 0.2102),
            read("2026-03-10T09:55", 0.2098),
        ],
    );
    let reader = daemon.wait_for(3, LIMIT);
    assert!(reader.alarms_present().unwrap().is_empty());
    let words = "Since 9:40 am: Pea bed needs water. People are told at 10:40 am if it stays.";
    let page = daemon.get("/site/school/alarms").unwrap().body;
    assert!(
        page.contains("These are no alarms yet. Nobody has been told.") && page.contains(words),
        "{page}"
    );
    let page = daemon.get("/").unwrap().body;
    assert!(page.contains("Nobody has been told of this yet.") && page.contains(words), "{page}");
    let site: Value = serde_json::from_str(&daemon.get("/api/v1/sites/school").unwrap().body).unwrap();
    assert_eq!(site["pending"][0]["text"], words);

    let said = |arguments: &[&str]| String::from_utf8(daemon.ask(arguments).stdout).unwrap();
    let text = said(&["alarms"]);
    assert!(
        text.contains("Not alarms yet at Saltbush Gully Primary School") && text.contains(words),
        "{text}"
    );
    let json: Value = serde_json::from_str(&said(&["alarms", "--json"])).unwrap();
    let pending = &json[0];
    assert_eq!((pending["kind"].as_str(), pending["state"].as_str()), (Some("dry-bed"), None));
    assert_eq!(pending["pending_since"], local("2026-03-10T09:40").to_string());
    assert_eq!(pending["told_at"], local("2026-03-10T10:40").to_string());
}

//! `trug reload` and SIGHUP: a configuration takes over as a whole or not at all, and nothing that
//! was stored, that stands or that was told is lost by it.

use std::fs;
use std::process::Output;
use std::time::Duration;

use jiff::Timestamp;
use serde_json::Value as Json;
use trug::alarms::{AlarmRecord, Kind, State};
use trug::store::{Reader, ReadingFilter};

use crate::support::daemon::Daemon;
use crate::support::flow::{SENSORS, garden_file, send_range, told_in};
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::sender::{Post, send};
use crate::support::wait_until;

const LIMIT: Duration = Duration::from_secs(60);
const STEP_S: i64 = 900;

/// A daemon that listens, with its garden in tanks and beds.
struct Listening {
    broker: Mosquitto,
    daemon: Daemon,
    sent: u64,
}

impl Listening {
    fn start(set: impl FnOnce(&mut Daemon)) -> Self {
        let broker = Mosquitto::start();
        let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", &garden_file(STEP_S))]);
        daemon.add(&format!(
            "[[told_file]]\nname = \"record\"\npath = \"{}\"\n",
            daemon.folder().join("told.jsonl").display()
        ));
        set(&mut daemon);
        daemon.start_with_page();
        Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
        Self { broker, daemon, sent: 0 }
    }

    fn send(&mut self, count: u64) -> Reader {
        send_range(self.broker.port(), self.sent, self.sent + count, STEP_S);
        self.sent += count;
        let wanted = usize::try_from(self.sent).expect("a count");
        self.daemon.wait_for(wanted, LIMIT)
    }

    /// Sends readings until some tank is too warm.
    fn send_until_warm(&mut self) -> AlarmRecord {
        for _ in 0..200 {
            let reader = self.send(SENSORS);
            if let Some(alarm) = warm(&reader) {
                return alarm;
            }
        }
        panic!("no tank grew too warm");
    }

    /// Changes the garden's file.
    fn change(&self, change: impl FnOnce(String) -> String) {
        let path = self.daemon.folder().join("gardens/saltbush-gully.toml");
        let text = fs::read_to_string(&path).unwrap();
        let after = change(text.clone());
        assert_ne!(after, text, "it is changed");
        fs::write(path, after).unwrap();
    }

    fn told(&self) -> String {
        fs::read_to_string(self.daemon.folder().join("told.jsonl")).unwrap_or_default()
    }
}

fn warm(reader: &Reader) -> Option<AlarmRecord> {
    let stands = |it: &AlarmRecord| it.key.kind == Kind::TankTooWarm && it.state != State::Normal;
    reader.alarms_present().unwrap().into_iter().map(|row| row.record).find(stands)
}

fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn reload(daemon: &Daemon) -> String {
    let said = daemon.ask(["reload"]);
    assert_eq!(said.status.code(), Some(0), "{said:?}\n{}", daemon.log());
    stdout(&said)
}

/// The garden's file without the tables of these ids.
fn without(text: &str, ids: &[&str]) -> String {
    let names = |part: &str| ids.iter().any(|id| part.contains(&format!("\nid = \"{id}\"\n")));
    let parts = text.split("\n[[").enumerate().filter(|(_, part)| !names(part));
    parts.map(|(at, part)| if at == 0 { part.to_owned() } else { format!("\n[[{part}") }).collect()
}

#[test]
fn a_configuration_with_faults_is_refused_whole_and_the_old_one_goes_on() {
    let mut it = Listening::start(|_| {});
    it.send(SENSORS);
    // One file is in order and says something new; the other is half written.
    it.change(|text| text.replace("Tank 3", "Tank of the third class"));
    let half =
        "[site]\nid = \"annex\"\nname = \"Annex\"\ntime_zone = \"Australia/Adelaide\"\nlatitude_deg = -3";
    let annex = it.daemon.folder().join("gardens/annex.toml");
    fs::write(&annex, half).unwrap();
    let checked = it.daemon.ask(["check"]);
    assert_eq!(checked.status.code(), Some(2));
    let faults = stdout(&checked);
    let faults = faults.rsplit_once("\n\n").expect("faults, and their number").0;
    assert!(faults.contains("annex.toml"), "{faults}");

    let said = it.daemon.ask(["reload"]);
    assert_eq!(said.status.code(), Some(2), "{said:?}");
    assert!(stdout(&said).starts_with(faults), "{}\nis not what check says:\n{faults}", stdout(&said));
    let as_json = it.daemon.ask(["reload", "--json"]);
    let json: Json = serde_json::from_slice(&as_json.stdout).unwrap();
    assert_eq!(json["result"], "refused");
    let checked: Json = serde_json::from_slice(&it.daemon.ask(["check", "--json"]).stdout).unwrap();
    assert_eq!(json["faults"], checked["faults"]);

    // The signal alone: the daemon says it in its log.
    it.daemon.signal("HUP");
    wait_until("the log to say so", LIMIT, || it.daemon.log().contains("refused").then_some(()));
    assert!(it.daemon.log().contains(faults), "{}", it.daemon.log());
    it.send(SENSORS);
    assert!(
        !it.daemon
            .get("/sites/saltbush-gully/tanks/tank-3")
            .is_some_and(|it| it.body.contains("third class"))
    );

    // In order again: the other file's change is taken as well.
    fs::remove_file(annex).unwrap();
    let said = reload(&it.daemon);
    assert!(said.contains("20 sensors in 1 garden. 1 garden was read again from the record."), "{said}");
    assert!(reload(&it.daemon).contains("nothing changes"));
    it.send(SENSORS);
    assert!(it.daemon.terminate().success());
    let said = it.daemon.ask(["reload"]);
    assert_eq!(said.status.code(), Some(1), "{said:?}");
    assert!(stdout(&said).contains("No Trug runs"), "{said:?}");
}

#[test]
fn an_alarm_stands_over_reloads_with_its_since_and_is_told_once() {
    let mut it = Listening::start(|_| {});
    let before = it.send_until_warm();
    let place = before.key.place.to_string();
    for turn in 0..3 {
        it.change(|text| format!("{text}# {turn}\n"));
        reload(&it.daemon);
        let reader = it.send(SENSORS);
        let now = warm(&reader).expect("it stands");
        assert_eq!((now.key, now.since, now.state), (before.key.clone(), before.since, before.state));
    }
    // A change elsewhere does not touch the garden.
    it.daemon.add("[watch]\nevery_s = 30\n");
    let said = reload(&it.daemon);
    assert!(said.contains("The new configuration is in use") && !said.contains("read again"), "{said}");
    let wanted = (place, before.since);
    wait_until("people to be told", LIMIT, || told_in(&it.told()).contains_key(&wanted).then_some(()));
    let told = told_in(&it.told());
    assert!(told.values().all(|times| *times == 1), "{told:?}");
}

#[test]
fn a_place_that_is_taken_out_ends_its_alarms_with_a_reason() {
    let mut it = Listening::start(|_| {});
    let before = it.send_until_warm();
    let tank = before.key.place.to_string();
    let sensor = tank.replace("tank", "water");
    let topic = format!("trug/saltbush-gully/alarm/tank-too-warm/{tank}");
    it.change(|text| without(&text, &[&tank, &sensor]));
    let said = reload(&it.daemon);
    assert!(said.contains("19 sensors") && said.contains("1 alarm is over"), "{said}");
    let end = wait_until("the end in the history", LIMIT, || {
        let rows = it.daemon.reader().alarm_changes(Timestamp::MIN, Timestamp::MAX, None).unwrap();
        rows.into_iter().map(|row| row.record).rfind(|it| it.key == before.key && it.state == State::Normal)
    });
    assert_eq!(end.since, before.since);
    assert!(end.said.text.contains("Nothing in the garden's file watches"), "{}", end.said.text);
    // Who subscribes later is not shown an alarm.
    wait_until("the retained state", LIMIT, || {
        let listener = Listener::start(it.broker.port(), &[&topic]);
        let heard = listener.catch_up();
        let last: Json = serde_json::from_slice(&heard.last()?.payload).unwrap();
        (last["state"] == "normal").then_some(())
    });
    // What the sensor still sends is not placed.
    let message = Post::new(&format!("saltbush-gully/{sensor}"), b"{\"raw\":20.0,\"t\":1736200000}");
    send(it.broker.port(), vec![message]);
    wait_until("the topic to be listed", LIMIT, || {
        let listed = it.daemon.reader().unplaced(10).unwrap();
        listed.iter().any(|it| it.topic == format!("saltbush-gully/{sensor}")).then_some(())
    });
}

#[test]
fn a_garden_that_is_taken_out_ends_its_alarms_and_tells_those_who_knew() {
    let mut it = Listening::start(|daemon| {
        let other = garden_file(STEP_S)
            .replace("saltbush-gully", "annex")
            .replace("who = \"grounds\"", "who = \"annex-grounds\"");
        fs::write(daemon.folder().join("gardens/annex.toml"), other).unwrap();
    });
    let before = it.send_until_warm();
    wait_until("people to be told", LIMIT, || it.told().contains("tank-too-warm").then_some(()));
    fs::remove_file(it.daemon.folder().join("gardens/saltbush-gully.toml")).unwrap();
    let said = reload(&it.daemon);
    assert!(said.contains("20 sensors in 1 garden.") && said.contains("1 garden is gone."), "{said}");
    let end = wait_until("the end in the history", LIMIT, || {
        let rows = it.daemon.reader().alarm_changes(Timestamp::MIN, Timestamp::MAX, None).unwrap();
        rows.into_iter().map(|row| row.record).rfind(|it| it.key == before.key && it.state == State::Normal)
    });
    assert!(end.said.text.contains("is in no garden's file any more"), "{}", end.said.text);
    wait_until("people to be told that it is over", LIMIT, || {
        it.told().contains("is in no garden's file any more").then_some(())
    });
    let listener = Listener::start(it.broker.port(), &["trug/+/status"]);
    listener.wait_for_last("trug/saltbush-gully/status", "offline");
    listener.wait_for_last("trug/annex/status", "online");
}

#[test]
fn a_sensor_that_is_renamed_keeps_its_history() {
    let mut it = Listening::start(|_| {});
    it.send(3 * SENSORS);
    it.change(|text| text.replace("id = \"probe-4\"\n", "id = \"root-probe\"\nformerly = [\"probe-4\"]\n"));
    reload(&it.daemon);
    let reader = it.send(2 * SENSORS);
    let count = |sensor: &str| {
        let filter = ReadingFilter { sensors: vec![sensor.to_owned()], ..ReadingFilter::default() };
        let mut count = 0;
        reader
            .readings(&filter, |_| {
                count += 1;
                std::ops::ControlFlow::Continue(())
            })
            .unwrap();
        count
    };
    assert_eq!((count("root-probe"), count("probe-4")), (5, 0));
}

#[test]
fn a_new_topic_is_heard_in_the_same_session_and_an_old_one_no_longer() {
    let mut it = Listening::start(|daemon| {
        let path = daemon.folder().join("trug.toml");
        let text = fs::read_to_string(&path).unwrap();
        let text = text.replace("[broker]\n", "[broker]\ntopics = [\"saltbush-gully/#\", \"old/#\"]\n");
        fs::write(path, text).unwrap();
    });
    it.send(SENSORS);
    let path = it.daemon.folder().join("trug.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("\"old/#\"", "\"new/#\"")).unwrap();
    it.change(|text| text.replace("topic = \"saltbush-gully/probe-4\"", "topic = \"new/place/probe-4\""));
    reload(&it.daemon);
    let message = |topic: &str| Post::new(topic, b"{\"raw\":0.2,\"t\":1736200000}");
    wait_until("the new topic to be heard", LIMIT, || {
        send(
            it.broker.port(),
            vec![message("new/place/probe-4"), message("old/thing"), message("new/thing")],
        );
        let listed = it.daemon.reader().unplaced(10).unwrap();
        listed.iter().any(|it| it.topic == "new/thing").then_some(())
    });
    let reader = it.daemon.reader();
    wait_until("its reading", LIMIT, || (reader.count().unwrap() == it.sent + 1).then_some(()));
    let listed = reader.unplaced(10).unwrap();
    assert!(!listed.iter().any(|it| it.topic == "old/thing"), "{listed:?}");
    assert_eq!(
        it.daemon.log().matches("listening to the broker").count(),
        1,
        "one session:\n{}",
        it.daemon.log()
    );
    assert!(it.daemon.get("/health").is_some());

    // What cannot change while it runs stays, and that is said.
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("client_id = \"trug\"", "client_id = \"other\"")).unwrap();
    let said = reload(&it.daemon);
    assert_eq!(said, "[broker] client_id changes only at a restart: it stays \"trug\" until then.\n");
}

/// What left the configuration while Trug was away is given up in the session that the broker
/// has kept.
#[test]
fn a_topic_that_went_while_trug_was_away_is_given_up() {
    let topics = |daemon: &Daemon, before: &str, after: &str| {
        let path = daemon.folder().join("trug.toml");
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(before), "{text}");
        fs::write(&path, text.replacen(before, after, 1)).unwrap();
    };
    let mut it = Listening::start(|daemon| {
        topics(daemon, "[broker]\n", "[broker]\ntopics = [\"saltbush-gully/#\", \"old/#\"]\n");
    });
    it.send(SENSORS);
    let message = |topic: &str| Post::new(topic, b"{\"raw\":0.2,\"t\":1736200000}");
    let listed = |it: &mut Listening, topic: &str| {
        it.daemon.reader().unplaced(10).unwrap().iter().any(|it| it.topic == topic)
    };
    wait_until("the old topic to be heard", LIMIT, || {
        send(it.broker.port(), vec![message("old/before")]);
        listed(&mut it, "old/before").then_some(())
    });
    assert!(it.daemon.terminate().success());

    topics(&it.daemon, ", \"old/#\"", "");
    it.daemon.start_with_page();
    wait_until("the broker to be asked", LIMIT, || {
        let log = fs::read_to_string(it.broker.log()).unwrap();
        log.lines().any(|line| line.contains("UNSUBSCRIBE") && line.contains("trug")).then_some(())
    });
    // In the order of one sender: what is stored of the second shows that the first would be.
    send(it.broker.port(), vec![message("old/after"), message("saltbush-gully/after")]);
    wait_until("the topic that stayed", LIMIT, || listed(&mut it, "saltbush-gully/after").then_some(()));
    assert!(!listed(&mut it, "old/after"), "{:?}", it.daemon.reader().unplaced(10).unwrap());
    assert!(it.daemon.log().contains("kept_session=true"), "{}", it.daemon.log());
}

#[test]
fn the_alarms_of_a_garden_that_went_while_trug_was_away_end_with_a_reason() {
    let mut it = Listening::start(|daemon| {
        let other = garden_file(STEP_S).replace("saltbush-gully", "annex");
        fs::write(daemon.folder().join("gardens/annex.toml"), other).unwrap();
    });
    let before = it.send_until_warm();
    assert!(it.daemon.terminate().success());
    fs::remove_file(it.daemon.folder().join("gardens/saltbush-gully.toml")).unwrap();
    it.daemon.start_with_page();
    let end = wait_until("the end in the history", LIMIT, || {
        let rows = it.daemon.reader().alarm_changes(Timestamp::MIN, Timestamp::MAX, None).unwrap();
        rows.into_iter().map(|row| row.record).rfind(|it| it.key == before.key && it.state == State::Normal)
    });
    assert!(end.said.text.contains("is in no garden's file any more"), "{}", end.said.text);
    assert_eq!(end.since, before.since);
    // The broker keeps no standing alarm of it.
    let topic = format!("trug/saltbush-gully/alarm/tank-too-warm/{}", before.key.place);
    let listener = Listener::start(it.broker.port(), &["trug/#"]);
    listener.wait_for("the end on the broker", |heard| {
        heard.topic == topic && heard.text().contains("\"state\":\"normal\"")
    });
}

/// `record_mb` of a running daemon: larger than planned, and planned larger.
#[test]
fn a_new_plan_for_the_record_s_size_holds_at_once() {
    let mut it = Listening::start(|daemon| daemon.add("[watch]\nevery_s = 1\n"));
    // With its log of recent writes the record is larger than a megabyte.
    it.send(300 * SENSORS);
    let health = |it: &Listening| it.daemon.get("/health").expect("the page answers");
    wait_until("a look at itself", LIMIT, || (health(&it).status == 200).then_some(()));
    let path = it.daemon.folder().join("trug.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("every_s = 1\n", "every_s = 1\nrecord_mb = 1\n")).unwrap();
    reload(&it.daemon);
    let said = "record_mb plans 1 MB for it";
    wait_until("the record to be too large", LIMIT, || health(&it).body.contains(said).then_some(()));
    fs::write(&path, text.replace("every_s = 1\n", "every_s = 1\nrecord_mb = 500\n")).unwrap();
    reload(&it.daemon);
    wait_until("the record to fit", LIMIT, || (!health(&it).body.contains("record_mb")).then_some(()));
}

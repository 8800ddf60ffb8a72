//! `trug watch` and `trug look-over` beside a real broker and a real daemon.

use std::fs;
use std::process::{Output, Stdio};
use std::time::Duration;

use serde_json::Value as Json;

use crate::support::daemon::Daemon;
use crate::support::garden::{BED_KEYS, GardenFile, WATERING};
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::sender::{Post, send};
use crate::support::{ChildGuard, wait_until};

const LIMIT: Duration = Duration::from_secs(60);

fn garden() -> String {
    let json = "payload = { json = { value = \"/raw\", time = \"/t\" } }";
    let calibrated = "payload = \"number\"\ncalibration = { points = [[1000, 0.05], [3000, 0.45]] }";
    GardenFile::new("saltbush-gully")
        .with(WATERING)
        .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
        .tank("perch-tank", "Perch tank", "volume_l = 500\nspecies = \"silver perch\"\nfish = 12\n")
        .sensor("perch-temp", "water-temperature", &format!("tank = \"perch-tank\"\n{json}"))
        .sensor(
            "kitchen-15cm",
            "soil-moisture",
            &format!("bed = \"kitchen-bed\"\ndepth_cm = 15\n{calibrated}"),
        )
        .text()
        .to_owned()
}

fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// A `trug watch` that writes into a file.
struct Watching {
    child: ChildGuard,
    file: std::path::PathBuf,
}

impl Watching {
    fn start(daemon: &Daemon, arguments: &[&str]) -> Self {
        let file = daemon.folder().join(format!("watched-{}", arguments.len()));
        let child = daemon
            .command(["watch"].iter().chain(arguments))
            .stdin(Stdio::null())
            .stdout(fs::File::create(&file).unwrap())
            .spawn()
            .unwrap();
        Self { child: ChildGuard(child), file }
    }

    fn lines(&self) -> Vec<String> {
        fs::read_to_string(&self.file).unwrap().lines().map(str::to_owned).collect()
    }

    fn wait_for(&self, what: &str) -> String {
        wait_until(what, LIMIT, || self.lines().into_iter().find(|line| line.contains(what)))
    }

    fn end(&mut self) -> Option<i32> {
        wait_until("watch to end", LIMIT, || self.child.0.try_wait().unwrap()).code()
    }
}

#[test]
#[expect(clippy::disallowed_methods, reason = "the daemon under test lives by the computer's clock")]
fn readings_are_shown_raw_and_calibrated_as_they_come() {
    let broker = Mosquitto::start();
    let daemon = Daemon::new(broker.port(), &[("saltbush-gully", &garden())]);
    let mut watching = Watching::start(&daemon, &["--for", "6s"]);
    watching.wait_for("listening to all topics at 127.0.0.1");
    let old = jiff::Timestamp::now().as_second() - 300;
    send(
        broker.port(),
        vec![
            Post::new("saltbush-gully/kitchen-15cm", b"2000"),
            Post::new("saltbush-gully/perch-temp", format!("{{\"raw\":21.5,\"t\":{old}}}").as_bytes()),
            Post::new("saltbush-gully/kitchen-15cm", b"wet"),
            Post::new("somewhere/else", b"17"),
        ],
    );
    // Half way between the points: a quarter of the volume.
    let line = watching.wait_for("kitchen-15cm 25.0 % by volume");
    assert!(line.contains(", raw 2000"), "{line}");
    assert!(line.chars().count() <= 80, "a telephone shows it in two rows: {line}");
    let line = watching.wait_for("perch-temp 21.5 °C");
    assert!(line.contains("raw 21.5") && line.ends_with("5 minutes old"), "{line}");
    assert!(watching.wait_for("cannot be read").contains("\"wet\""));
    watching.wait_for("not placed: somewhere/else \"17\"");
    assert_eq!(watching.end(), Some(0));
    // Nothing was stored by it.
    assert!(!daemon.store().exists());

    let mut watching = Watching::start(&daemon, &["kitchen-bed", "--json", "--for", "6s"]);
    let line = wait_until("a reading", LIMIT, || {
        send(
            broker.port(),
            vec![
                Post::new("saltbush-gully/perch-temp", b"{\"raw\":21.5}"),
                Post::new("saltbush-gully/kitchen-15cm", b"1500"),
            ],
        );
        watching.lines().into_iter().next()
    });
    let json: Json = serde_json::from_str(&line).unwrap();
    assert_eq!((json["sensor"].as_str(), json["raw"].as_f64()), (Some("kitchen-15cm"), Some(1500.0)));
    assert!((json["value"].as_f64().unwrap() - 0.15).abs() < 1e-9, "{json}");
    assert_eq!(watching.end(), Some(0));
    assert!(!watching.lines().iter().any(|line| line.contains("perch-temp")));

    let wrong = daemon.ask(["watch", "kitchen-16cm"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(stdout(&wrong).contains("kitchen-15cm"), "{wrong:?}");
}

fn findings(daemon: &Daemon) -> (Option<i32>, Vec<(String, String, String)>) {
    let said = daemon.ask(["look-over", "--json"]);
    let json: Json = serde_json::from_slice(&said.stdout).unwrap_or_else(|e| panic!("{e}: {said:?}"));
    let text = |it: &Json, key: &str| it[key].as_str().unwrap().to_owned();
    let found = json["findings"].as_array().unwrap().iter();
    (said.status.code(), found.map(|it| (text(it, "weight"), text(it, "about"), text(it, "found"))).collect())
}

fn one<'f>(found: &'f [(String, String, String)], part: &str) -> &'f str {
    let it = found.iter().find(|(_, _, what)| what.contains(part));
    &it.unwrap_or_else(|| panic!("{part:?} is not in {found:#?}")).0
}

#[test]
fn a_look_over_says_what_is_wrong_worst_first() {
    let mut broker = Mosquitto::start();
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", &garden())]);
    daemon.arguments.clear();
    daemon.start_with_page();
    Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
    send(broker.port(), vec![Post::new("saltbush-gully/kitchen-15cm", b"2000")]);
    daemon.wait_for(1, LIMIT);

    let (code, found) = findings(&daemon);
    assert_eq!(code, Some(1), "{found:#?}");
    assert_eq!(one(&found, "lets Trug in without TLS and listen to 1 topic filter"), "well");
    assert_eq!(one(&found, "The record is whole"), "well");
    assert_eq!(one(&found, &format!("(process {})", daemon.process())), "well");
    assert_eq!(one(&found, "perch-temp of saltbush-gully has sent nothing for five weeks, or never"), "look");
    assert_eq!(one(&found, "1 sensor has sent in time"), "well");
    let order = ["bad", "look", "unknown", "well"];
    let places: Vec<_> = found.iter().map(|(weight, ..)| order.iter().position(|it| it == weight)).collect();
    assert!(places.is_sorted(), "{found:#?}");
    // The daemon's own session stands.
    assert_eq!(daemon.log().matches("listening to the broker").count(), 1, "{}", daemon.log());

    broker.stop();
    let (code, found) = findings(&daemon);
    assert_eq!((code, found[0].0.as_str(), found[0].1.as_str()), (Some(1), "bad", "broker"), "{found:#?}");
    assert!(found[0].2.contains("cannot be listened to"), "{found:#?}");
    assert!(daemon.terminate().success());
    let (_, found) = findings(&daemon);
    assert_eq!(one(&found, "No Trug runs on this record, so nothing is watched."), "bad");

    let path = daemon.folder().join("gardens/saltbush-gully.toml");
    fs::write(&path, "[site]\nid = 3\n").unwrap();
    let (code, found) = findings(&daemon);
    assert_eq!((code, found.len(), found[0].1.as_str()), (Some(2), 1, "configuration"), "{found:#?}");
}

#[test]
fn a_broker_that_wants_a_password_is_told_apart_from_one_that_is_away() {
    let broker = Mosquitto::start_with("allow_anonymous false\n");
    let daemon = Daemon::new(broker.port(), &[("saltbush-gully", &garden())]);
    let said = stdout(&daemon.ask(["look-over"]));
    assert!(
        said.contains("BAD broker: ") && said.contains("does not take this user name and password"),
        "{said}"
    );
    assert!(said.contains("-> Look at username and password_file in [broker]"), "{said}");
    assert!(said.contains("BAD record: There is no record at"), "{said}");
}

/// A day of each sensor: bad readings, times that cannot be true, late ones, a battery.
#[test]
#[expect(clippy::disallowed_methods, reason = "the daemon under test lives by the computer's clock")]
fn a_look_over_names_sensors_with_a_bad_day_a_wrong_clock_or_a_low_battery() {
    let broker = Mosquitto::start();
    let json = "payload = { json = { value = \"/raw\", time = \"/t\" } }";
    let with_battery = "payload = { json = { value = \"/raw\", time = \"/t\", battery = \"/b\" } }\nbattery_low = 3.4\nbattery_unit = \"V\"";
    let tank = "tank = \"perch-tank\"\n";
    let garden = GardenFile::new("saltbush-gully")
        .tank("perch-tank", "Perch tank", "volume_l = 500\nspecies = \"silver perch\"\nfish = 12\n")
        .sensor("weak", "water-temperature", &format!("{tank}{with_battery}"))
        .sensor("strong", "water-temperature", &format!("{tank}{with_battery}"))
        .sensor("spoilt", "water-temperature", &format!("{tank}{json}"))
        .sensor("ahead", "water-temperature", &format!("{tank}{json}"))
        .sensor("behind", "water-temperature", &format!("{tank}{json}"));
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", garden.text())]);
    daemon.arguments.clear();
    daemon.start_with_page();
    Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
    let now = jiff::Timestamp::now().as_second();
    let post = |sensor: &str, raw: f64, at: i64, more: &str| {
        Post::new(
            &format!("saltbush-gully/{sensor}"),
            format!("{{\"raw\":{raw},\"t\":{at}{more}}}").as_bytes(),
        )
    };
    let mut posts = Vec::new();
    for step in 0..12 {
        let at = now - 900 * (11 - step);
        posts.push(post("weak", 20.0, at, ",\"b\":3.2"));
        posts.push(post("strong", 20.0, at, ",\"b\":3.9"));
        posts.push(post("spoilt", if step % 3 == 1 { 95.0 } else { 20.0 }, at, ""));
    }
    for step in 0..4 {
        posts.push(post("ahead", 20.0, now + 7200 + step, ""));
        posts.push(post("behind", 20.0, now - 7200 + step, ""));
    }
    let count = posts.len();
    send(broker.port(), posts);
    daemon.wait_for(count, LIMIT);
    // At a stop the state of the garden is kept, and in it what the batteries said.
    assert!(daemon.terminate().success());
    let (_, found) = findings(&daemon);
    for (weight, what) in [
        ("look", "spoilt of saltbush-gully: 4 of 12 readings in the last day are bad."),
        (
            "look",
            "ahead of saltbush-gully: 4 of 4 readings in the last day stand under the time at which they came",
        ),
        ("look", "behind of saltbush-gully: 4 of 4 readings in the last day came too late to be judged."),
        ("look", "weak of saltbush-gully: its battery reports 3.2 V, below 3.4 V."),
        ("well", "1 battery is above the limit."),
    ] {
        assert_eq!(one(&found, what), weight, "{what}");
    }
    assert!(
        !found
            .iter()
            .any(|(.., what)| what.contains("strong") || what.contains("weak of saltbush-gully: no")),
        "{found:#?}"
    );
}

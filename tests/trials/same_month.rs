//! The same month by MQTT and by `trug import` gives the same rows and the same
//! history of alarms.
//!
//! Nothing has to differ: the messages carry the device's own time, so every
//! column of a reading is compared, and `trug export` of both is the same to the
//! last byte. Only what is not about the garden is left out: the outbox, since an
//! import tells nobody.

use std::time::Duration;

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::rows::{assert_same, rows};
use crate::support::simulator::Played;
use jiff::Timestamp;
use trug::store::Reader;

const STATUS: &str = "trug/saltbush-gully/status";
const LIMIT: Duration = Duration::from_secs(240);

/// Kind, place, states and times of each step, in the order of the alarm's life.
fn history(reader: &Reader) -> Vec<String> {
    let changes =
        reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).expect("the history can be read");
    let mut steps: Vec<String> = changes
        .iter()
        .map(|it| {
            format!(
                "{} {} {}: {} -> {}, at {}, since {}: {} {:?}",
                it.record.key.site,
                it.record.key.kind.name(),
                it.record.key.place,
                it.from.map_or("?", |from| from.name()),
                it.record.state.name(),
                it.record.at,
                it.record.since,
                it.record.said.text,
                it.record.said.values
            )
        })
        .collect();
    steps.sort();
    steps
}

/// `trug export`, the whole store.
fn export(daemon: &Daemon) -> String {
    let output = daemon.ask(["export"]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("an export is UTF-8 text")
}

#[test]
fn a_month_by_mqtt_and_by_import_is_the_same_month() {
    let played = Played::new("ordinary-month", SHIPPED);
    let broker = Mosquitto::start();
    let mut live = Daemon::new(broker.port(), &[("saltbush-gully", SHIPPED)]);
    let listener = Listener::start(broker.port(), &[STATUS]);
    live.start();
    listener.wait_for_last(STATUS, "online");
    played.send(broker.port());
    let by_mqtt = live.wait_for(played.sent.len(), LIMIT);

    let past = Daemon::new(broker.port(), &[("saltbush-gully", SHIPPED)]);
    let file = past.folder().join("sent.csv");
    std::fs::write(&file, played.csv()).expect("the file can be written");
    let imported = past.ask([std::ffi::OsStr::new("import"), file.as_os_str()]);
    let said = String::from_utf8_lossy(&imported.stdout);
    assert_eq!(imported.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&imported.stderr));
    assert!(said.contains(&format!("{} readings stored", played.sent.len())), "{said}");
    let by_import = Reader::open(&past.store()).expect("the import has made a store");

    assert_same("by MQTT and by import", &rows(&by_mqtt), &rows(&by_import));
    let (exported, of_import) = (export(&live), export(&past));
    assert!(exported.lines().count() == played.sent.len() + 1, "a line for each reading and one of names");
    assert!(exported == of_import, "the two exports are the same to the last byte");
    let (told, kept) = (history(&by_mqtt), history(&by_import));
    assert!(told.len() >= 10, "a month has alarms: {told:#?}");
    assert_eq!(told, kept);

    // Once more: everything is there already, and nothing changes.
    let again = past.ask([std::ffi::OsStr::new("import"), file.as_os_str()]);
    let said = String::from_utf8_lossy(&again.stdout);
    assert_eq!(again.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&again.stderr));
    assert!(said.contains(&format!("0 readings stored, {} were there already", played.sent.len())), "{said}");
    assert_same("after a second import", &rows(&by_mqtt), &rows(&by_import));
    assert_eq!(told, history(&by_import));
    assert!(by_import.letters(0, 1).expect("the outbox can be read").is_empty(), "an import tells nobody");
}

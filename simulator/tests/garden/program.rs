//! The program as people and scripts call it.

use std::path::PathBuf;
use std::process::{Command, Output};

use garden_simulator::{School, Truth};

fn simulator(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_garden-simulator")).args(arguments).output().expect("it is built")
}

fn garden() -> String {
    format!("{}/tests/garden.toml", env!("CARGO_MANIFEST_DIR"))
}

/// A path in the folder that cargo keeps for tests' files.
fn file(name: &str) -> String {
    PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(name).display().to_string()
}

#[test]
fn scenarios_are_listed() {
    let out = simulator(&["scenarios"]);
    assert!(out.status.success());
    let text = String::from_utf8_lossy(&out.stdout);
    assert_eq!(text.lines().count(), crate::common::names().count());
    assert!(crate::common::names().all(|name| text.contains(name)), "{text}");
}

#[test]
fn write_gives_what_the_library_gives() {
    let (sent, truth) = (file("cold-snap.csv"), file("cold-snap.json"));
    let out = simulator(&[
        "write",
        "cold-snap",
        "--garden",
        &garden(),
        "--seed",
        "77",
        "--sent",
        &sent,
        "--truth",
        &truth,
    ]);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let (emissions, expected) = crate::common::play("cold-snap", 77);
    let truth: Truth = serde_json::from_slice(&std::fs::read(truth).expect("written")).expect("JSON");
    assert_eq!(truth, expected);
    let mut rows = csv::Reader::from_path(sent).expect("written");
    assert_eq!(rows.headers().expect("a first line"), vec!["time", "sensor", "raw"]);
    let rows: Vec<csv::StringRecord> = rows.records().map(|r| r.expect("CSV")).collect();
    assert_eq!(rows.len(), emissions.len());
    for (row, e) in rows.iter().zip(emissions) {
        assert_eq!(row, vec![e.at.to_string(), e.sensor, e.raw.to_string()]);
    }
}

#[test]
fn wrong_input_is_exit_code_2_and_says_what() {
    let garden = garden();
    let own = file("own.toml");
    std::fs::write(&own, "title = \"t\"\nstart = 2026-04-01\ndays = 3\nseed = 1\nwether = 2\n")
        .expect("writable");
    let (sent, truth) = (file("none.csv"), file("none.json"));
    let cases: [(&[&str], &str); 7] = [
        (&["write", "wet-week", "--garden", &garden, "--sent", &sent, "--truth", &truth], "wet-week"),
        (&["write", &own, "--garden", &garden, "--sent", &sent, "--truth", &truth], "wether"),
        (
            &["write", "cold-snap", "--garden", "no-such.toml", "--sent", &sent, "--truth", &truth],
            "no-such.toml",
        ),
        (&["run", "cold-snap", "--garden", &garden, "--broker", "http://x"], "http://x"),
        (&["run", "cold-snap", "--garden", &garden, "--broker", "mqtt://x", "--speed", "nan"], "above 0"),
        (&["load", "--broker", "mqtt://x", "--sites", "1", "--sensors", "1", "--rate", "1000"], "500 each"),
        (&["load", "--sites", "1"], "--broker"),
    ];
    for (arguments, named) in cases {
        let out = simulator(arguments);
        let text = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(2), "{arguments:?}: {text}");
        assert!(text.contains(named), "{arguments:?}: {text}");
    }
}

#[test]
fn load_gardens_are_gardens() {
    let folder = file("gardens");
    let out = simulator(&["load", "--sites", "3", "--sensors", "9", "--rate", "2", "--gardens", &folder]);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    for site in 0..3 {
        let text = std::fs::read_to_string(format!("{folder}/load-{site:05}.toml")).expect("written");
        let school = School::parse(&text).expect("a garden file");
        assert_eq!((school.sensors.len(), school.beds.len(), school.tanks.len()), (9, 4, 1));
        // 27 sensors at two readings a second.
        assert!(school.sensors.iter().all(|s| s.every_s == 14));
    }
}

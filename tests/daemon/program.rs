//! `trug` as a program among others: signals, streams that are closed, logs in files,
//! times on the garden's clock, errors for programs.

use std::io::{BufRead as _, BufReader, Read as _};
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use serde_json::Value as Json;

use crate::support::daemon::{Daemon, trug};
use crate::support::garden::{BED_KEYS, GardenFile, WATERING};
use crate::support::mosquitto::Mosquitto;
use crate::support::{ChildGuard, wait_until};
use trug::store::Store;

const LIMIT: Duration = Duration::from_secs(60);

fn garden() -> Daemon {
    let file = GardenFile::new("saltbush-gully")
        .with(WATERING)
        .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
        .tank("perch-tank", "Perch tank", "volume_l = 500\nspecies = \"silver perch\"\nfish = 12\n")
        .sensor("perch-temp", "water-temperature", "tank = \"perch-tank\"")
        .sensor("kitchen-15cm", "soil-moisture", "bed = \"kitchen-bed\"\nevery_s = 3600\ndepth_cm = 15");
    // No broker is asked for.
    Daemon::new(1, &[("saltbush-gully", file.text())])
}

fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn json(text: &str) -> Json {
    serde_json::from_str(text).unwrap_or_else(|e| panic!("{e}: {text}"))
}

#[test]
fn a_hangup_ends_nothing_and_says_that_nothing_has_changed() {
    let mut daemon = garden();
    daemon.start_with_page();
    let process = daemon.process().to_string();
    assert!(Command::new("kill").args(["-HUP", &process]).status().unwrap().success());
    wait_until("the log to say so", LIMIT, || daemon.log().contains("nothing changes").then_some(()));
    let said = daemon.log();
    daemon.assert_alive();
    assert!(daemon.get("/health").is_some());
    assert!(daemon.terminate().success());
    // The log is a file: no codes of a terminal in it.
    assert!(!said.contains('\u{1b}'), "{said:?}");
}

#[test]
fn errors_are_json_for_who_asks_for_json() {
    let daemon = garden();
    assert_eq!(daemon.ask(["export"]).status.code(), Some(3), "there is no store yet");
    for (arguments, code, error, part) in [
        (&["--json", "mulch", "no-bed"][..], 2, "wrong input", "no bed is called \"no-bed\""),
        (&["--json", "export", "--format", "xlsx"], 3, "failed", "opening the store"),
        (&["--json", "mow"], 2, "wrong input", "mow"),
        (&["--json", "export", "--step", "week"], 2, "wrong input", "week"),
    ] {
        let output = daemon.ask(arguments);
        assert_eq!(output.status.code(), Some(code), "{arguments:?}");
        let told = json(&format!("{}{}", stdout(&output), stderr(&output)));
        assert_eq!((&told["error"], &told["exit_code"]), (&error.into(), &code.into()), "{told:#}");
        assert!(told["text"].as_str().unwrap().contains(part), "{told:#}");
    }
    let faulty = daemon.folder().join("gardens").join("saltbush-gully.toml");
    std::fs::write(faulty, "[site]\n").unwrap();
    let told = json(&stderr(&daemon.ask(["--json", "alarms"])));
    assert_eq!(told["error"], "wrong input", "{told:#}");
    // People go on reading words.
    let words = stderr(&daemon.ask(["alarms"]));
    assert!(words.contains("the configuration has faults") && !words.starts_with('{'), "{words}");
}

/// Adelaide is at UTC+9:30 in April: IANA time zone database.
#[test]
fn each_at_takes_a_time_on_the_gardens_clock() {
    let daemon = garden();
    let file = daemon.folder().join("one.csv");
    std::fs::write(&file, "time,raw\n2026-04-17T05:00:00Z,0.25\n").unwrap();
    let file = file.display().to_string();
    assert_eq!(daemon.ask(["import", "--sensor", "kitchen-15cm", &file]).status.code(), Some(0));
    for command in [&["mulch", "kitchen-bed"][..], &["acclimatise", "perch-tank"], &["why", "kitchen-bed"]] {
        let at = |text: &str| {
            let output = daemon.ask(command.iter().copied().chain(["--json", "--at", text]));
            (output.status.code(), json(&format!("{}{}", stdout(&output), stderr(&output))))
        };
        let (local, utc) = (at("2026-04-17 15:30"), at("2026-04-17T06:00:00Z"));
        assert_eq!(local, utc, "{command:?}");
        assert_ne!(local.0, Some(2), "{command:?}: {:#}", local.1);
        let (code, told) = at("noon");
        assert_eq!(code, Some(2), "{command:?}");
        assert!(told["text"].as_str().unwrap().starts_with("--at \"noon\" is not a time"), "{told:#}");
    }
    let logged = daemon.ask([
        "log",
        "planted",
        "kitchen-bed",
        "--crop",
        "cabbage",
        "--at",
        "2026-04-17 15:30",
        "--json",
    ]);
    assert_eq!(json(&stdout(&logged))["at"], "2026-04-17T06:00:00Z");
}

/// A garden of which nothing is known stands as it does at the moment that is asked for,
/// not in the year 1970.
#[test]
fn a_garden_without_readings_is_not_of_1970() {
    let mut daemon = garden();
    daemon.start_with_page();
    for path in
        ["/", "/site/saltbush-gully/sensors", "/site/saltbush-gully/alarms", "/site/saltbush-gully/month"]
    {
        let page = daemon.get(path).expect("the page answers");
        assert!(!page.body.contains("1970") && !page.body.contains("1969"), "{path}: {}", page.body);
    }
    let site = json(&daemon.get("/api/v1/sites/saltbush-gully").expect("the page answers").body);
    assert_eq!(site["judged_until"], Json::Null, "{site:#}");
    for command in [&["why", "kitchen-bed"][..], &["alarms", "--figures"]] {
        let said = stdout(&daemon.ask(command));
        assert!(!said.contains("1970") && !said.contains("1969"), "{command:?}: {said}");
    }
    daemon.terminate();
}

/// A reader that has read enough ends a command without words, and the demonstration not
/// at all.
#[test]
fn a_closed_stream_is_no_fault() {
    let daemon = garden();
    let mut child =
        ChildGuard(daemon.command(["check"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap());
    drop(child.0.stdout.take());
    let ended = wait_until("check to end", LIMIT, || child.0.try_wait().unwrap());
    let mut said = String::new();
    child.0.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    assert_eq!((ended.code(), said.as_str()), (Some(0), ""));
}

#[test]
fn a_demonstration_whose_screen_is_closed_goes_on_to_its_end() {
    let mut child = ChildGuard(
        trug(["demo", "--for", "3"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap(),
    );
    let mut first = String::new();
    BufReader::new(child.0.stdout.take().unwrap()).read_line(&mut first).unwrap();
    assert!(first.starts_with("Trug: a demonstration"), "{first}");
    // The pipe's other end is gone now.
    let ended =
        wait_until("the demonstration to end", Duration::from_secs(300), || child.0.try_wait().unwrap());
    let mut said = String::new();
    child.0.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    assert!(ended.success() && !said.contains("panicked"), "{ended}: {said}");
}

/// A line of an import that was refused is a message that could not be taken like any other.
#[test]
fn what_was_refused_is_seen_on_the_page_in_the_check_and_in_the_interface() {
    let mut daemon = garden();
    let live = |daemon: &Daemon| {
        let output = daemon.ask(["check", "--live", "--json"]);
        (output.status.code(), json(&stdout(&output))["live"].clone())
    };
    assert_eq!(live(&daemon).0, Some(1), "there is no store yet");
    let file = daemon.folder().join("one.csv");
    std::fs::write(&file, "time,raw\n2026-04-17T05:00:00Z,0.25\n2026-04-17T06:00:00Z,<b>wet\n").unwrap();
    let file = file.display().to_string();
    let asked = ["import", "--sensor", "kitchen-15cm", "--skip-refused", &file];
    assert_eq!(daemon.ask(asked).status.code(), Some(1));

    let (code, told) = live(&daemon);
    assert_eq!(code, Some(1), "{told:#}");
    let refused = &told["refused"][0];
    assert_eq!((&refused["messages"], &told["ok"]), (&1.into(), &false.into()), "{told:#}");
    assert!(refused["reason"].as_str().unwrap().contains("not a finite number"), "{told:#}");
    assert!(refused["topic"].as_str().unwrap().ends_with("one.csv line 3"), "{told:#}");
    let silent: Vec<&str> =
        told["not_heard"].as_array().unwrap().iter().map(|it| it["sensor"].as_str().unwrap()).collect();
    assert_eq!(silent, ["perch-temp", "kitchen-15cm"], "the reading is of long ago: {told:#}");
    let words = stdout(&daemon.ask(["check", "--live"]));
    assert!(words.contains("one.csv line 3, 1 message, the last one"), "{words}");
    assert!(words.contains("not heard: sensor perch-temp of saltbush-gully"), "{words}");
    assert!(!stdout(&daemon.ask(["check"])).contains("one.csv"), "only where it is asked for");

    daemon.start_with_page();
    let page = daemon.get("/site/saltbush-gully/sensors").expect("the page answers").body;
    assert!(page.contains("Refused in the last week") && page.contains("not a finite number"), "{page}");
    assert!(!page.contains("<b>wet"), "{page}");
    let list = json(&daemon.get("/api/v1/sites/saltbush-gully/rejects").expect("the page answers").body);
    let only = &list["rejects"][0];
    assert_eq!(list["rejects"].as_array().unwrap().len(), 1, "{list:#}");
    assert!(only["reason"].as_str().unwrap().contains("<b>wet"), "{list:#}");
    assert_eq!(only["payload"], "2026-04-17T06:00:00Z,<b>wet", "{list:#}");
    let later = daemon.get("/api/v1/sites/saltbush-gully/rejects?from=2999-01-01").expect("the page answers");
    assert_eq!(json(&later.body)["rejects"], serde_json::json!([]));
    daemon.terminate();
}

/// What `trug check` says of a probe with these lines, and its notes.
fn checked(lines: &str) -> (Option<i32>, String, String) {
    let probe = format!("bed = \"kitchen-bed\"\ndepth_cm = 15\n{lines}");
    let file = GardenFile::new("saltbush-gully")
        .with(WATERING)
        .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
        .sensor("kitchen-15cm", "soil-moisture", &probe);
    let daemon = Daemon::new(1, &[("saltbush-gully", file.text())]);
    let output = daemon.ask(["check"]);
    let said = stdout(&output);
    let notes: String =
        said.lines().filter(|line| line.starts_with("note: ") && line.contains("calibration")).collect();
    (output.status.code(), said, notes)
}

#[test]
fn the_check_says_what_a_calibration_does_at_both_ends() {
    for (lines, says, doubt) in [
        (
            "calibration = { points = [[2900, 0.02], [1450, 0.40]] }",
            "raw 1450 is 40.0 % by volume, raw 2900 is 2.0 % by volume: a higher raw number is drier",
            None,
        ),
        ("unit = \"percent\"", "raw 0 is 0.0 % by volume, raw 100 is 100.0 % by volume", None),
        ("unit = \"m3/m3\"", "raw 0.25 is 25.0 % by volume", None),
        ("", "raw 0.25 is 25.0 % by volume", Some("has no calibration: its raw number is taken for m3/m3")),
        (
            "calibration = { points = [[0.02, 2900], [0.40, 1450]] }",
            "raw 0.02 is",
            Some("Are the two numbers of each point swapped?"),
        ),
        ("calibration = { points = [[0, 0.5], [100, 0.0]] }", "is drier", Some("Are its points reversed?")),
        ("calibration = { points = [[0, 0.0], [100, 0.5]] }", "is wetter", None),
        ("calibration = { points = [[0, 0], [100, 50]] }", "raw 100 is 5000.0 %", Some("at one end a value")),
    ] {
        let (code, said, notes) = checked(lines);
        assert_eq!(code, Some(0), "{lines}: {said}");
        assert!(said.contains(says), "{lines}: {said}");
        match doubt {
            Some(doubt) => assert!(notes.contains(doubt), "{lines}: {notes}"),
            None => assert_eq!(notes, "", "{lines}"),
        }
    }
    let (code, said, _) = checked("unit = \"percent\"\ncalibration = \"topp\"");
    assert_eq!(code, Some(2));
    assert!(said.contains("either unit or calibration"), "{said}");
    assert!(checked("unit = \"counts\"").1.contains("\"percent\" or \"m3/m3\""));
}

#[test]
fn a_probe_that_sends_per_cent_is_taken_as_such() {
    let probe = "bed = \"kitchen-bed\"\ndepth_cm = 15\nevery_s = 3600\nunit = \"percent\"";
    let file = GardenFile::new("saltbush-gully")
        .with(WATERING)
        .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
        .sensor("kitchen-15cm", "soil-moisture", probe);
    let daemon = Daemon::new(1, &[("saltbush-gully", file.text())]);
    let csv = daemon.folder().join("one.csv");
    std::fs::write(&csv, "time,raw\n2026-04-17T05:00:00Z,25\n").unwrap();
    let asked = ["import", "--sensor", "kitchen-15cm", &csv.display().to_string()];
    assert_eq!(daemon.ask(asked).status.code(), Some(0));
    assert!(stdout(&daemon.ask(["export"])).contains(",m3/m3,25,0.25,"));
}

/// Mosquitto tells the one that is thrown out why (MQTT 5.0, reason code 0x8E).
#[test]
fn two_daemons_with_one_client_id_are_told_so() {
    let broker = Mosquitto::start();
    let one = |broker: &Mosquitto| {
        let file = GardenFile::new("saltbush-gully")
            .with(WATERING)
            .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
            .sensor("kitchen-15cm", "soil-moisture", "bed = \"kitchen-bed\"\ndepth_cm = 15");
        Daemon::new(broker.port(), &[("saltbush-gully", file.text())])
    };
    let (mut first, mut second) = (one(&broker), one(&broker));
    first.start();
    wait_until("the first to listen", LIMIT, || {
        first.log().contains("listening to the broker").then_some(())
    });
    second.start();
    wait_until("the first to say so", LIMIT, || {
        first.log().contains("two programs use one client id").then_some(())
    });
    let said = first.log();
    assert!(said.contains("give each daemon its own [broker] client_id"), "{said}");
    second.kill();
    first.assert_alive();
}

/// Of two gardens whose people read otherwise each one's lines are as its own read them.
#[test]
fn what_is_said_of_one_garden_is_in_its_peoples_units() {
    let bed = "area_m2 = 7.2\nsoil = \"loam\"\ncrop = \"cabbage\"\n";
    let tank = "volume_l = 500\nspecies = \"silver perch\"\nfish = 12\n";
    let of = |site: &str| {
        let (own_bed, own_tank) = (format!("{site}-bed"), format!("{site}-tank"));
        let probe = format!("bed = \"{own_bed}\"\nevery_s = 3600\ndepth_cm = 15");
        let file = GardenFile::new(site)
            .with(WATERING)
            .bed(&own_bed, "Long bed", bed)
            .tank(&own_tank, "Perch tank", tank)
            .sensor(&format!("{site}-15cm"), "soil-moisture", &probe)
            .sensor(&format!("{site}-temp"), "water-temperature", &format!("tank = \"{own_tank}\""));
        file.text().to_owned()
    };
    let american = of("oak-hill").replacen("[site]\n", "[site]\nlocale = \"en-US\"\n", 1);
    let daemon = Daemon::new(1, &[("gum-creek", &of("gum-creek")), ("oak-hill", &american)]);
    let said = stdout(&daemon.ask(["check"]));
    let tank_of = |site: &str| {
        let name = format!("({site}-tank)");
        said.lines().find(|line| line.contains(&name)).unwrap_or_else(|| panic!("{said}")).to_owned()
    };
    assert!(tank_of("oak-hill").contains("500 L (130 US gal)"), "{said}");
    assert!(tank_of("oak-hill").contains("°F"), "{said}");
    assert!(!tank_of("gum-creek").contains("US gal") && !tank_of("gum-creek").contains("°F"), "{said}");
    drop(Store::open(&daemon.store(), &[]).expect("a store"));
    for site in ["oak-hill", "gum-creek"] {
        let litres = ["log", "watered", &format!("{site}-bed"), "--litres", "100", "--site", site];
        assert_eq!(daemon.ask(litres).status.code(), Some(0));
    }
    let log = stdout(&daemon.ask(["log", "list"]));
    let lines: Vec<&str> = log.lines().filter(|line| line.contains("100 L")).collect();
    assert_eq!(lines.len(), 2, "{log}");
    assert_eq!(lines.iter().filter(|line| line.contains("100 L (26 US gal)")).count(), 1, "{log}");
}

//! `trug import` and `trug alarms` as people run them: a year of two probes and a
//! gauge by the hour, in the forms that loggers write.

use std::collections::BTreeMap;
use std::fs;
use std::process::Output;

use crate::support::daemon::Daemon;
use crate::support::garden::{BED_KEYS, GardenFile, WATERING};
use jiff::Timestamp;
use jiff::tz::TimeZone;

/// A bed with two probes and a gauge that speak once an hour.
fn garden_text() -> String {
    let hourly = "bed = \"kitchen-bed\"\nevery_s = 3600\n";
    let file = GardenFile::new("saltbush-gully")
        .with(WATERING)
        .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
        .sensor("kitchen-15cm", "soil-moisture", &format!("{hourly}depth_cm = 15"))
        .sensor("kitchen-30cm", "soil-moisture", &format!("{hourly}depth_cm = 30"))
        .sensor("yard-gauge", "rain", "every_s = 3600");
    file.text().to_owned()
}

/// Local midnight of 1 July 2025.
const START: &str = "2025-06-30T14:30:00Z";
const HOURS: i64 = 365 * 24;
/// It rains, or somebody waters, so often.
const CYCLE_H: i64 = 20 * 24;
/// Of each cycle, the hour in which the bed grows wet: midday.
const WET_H: i64 = 12;
/// In this cycle nobody sees rain: somebody waters in the midday sun.
const WATERED: i64 = 9;

/// An hour of the made-up year: both probes dry by 0.004 m3/m3 a day from 0.28.
#[derive(Clone, Copy)]
struct Hour {
    at: Timestamp,
    probes: [f64; 2],
    rain_mm: f64,
}

fn year() -> Vec<Hour> {
    let start: Timestamp = START.parse().unwrap();
    (0..HOURS)
        .map(|hour| {
            let (cycle, into) = ((hour - WET_H).div_euclid(CYCLE_H), (hour - WET_H).rem_euclid(CYCLE_H));
            // Noise of a probe, without which it would look stuck.
            let noise = 0.0002 * ((hour * 7919 % 11) - 5) as f64;
            let content = |lag_h: i64| {
                let since = if into < lag_h { into + CYCLE_H - lag_h } else { into - lag_h };
                0.28 - 0.004 / 24.0 * since as f64 + noise
            };
            let rain_mm = if into == 0 && cycle != WATERED { 25.0 } else { 0.0 };
            let at = Timestamp::from_second(start.as_second() + hour * 3600).unwrap();
            Hour { at, probes: [content(0), content(1)], rain_mm }
        })
        .collect()
}

/// One file with a column for each sensor, its times written by `time`.
fn wide(hours: &[Hour], time: impl Fn(Timestamp) -> String) -> String {
    let mut text = "when,top,deep,rain\n".to_owned();
    for hour in hours {
        let [top, deep] = hour.probes;
        text += &format!("{},{top:.4},{deep:.4},{}\n", time(hour.at), hour.rain_mm);
    }
    text
}

const COLUMNS: [&str; 8] = [
    "--time",
    "when",
    "--sensor",
    "kitchen-15cm=top",
    "--sensor",
    "kitchen-30cm=deep",
    "--sensor",
    "yard-gauge=rain",
];

fn garden() -> Daemon {
    // No broker is asked for.
    Daemon::new(1, &[("saltbush-gully", &garden_text())])
}

/// Writes the files and imports them in one call.
fn import(daemon: &Daemon, arguments: &[&str], files: &[(&str, &str)]) -> Output {
    let mut all: Vec<String> = vec!["import".to_owned(), "--json".to_owned()];
    all.extend(arguments.iter().map(|a| (*a).to_owned()));
    for (name, text) in files {
        let path = daemon.folder().join(name);
        fs::write(&path, text).unwrap();
        all.push(path.display().to_string());
    }
    daemon.ask(all)
}

fn path(daemon: &Daemon, name: &str) -> String {
    daemon.folder().join(name).display().to_string()
}

fn json(output: &Output) -> serde_json::Value {
    let text = String::from_utf8_lossy(&output.stdout);
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text}"))
}

fn taken(output: &Output, readings: usize) -> serde_json::Value {
    let told = json(output);
    assert_eq!(output.status.code(), Some(0), "{told:#}");
    assert_eq!((&told["stored"], &told["late"]), (&readings.into(), &0.into()), "{told:#}");
    told
}

fn history(daemon: &Daemon, from: &str, to: &str) -> Vec<serde_json::Value> {
    let output = daemon.ask(["alarms", "--from", from, "--to", to, "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    json(&output).as_array().unwrap().clone()
}

fn export(daemon: &Daemon) -> String {
    String::from_utf8(daemon.ask(["export"]).stdout).unwrap()
}

/// When each alarm of a kind was raised.
fn raised(history: &[serde_json::Value]) -> BTreeMap<&str, Vec<Timestamp>> {
    let mut raised: BTreeMap<&str, Vec<Timestamp>> = BTreeMap::new();
    for change in history.iter().filter(|change| change["state"] == "unacknowledged") {
        let at = change["at"].as_str().unwrap().parse().unwrap();
        raised.entry(change["kind"].as_str().unwrap()).or_default().push(at);
    }
    raised
}

#[test]
fn a_year_is_judged_and_its_alarms_are_listed() {
    let (daemon, year) = (garden(), year());
    let told = taken(
        &import(&daemon, &COLUMNS, &[("year.csv", &wide(&year, |at| at.to_string()))]),
        3 * HOURS as usize,
    );
    let all = history(&daemon, "2025-07-01", "2026-06-30");
    let raised = raised(&all);
    let count: usize = raised.values().map(Vec::len).sum();
    assert_eq!(told["alarms_raised"], count);

    // The refill point is 0.30 - 0.4 x (0.30 - 0.10) = 0.22 m3/m3: each cycle is
    // below it from its sixteenth day. The year begins at the dry end of one.
    let start = year[0].at.as_second();
    let into_h: Vec<i64> =
        raised["dry-bed"].iter().map(|at| (at.as_second() - start) / 3600 - WET_H).collect();
    assert!((17..=19).contains(&into_h.len()), "{into_h:?}");
    for hour in into_h.iter().filter(|hour| **hour >= 0) {
        let day = hour.rem_euclid(CYCLE_H) as f64 / 24.0;
        assert!((14.5..16.5).contains(&day), "raised on day {day} of its cycle, hour {hour}");
    }
    // What wetted the bed was rain in every cycle but one.
    let watered = year[0].at.as_second() + (WET_H + WATERED * CYCLE_H) * 3600;
    let hours = raised.get("watering-hours").map_or(&[][..], Vec::as_slice);
    assert_eq!(hours.len(), 1, "{hours:?}");
    assert!((0..12 * 3600).contains(&(hours[0].as_second() - watered)), "{hours:?}");
    // A part of the year has its part of the alarms.
    let part = history(&daemon, "2025-10-01", "2025-12-31");
    assert!(!part.is_empty() && part.len() < all.len());
    assert!(part.iter().all(|change| all.contains(change)));
}

#[test]
fn files_of_one_call_are_judged_together_in_order_of_time() {
    let year: Vec<Hour> = year().into_iter().take(60 * 24).collect();
    let readings = 3 * year.len();
    let together = garden();
    taken(&import(&together, &COLUMNS, &[("all.csv", &wide(&year, |at| at.to_string()))]), readings);
    let of_all = history(&together, "2025-07-01", "2026-06-30");
    assert!(!of_all.is_empty());

    // A file for each sensor, all with the same names of columns.
    let file = |value: &dyn Fn(&Hour) -> f64| -> String {
        let rows = year.iter().map(|hour| format!("{},{:.4}\n", hour.at, value(hour)));
        "time,raw\n".to_owned() + &rows.collect::<String>()
    };
    let files = [
        ("15.csv", file(&|h| h.probes[0])),
        ("30.csv", file(&|h| h.probes[1])),
        ("g.csv", file(&|h| h.rain_mm)),
    ];
    let files: Vec<(&str, &str)> = files.iter().map(|(name, text)| (*name, text.as_str())).collect();
    let own = [
        "--sensor",
        "kitchen-15cm=15.csv:raw",
        "--sensor",
        "kitchen-30cm=30.csv:raw",
        "--sensor",
        "yard-gauge=g.csv:raw",
    ];
    let apart = garden();
    taken(&import(&apart, &own, &files), readings);
    assert_eq!(history(&apart, "2025-07-01", "2026-06-30"), of_all);
    assert_eq!(export(&apart), export(&together));

    // Two halves of the year, and one long file.
    let halves = garden();
    let (first, second) = year.split_at(year.len() / 2);
    let texts = [wide(second, |at| at.to_string()), wide(first, |at| at.to_string())];
    taken(&import(&halves, &COLUMNS, &[("b.csv", &texts[0]), ("a.csv", &texts[1])]), readings);
    assert_eq!(history(&halves, "2025-07-01", "2026-06-30"), of_all);
    let mut long = "time;sensor;raw\n".to_owned();
    for hour in &year {
        for (sensor, raw) in
            [("kitchen-15cm", hour.probes[0]), ("kitchen-30cm", hour.probes[1]), ("yard-gauge", hour.rain_mm)]
        {
            long += &format!("{};{sensor};{}\n", hour.at, format!("{raw:.4}").replace('.', ","));
        }
    }
    let by_line = garden();
    taken(&import(&by_line, &[], &[("long.csv", &long)]), readings);
    assert_eq!(history(&by_line, "2025-07-01", "2026-06-30"), of_all);
}

/// Sent one after the other, all but the first are of the past.
#[test]
fn files_of_several_calls_are_stored_and_not_judged_and_that_is_said() {
    let (daemon, year) = (garden(), year().into_iter().take(30 * 24).collect::<Vec<_>>());
    let text = wide(&year, |at| at.to_string());
    for (call, late) in [("kitchen-15cm=top", 0), ("kitchen-30cm=deep", year.len() - 1)] {
        let output = import(&daemon, &["--time", "when", "--sensor", call], &[("all.csv", &text)]);
        let told = json(&output);
        let told_late = told["late"].as_u64().unwrap() as usize;
        assert!(told_late >= late.saturating_sub(2) && told_late <= late, "{told:#}");
    }
}

#[test]
fn every_form_of_time_gives_the_same_readings() {
    let zone = TimeZone::get("Australia/Adelaide").unwrap();
    // A summer, with both changes of the clock.
    let year: Vec<Hour> = year().into_iter().skip(90 * 24).take(200 * 24).collect();
    let readings = 3 * year.len();
    let imported = |extra: &[&str], time: &dyn Fn(Timestamp) -> String| -> (String, serde_json::Value) {
        let daemon = garden();
        let arguments: Vec<&str> = COLUMNS.iter().chain(extra).copied().collect();
        let output = import(&daemon, &arguments, &[("summer.csv", &wide(&year, time))]);
        let told = taken(&output, readings);
        (export(&daemon), told)
    };
    let (expected, _) = imported(&[], &|at| at.to_string());
    let standard = TimeZone::fixed(jiff::tz::Offset::from_seconds(34_200).unwrap());
    let local = |zone: &TimeZone, form: &'static str| {
        let zone = zone.clone();
        move |at: Timestamp| zone.to_datetime(at).strftime(form).to_string()
    };
    // 9:30 or 10:30 hours ahead of UTC.
    let with_offset = |between: &'static str, colon: &'static str| {
        let zone = zone.clone();
        move |at: Timestamp| {
            let hours = zone.to_offset(at).seconds() / 3600;
            format!("{}{between}+{hours:02}{colon}30", zone.to_datetime(at).strftime("%Y-%m-%d %H:%M"))
        }
    };
    let no: &[&str] = &[];
    for (extra, time, twice) in [
        (no, Box::new(with_offset("", ":")) as Box<dyn Fn(Timestamp) -> String>, 0),
        (no, Box::new(with_offset(" ", "")), 0),
        (no, Box::new(|at| at.as_second().to_string()), 0),
        (no, Box::new(|at| at.as_millisecond().to_string()), 0),
        // The garden's own clock: at 2 am on 5 April an hour comes twice.
        (no, Box::new(local(&zone, "%Y-%m-%d %H:%M")), 6),
        (&["--utc-offset", "+09:30"], Box::new(local(&standard, "%Y-%m-%dT%H:%M")), 0),
        (&["--time-format", "%d/%m/%Y %H:%M"], Box::new(local(&zone, "%d/%m/%Y %H:%M")), 6),
    ] {
        let (got, told) = imported(extra, &*time);
        let shown = time(year[0].at);
        assert!(got == expected, "{shown} is read otherwise");
        assert_eq!(told["told_by_order"], twice, "{shown}");
    }
}

#[test]
fn what_cannot_be_taken_is_said_and_takes_nothing_from_the_rest() {
    let daemon = garden();
    let text = "when,top,deep,rain\n\
                2026-02-01 06:00,0.25,0.26,0\n\
                2026-02-01 07:00,NA,,-\n\
                2026-02-01 08:00,0.25,wet,0\n\
                soon,0.25,0.26,0\n\
                2026-04-05 02:30,0.25,0.26,0\n\
                2025-10-05 02:30,0.25,0.26,0\n\
                2999-01-01 00:00,0.25,0.26,0\n";
    // Unless the rest is asked for, nothing is left behind.
    let output = import(&daemon, &COLUMNS, &[("odd.csv", text)]);
    let told = json(&output);
    assert_eq!(output.status.code(), Some(1), "{told:#}");
    assert_eq!((&told["stored"], &told["would_take"]), (&0.into(), &5.into()), "{told:#}");
    assert_eq!(told["refused"].as_array().unwrap().len(), 5, "{told:#}");
    assert!(!daemon.store().exists(), "a store was made");

    let asked: Vec<&str> = COLUMNS.iter().copied().chain(["--skip-refused"]).collect();
    let output = import(&daemon, &asked, &[("odd.csv", text)]);
    let told = json(&output);
    assert_eq!(output.status.code(), Some(1), "{told:#}");
    assert_eq!((&told["stored"], &told["lines_without_a_value"]), (&5.into(), &1.into()), "{told:#}");
    let refused: Vec<(u64, &str)> = told["refused"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| (r["line"].as_u64().unwrap(), r["reason"].as_str().unwrap()))
        .collect();
    for (line, part) in [
        (4, "the value \"wet\" is not a finite number"),
        (5, "is not a time; accepted are"),
        (6, "the time comes twice"),
        (7, "does not come on the garden's clock"),
        (8, "before 1950 or in the future"),
    ] {
        assert!(
            refused.iter().any(|(at, why)| *at == line && why.contains(part)),
            "{line} {part}: {refused:?}"
        );
    }
    assert_eq!(refused.len(), 5, "{refused:?}");
}

#[test]
fn names_that_are_not_there_take_nothing() {
    let text = "when,top\n2026-02-01 06:00,0.25\n";
    for (arguments, part) in [
        (
            &["--time", "when", "--sensor", "kitchen-15cm=middle"][..],
            "no column of --sensor kitchen-15cm=middle",
        ),
        (&["--time", "when", "--sensor", "kitchen-15=top"], "the nearest is \"kitchen-15cm\""),
        (&["--time", "at", "--time", "day", "--sensor", "kitchen-15cm=top"], "no column \"at\" or \"day\""),
        (&["--time", "when"], "Name the sensor with --sensor ID"),
        (&["--time", "when", "--sensor", "kitchen-15cm=top", "--utc-offset", "ACST"], "is no offset"),
        (
            &["--time", "when", "--sensor", "kitchen-15cm=top", "--sensor", "yard-gauge=rain"],
            "no file has the column of --sensor yard-gauge=rain",
        ),
    ] {
        let daemon = garden();
        let output = import(&daemon, arguments, &[("a.csv", text)]);
        let told = json(&output);
        let said = told["text"].as_str().unwrap();
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(part) && said.contains("Nothing was taken"), "{part}: {said}");
        assert!(!daemon.store().exists(), "{part}: a store was made");
    }
}

#[test]
fn a_dry_run_says_what_would_come_and_writes_nothing() {
    let daemon = garden();
    let text = "time,raw\n2026-02-01T06:00:00Z,0.25\n2026-02-01T07:00:00Z,0.20\n2026-02-01T08:00:00Z,0.24\n";
    let dry = ["--sensor", "kitchen-15cm", "--dry-run"];
    let told = json(&import(&daemon, &dry, &[("a.csv", text)]));
    assert!(!daemon.store().exists(), "a store was made");
    let sensor = &told["sensors"][0];
    assert_eq!((&told["would_take"], &sensor["sensor"]), (&3.into(), &"kitchen-15cm".into()), "{told:#}");
    assert_eq!(
        (&sensor["raw"], &sensor["value"]),
        (&serde_json::json!([0.2, 0.25]), &sensor["raw"]),
        "{told:#}"
    );
    assert_eq!((&sensor["repeated"], &sensor["conflicting"]), (&0.into(), &0.into()), "{told:#}");

    taken(&import(&daemon, &["--sensor", "kitchen-15cm"], &[("a.csv", text)]), 3);
    let before = export(&daemon);
    let other = text.replace("0.20", "0.21").replace("08:00", "09:00");
    let told = json(&import(&daemon, &dry, &[("b.csv", &other)]));
    let sensor = &told["sensors"][0];
    assert_eq!((&sensor["repeated"], &sensor["conflicting"]), (&1.into(), &1.into()), "{told:#}");
    assert_eq!(export(&daemon), before);
    let words = daemon.ask(["import", "--sensor", "kitchen-15cm", "--dry-run", &path(&daemon, "b.csv")]);
    let words = String::from_utf8(words.stdout).unwrap();
    assert!(words.contains("3 readings from Sunday 1 February 2026, 4:30 pm to"), "{words}");
    assert!(words.ends_with("Nothing was written: this was a dry run.\n"), "{words}");
}

#[test]
fn an_import_is_taken_back_by_its_number() {
    let daemon = garden();
    let line = |hour: u32, raw: f64| format!("2026-02-01T{hour:02}:00:00Z,{raw}\n");
    let first = format!("time,raw\n{}{}", line(6, 0.25), line(7, 0.24));
    let second = format!("time,raw\n{}{}", line(7, 0.24), line(8, 2.5));
    let own = ["--sensor", "kitchen-15cm"];
    assert_eq!(taken(&import(&daemon, &own, &[("a.csv", &first)]), 2)["batch"], 1);
    let before = (export(&daemon), history(&daemon, "2026-01-01", "2026-03-01"));
    let again = || {
        let told = json(&import(&daemon, &own, &[("b.csv", &second)]));
        (told["stored"].as_u64().unwrap(), told["repeated"].as_u64().unwrap(), told["batch"].as_u64())
    };
    assert_eq!(again(), (1, 1, Some(2)));
    assert_ne!(export(&daemon), before.0);

    let undo = |number: &str| daemon.ask(["import", "--undo", number, "--json"]);
    let undone = undo("2");
    assert_eq!((undone.status.code(), &json(&undone)["readings"]), (Some(0), &1.into()));
    assert_eq!((export(&daemon), history(&daemon, "2026-01-01", "2026-03-01")), before);
    let batches = json(&daemon.ask(["import", "--batches", "--json"]));
    assert_eq!(batches.as_array().unwrap().len(), 2, "{batches:#}");
    assert!(batches[0]["undone_at"].is_null() && batches[1]["undone_at"].is_string(), "{batches:#}");
    assert!(batches[1]["files"].as_str().unwrap().ends_with("b.csv"), "{batches:#}");
    for (number, part) in [("2", "taken back already"), ("7", "No import has the number 7; there are: 1, 2")]
    {
        let output = undo(number);
        assert_eq!(output.status.code(), Some(2));
        assert!(json(&output)["text"].as_str().unwrap().contains(part), "{number}");
    }
    // It can be taken once more.
    assert_eq!(again(), (1, 1, Some(3)));
    // What brings nothing new is no batch.
    assert_eq!(again(), (0, 2, None));
}

#[test]
fn one_file_has_one_form_of_time() {
    let text = "time,raw\n2026-02-01 06:00,0.25\n2026-02-01T07:00:00+10:30,0.24\n1769898600,0.23\n2026-02-01 09:00,0.22\n";
    let daemon = garden();
    let told = json(&import(&daemon, &["--sensor", "kitchen-15cm"], &[("mixed.csv", text)]));
    let refused = told["refused"].as_array().unwrap();
    let lines: Vec<u64> = refused.iter().map(|line| line["line"].as_u64().unwrap()).collect();
    assert_eq!(lines, [3, 4], "{told:#}");
    let reason = refused[0]["reason"].as_str().unwrap();
    assert!(
        reason.contains("written with their offset") && reason.contains("one file has one form"),
        "{reason}"
    );
    // Two files may differ.
    let files = [
        ("a.csv", "time,raw\n2026-02-01 06:00,0.25\n"),
        ("b.csv", "time,raw\n2026-02-01T07:00:00+10:30,0.24\n"),
    ];
    taken(&import(&daemon, &["--sensor", "kitchen-15cm"], &files), 2);
}

/// Adelaide is at UTC+10:30 in February: IANA time zone database.
#[test]
fn date_and_time_may_stand_in_two_columns() {
    for (more, text) in [
        (&[][..], "day,clock,raw\n2026-02-01,06:00,0.25\n"),
        (&["--time-format", "%d/%m/%Y %H:%M"], "day,clock,raw\n01/02/2026,06:00,0.25\n"),
    ] {
        let daemon = garden();
        let columns = ["--sensor", "kitchen-15cm", "--date", "day", "--time", "clock"];
        let all: Vec<&str> = columns.iter().chain(more).copied().collect();
        taken(&import(&daemon, &all, &[("a.csv", text)]), 1);
        assert!(export(&daemon).contains("2026-01-31T19:30:00Z"), "{}", export(&daemon));
        let output =
            import(&daemon, &["--sensor", "kitchen-15cm", "--date", "date"], &[("a.csv", "time,raw\n")]);
        assert!(json(&output)["text"].as_str().unwrap().contains("no column \"date\""));
    }
}

#[test]
fn lines_are_numbered_under_cr_and_lf() {
    let daemon = garden();
    let text = "time,raw\r\n2026-02-01 06:00,0.25\r\n2026-02-01 07:00,wet\r\n";
    let told = json(&import(&daemon, &["--sensor", "kitchen-15cm"], &[("dos.csv", text)]));
    assert_eq!(told["refused"][0]["line"], 3, "{told:#}");
}

#[test]
fn one_is_counted_as_one() {
    let daemon = garden();
    fs::write(path(&daemon, "a.csv"), "time,raw\n2026-02-01T06:00:00Z,0.25\n2026-02-01T07:00:00Z,\n")
        .unwrap();
    let output = daemon.ask(["import", "--sensor", "kitchen-15cm", &path(&daemon, "a.csv")]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.starts_with("1 reading stored, 0 were there already.\n"), "{said}");
    assert!(said.contains("\n1 line had no value.\n") && said.contains("\n0 alarms were raised"), "{said}");
}

/// Open records are older than most loggers in a school garden.
#[test]
fn a_record_of_long_ago_is_taken_by_its_own_times() {
    let daemon = garden();
    let text = "time,raw\n2012-03-11T06:00:00Z,0.25\n2012-03-11T07:00:00Z,0.24\n";
    taken(&import(&daemon, &["--sensor", "kitchen-15cm"], &[("old.csv", text)]), 2);
    let exported = export(&daemon);
    assert!(exported.contains("2012-03-11T06:00:00Z,saltbush-gully,kitchen-15cm"), "{exported}");
    assert!(exported.lines().skip(1).all(|line| line.ends_with("no,device")), "{exported}");
}

/// As people run it: yes, no, wrong input, failed; beside a daemon it only looks.
#[test]
fn a_replay_answers_and_leaves_a_running_daemons_store_alone() {
    let (mut daemon, mut hours) = (garden(), year());
    hours.truncate(20 * 24);
    let lines = 3 * hours.len();
    taken(&import(&daemon, &COLUMNS, &[("days.csv", &wide(&hours, |at| at.to_string()))]), lines);
    let replay = |daemon: &Daemon, more: &[&str]| {
        let output = daemon.ask(["replay", "--from", "2025-07-01", "--to", "2025-07-31"].iter().chain(more));
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        (output.status.code(), said, String::from_utf8_lossy(&output.stderr).into_owned())
    };
    let (code, said, _) = replay(&daemon, &[]);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.starts_with(&format!("{lines} readings replayed, from ")), "{said}");
    let wrong = daemon.ask(["replay", "--from", "2024-01-01", "--to", "2024-02-01", "--json"]);
    assert_eq!(wrong.status.code(), Some(2));

    let file = daemon.folder().join("gardens").join("saltbush-gully.toml");
    let text = garden_text();
    let probe = "id = \"kitchen-15cm\"\n";
    assert!(text.contains(probe));
    let corrected = format!("{probe}calibration = {{ polynomial = [0.05, 1] }}\n");
    fs::write(file, text.replace(probe, &corrected)).unwrap();
    let (code, said, _) = replay(&daemon, &["--json"]);
    let told: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!(code, Some(1), "{told:#}");
    assert_eq!(told["readings_differ"], hours.len(), "{told:#}");
    assert_eq!(told["sensors"][0]["values_changed"], hours.len());

    daemon.start_with_page();
    let (code, _, wrong) = replay(&daemon, &["--apply"]);
    assert_eq!(code, Some(3), "{wrong}");
    assert!(wrong.contains("stop it first"), "{wrong}");
    assert_eq!(replay(&daemon, &[]).0, Some(1), "looking goes on beside it");
    daemon.terminate();
    let (code, said, wrong) = replay(&daemon, &["--apply"]);
    assert_eq!(code, Some(0), "{said}{wrong}");
    assert!(said.contains("is kept in the store's tables"), "{said}");
    assert_eq!(replay(&daemon, &[]).0, Some(0));
}

/// A line of 400 MB took 1.3 GB, and one of a hundred million commas 4.4 GB.
#[test]
fn a_file_that_is_no_table_is_refused_before_it_fills_the_memory() {
    let daemon = garden();
    let long = format!("time,raw\n2026-04-17T06:00:00Z,1\n{}\n", "x".repeat(2_000_000));
    let commas = format!("time,raw\n{}", ",".repeat(2_000_000));
    for (text, line) in [(&long, 3), (&commas, 2)] {
        let output = import(&daemon, &["--sensor", "kitchen-15cm"], &[("long.csv", text)]);
        assert_eq!(output.status.code(), Some(2));
        let told =
            String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
        let words = format!("line {line} is longer than 1048576 bytes");
        assert!(told.contains(&words) && told.contains("Nothing was taken"), "{told}");
    }
    // A quote that is never closed makes one line of all that follow.
    let open = format!("time,raw\n2026-04-17T06:00:00Z,1\n\"{}", "x,1\n".repeat(400_000));
    let output = import(&daemon, &["--sensor", "kitchen-15cm", "--skip-refused"], &[("open.csv", &open)]);
    let told = json(&output);
    assert_eq!((output.status.code(), &told["stored"]), (Some(1), &1.into()), "{told:#}");
    assert!(
        told["refused"][0]["reason"].as_str().unwrap().contains("stand in one line's quotes"),
        "{told:#}"
    );
}

/// Millions of lines that were no readings took 2.4 GB.
#[test]
fn of_many_bad_lines_as_many_are_kept_as_there_is_room_for() {
    let daemon = garden();
    let bad = format!("2026-04-17T06:00:00Z,{}\n", "x".repeat(3000));
    let text = format!("time,raw\n{}2026-04-17T06:00:00Z,7\n", bad.repeat(15_000));
    let output = import(&daemon, &["--sensor", "kitchen-15cm", "--skip-refused"], &[("bad.csv", &text)]);
    let told = json(&output);
    assert_eq!((output.status.code(), &told["stored"]), (Some(1), &1.into()));
    let kept = told["refused"].as_array().unwrap();
    let more = usize::try_from(told["refused_not_kept"].as_u64().unwrap()).unwrap();
    assert_eq!(kept.len() + more, 15_000);
    assert!((9_000..12_000).contains(&kept.len()), "{}", kept.len());
    assert!(kept[0]["reason"].as_str().unwrap().len() <= 300);
}

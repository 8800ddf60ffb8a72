//! `trug calibrate`: what it prints can be pasted, and what the pairs do not
//! support is refused in plain words.

use std::process::Command;

use serde_json::Value as Json;
use trug::commands::calibrate::{self, Calibrate};

use crate::support::garden::{SHIPPED, settings};

/// A probe in a pot of the kitchen bed's soil, weighed as it dried; invented.
const DRYING: &str = "raw,value\n2900,0.052\n2640,0.11\n2410,0.171\n2150,0.229\n1890,0.290\n1450,0.401\n";

/// What the command prints for the text of a file, and its exit code.
fn calibrate_with(csv: &str, change: impl FnOnce(&mut Calibrate)) -> (u8, String) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("pairs.csv");
    std::fs::write(&file, csv).unwrap();
    let (raw, value) = ("raw".to_owned(), "value".to_owned());
    let mut it = Calibrate { file, sensor: None, site: None, raw, value, json: false };
    change(&mut it);
    let mut out = Vec::new();
    let code = calibrate::run(Some(&settings(SHIPPED)), &it, &mut out).unwrap().code();
    (code, String::from_utf8(out).unwrap())
}

fn json_of(csv: &str, sensor: Option<&str>) -> (u8, Json) {
    let (code, text) = calibrate_with(csv, |it| {
        it.json = true;
        it.sensor = sensor.map(str::to_owned);
    });
    (code, serde_json::from_str(&text).unwrap())
}

#[test]
fn the_line_that_is_printed_is_read_as_the_calibration_that_was_fitted() {
    let bent: String = (0..9)
        .map(|n| f64::from(n) * 200.0 + 1000.0)
        .map(|raw| format!("{raw},{}\n", 1e-7 * (raw - 800.0) * (raw - 800.0)))
        .collect();
    let broken: String = (0..9)
        .map(|n| f64::from(n) * 200.0 + 1000.0)
        .map(|raw| format!("{raw},{}\n", 1e-4 * (raw - 1000.0) + 4e-4 * (raw - 1800.0).max(0.0)))
        .collect();
    for (csv, form) in [
        (DRYING.to_owned(), "straight line"),
        (format!("raw,value\n{bent}"), "parabola"),
        (format!("raw,value\n{broken}"), "lines from point to point"),
    ] {
        let (code, told) = json_of(&csv, Some("kitchen-15cm"));
        assert_eq!((code, told["form"].as_str()), (0, Some(form)), "{told:#}");
        let line = told["toml"].as_str().unwrap();
        let place = SHIPPED.find("id = \"kitchen-15cm\"").unwrap();
        let old = SHIPPED[place..].lines().find(|line| line.starts_with("calibration")).unwrap();
        let garden = format!("{}{}", &SHIPPED[..place], SHIPPED[place..].replacen(old, line, 1));
        let read = settings(&garden);
        let sensor = read.gardens[0].sensors.iter().find(|s| s.id.as_str() == "kitchen-15cm").unwrap();
        let largest = told["error"]["largest"].as_f64().unwrap();
        for pair in csv.lines().skip(1) {
            let (raw, value) = pair.split_once(',').unwrap();
            let (raw, value): (f64, f64) = (raw.parse().unwrap(), value.parse().unwrap());
            let got = sensor.calibrations[0].calibration.convert(raw).unwrap();
            assert!((got - value).abs() <= largest + 1e-5, "{form}: {raw}: {got}, {value} given");
        }
    }
}

/// The errors of six pairs on a line, left out one by one, by hand in a
/// spreadsheet's way: ordinary least squares of the other five.
#[test]
fn the_error_is_that_of_leaving_each_pair_out() {
    let pairs: Vec<(f64, f64)> = DRYING
        .lines()
        .skip(1)
        .map(|line| line.split_once(',').unwrap())
        .map(|(raw, value)| (raw.parse().unwrap(), value.parse().unwrap()))
        .collect();
    let foretold = |out: usize| {
        let others: Vec<_> = pairs.iter().enumerate().filter(|(i, _)| *i != out).map(|(_, p)| *p).collect();
        let n = 5.0;
        let sum = |f: &dyn Fn(f64, f64) -> f64| others.iter().map(|&(x, y)| f(x, y)).sum::<f64>();
        let (sx, sy) = (sum(&|x, _| x), sum(&|_, y| y));
        let slope = (n * sum(&|x, y| x * y) - sx * sy) / (n * sum(&|x, _| x * x) - sx * sx);
        sy / n + slope * (pairs[out].0 - sx / n)
    };
    let errors: Vec<f64> = (0..6).map(|i| (foretold(i) - pairs[i].1).abs()).collect();
    let rmse = (errors.iter().map(|e| e * e).sum::<f64>() / 6.0).sqrt();
    let (_, told) = json_of(DRYING, None);
    let got = &told["tried"][0];
    assert_eq!(got["form"], "straight line");
    assert!((got["error"]["rmse"].as_f64().unwrap() - rmse).abs() < 1e-9, "{rmse}: {got}");
    let largest = errors.iter().copied().fold(0.0, f64::max);
    assert!((got["error"]["largest"].as_f64().unwrap() - largest).abs() < 1e-9);
}

#[test]
fn a_sensor_brings_its_unit_its_bed_and_its_present_calibration() {
    let (code, text) = calibrate_with(DRYING, |it| it.sensor = Some("kitchen-15cm".to_owned()));
    assert_eq!(code, 0);
    for words in [
        "6 pairs at 6 places",
        "m3/m3",
        "<- taken",
        "has now is off by",
        "id = \"kitchen-15cm\"",
        "calibration = { points",
    ] {
        assert!(text.contains(words), "{words:?} is missing from:\n{text}");
    }
    assert!(
        !text.contains("measure drier"),
        "the pairs reach from below wilting to above field capacity:\n{text}"
    );
    let (_, text) = calibrate_with("raw,value\n2600,0.12\n2300,0.19\n2000,0.26\n", |it| {
        it.sensor = Some("kitchen-15cm".to_owned());
    });
    assert!(text.contains("measure drier and wetter soil"), "{text}");
}

#[test]
fn two_pairs_are_taken_with_a_warning() {
    let (code, text) = calibrate_with("raw,value\n2900,0.05\n1450,0.40\n", |_| {});
    assert_eq!(code, 0);
    assert!(text.contains("The error is unknown"), "{text}");
    assert!(text.ends_with("calibration = { points = [[1450, 0.4], [2900, 0.05]] }\n"), "{text}");
}

#[test]
fn what_the_pairs_do_not_support_is_answered_with_no() {
    for (csv, words) in [
        ("raw,value\n", "too few pairs (0)"),
        ("raw,value\n2000,0.2\n", "too few pairs (1)"),
        ("raw,value\n2000,0.2\n2000,0.3\n", "all raw numbers are 2000"),
        ("raw,value\n2000,0.2\n3000,0.2\n", "all values are 0.2"),
        ("raw,value\n1000,0.4\n2000,0.1\n2005,0.3\n3000,0.05\n", "cannot mean both"),
        ("raw,value\n1000,0.4\n2000,0.1\n2500,0.25\n3000,0.05\n", "turn back"),
        ("raw,value\n0,0\n1,0.01\n2,0.02\n3,0.9\n", "no curve foretells"),
    ] {
        let (code, text) = calibrate_with(csv, |_| {});
        assert_eq!(code, 1, "{csv}{text}");
        assert!(text.contains(words), "{words:?} is missing from: {text}");
        assert!(!text.contains("calibration = {"), "{text}");
        let (code, told) = json_of(csv, None);
        assert_eq!((code, told["answer"].as_str()), (1, Some("no")));
    }
}

#[test]
fn wrong_input_is_told_with_its_line() {
    for (csv, sensor, words) in [
        ("count,theta\n1,2\n", None, "no column \"raw\"; its columns are: count, theta"),
        ("raw,value\n2900,0.05\n1450,dry\n", None, "line 3: the value \"dry\" is not a finite number"),
        ("raw,value\r\n2900,0.05\r\n1450,dry\r\n", None, "line 3: the value \"dry\""),
        ("raw,value\n2900,\n1450,0.4\n", None, "line 2: a number is missing"),
        ("raw,value\n2900,\"0,05\"\n", None, "a comma where a point is read"),
        ("raw,value\n2900,nan\n", None, "line 2: a number is missing"),
        ("raw,value\n2900,5\n1450,40\n", Some("kitchen-15cm"), "percent are divided by 100"),
        ("raw,value\n2900,0.05\n", Some("kitchen-15"), "the nearest is \"kitchen-15cm\""),
        ("", None, "no column"),
    ] {
        let (code, text) = calibrate_with(csv, |it| it.sensor = sensor.map(str::to_owned));
        assert_eq!(code, 2, "{csv}{text}");
        assert!(text.contains(words), "{words:?} is missing from: {text}");
    }
    let (code, text) = calibrate_with("", |it| it.file = "no/such.csv".into());
    assert_eq!((code, text.contains("no/such.csv")), (2, true), "{text}");
}

#[test]
fn other_columns_blank_lines_and_a_byte_order_mark_do_no_harm() {
    let csv = "\u{feff}who,counts,theta\nAmy,2900,0.05\n,,\nAmy, 1450 ,0.40\n";
    let (code, text) = calibrate_with(csv, |it| {
        it.raw = "counts".to_owned();
        it.value = "theta".to_owned();
    });
    assert_eq!(code, 0, "{text}");
    assert!(text.starts_with("2 pairs"), "{text}");
}

/// Semicolons, decimal commas, tabs and words for a missing number: what `trug import`
/// reads.
#[test]
fn what_import_reads_is_read_here_too() {
    let (code, points) = calibrate_with("raw,value\n2900,0.05\n1450,0.40\n", |_| {});
    assert_eq!(code, 0, "{points}");
    for csv in
        ["\u{feff}raw;value\r\n2900;0,05\r\nNA;-\r\n1450;0,40\r\n", "raw\tvalue\n2900\t0.05\n\n1450\t0.40\n"]
    {
        assert_eq!(calibrate_with(csv, |_| {}), (0, points.clone()), "{csv:?}");
    }
}

#[test]
fn the_program_needs_no_configuration_where_no_sensor_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("pairs.csv");
    std::fs::write(&file, DRYING).unwrap();
    let ran = Command::new(env!("CARGO_BIN_EXE_trug"))
        .current_dir(folder.path())
        .args(["calibrate", "pairs.csv", "--json"])
        .output()
        .unwrap();
    assert_eq!(ran.status.code(), Some(0), "{ran:?}");
    let told: Json = serde_json::from_slice(&ran.stdout).unwrap();
    assert_eq!(told["pairs"], 6);
}

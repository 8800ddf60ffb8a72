//! `trug water`: litres given beside litres needed, from the store to words and JSON.

use jiff::Timestamp;
use serde_json::Value;
use trug::commands::exit::finish;
use trug::commands::water::{Water, run};
use trug::garden::plan::Garden;
use trug::quality::Flag;
use trug::store::Reader;

use crate::support::garden::{GardenFile, WATERING, local};
use crate::support::month::{reading, store};
use crate::support::plain_words::assert_plain;

const BED: &str = "area_m2 = 10\nsoil = \"sandy loam\"\ncrop = \"cabbage\"\n";
const TIMED: &str = "area_m2 = 10\nsoil = \"sandy loam\"\ncrop = \"cabbage\"\n\
                     irrigation = { litres_per_hour = 60, efficiency = 0.9 }\n";

fn program(name: &str, minutes: u16, from: &str, to: &str) -> String {
    format!(
        "[[program]]\nname = \"{name}\"\nbeds = [\"timed\"]\nevery_days = 2\nfrom = {from}\nto = {to}\nstarts = [\"05:00\"]\n\
         minutes = {minutes}\n"
    )
}

/// A bed with a meter of its own, one whose waterings nobody measures, and one whose timer was
/// set to less on the 16th.
fn garden() -> Garden {
    let hourly = "every_s = 3600\n";
    let probe = |bed: &str| format!("bed = \"{bed}\"\ndepth_cm = 15\n{hourly}");
    GardenFile::new("saltbush-gully")
        .with(WATERING)
        .with("[[holiday]]\nfrom = 2025-12-20\nto = 2026-02-28\nquiet = [\"dry-bed\"]\n")
        .bed("metered", "Metered bed", BED)
        .bed("plain", "Plain bed", BED)
        .bed("timed", "Timed bed", TIMED)
        .sensor("metered-probe", "soil-moisture", &probe("metered"))
        .sensor("meter", "water-flow", &format!("bed = \"metered\"\n{hourly}"))
        .sensor("plain-probe", "soil-moisture", &probe("plain"))
        .sensor("timed-probe", "soil-moisture", &probe("timed"))
        .sensor("gauge", "rain", &format!("{hourly}calibration = {{ mm_per_tip = 0.2 }}"))
        .sensor("air", "air-temperature", hourly)
        .with(&program("before", 30, "2026-01-02", "2026-03-15"))
        .with(&program("after", 20, "2026-03-17", "2026-12-31"))
        .garden()
}

/// From the middle of February to the end of March: at 5 am of each sixth day 60 L run through
/// the meter and two beds grow wetter; at 5 am of each second day the timed one does.
fn stored() -> (tempfile::TempDir, Garden, Reader) {
    let (garden, folder) = (garden(), tempfile::tempdir().expect("a folder"));
    let (from, to) = (local("2026-02-13T00:00"), local("2026-04-01T00:00"));
    let hours = (to.as_second() - from.as_second()) / 3600;
    let mut readings = Vec::new();
    for hour in 0..hours {
        let at = Timestamp::from_second(from.as_second() + hour * 3600).expect("in range");
        let (days, of_day) = (hour as f64 / 24.0, hour % 24);
        let since = |every: f64| (days - 5.5 / 24.0).rem_euclid(every);
        // A real probe's last digit moves.
        let moving = 0.0002 * (hour % 3 - 1) as f64;
        let sixth = 0.14 + 0.06 * (-since(6.0) / 3.0).exp() + moving;
        let second = 0.14 + 0.03 * (-since(2.0) / 1.5).exp() + moving;
        let litres = if (hour / 24) % 6 == 0 && of_day == 6 { 60.0 } else { 0.0 };
        let air = 20.0 - 7.0 * ((of_day as f64 - 3.0) / 24.0 * std::f64::consts::TAU).cos();
        let rain = if at == local("2026-03-12T03:00") { 4.0 } else { 0.0 };
        for (sensor, value) in (0..).zip([sixth, litres, sixth, second, rain, air]) {
            readings.push(reading(sensor, at, value, Flag::Pass));
        }
    }
    let reader = store(&folder.path().join("trug.db"), &garden, readings);
    (folder, garden, reader)
}

fn ask(garden: &Garden, reader: &Reader, it: Water) -> (u8, String) {
    let mut out = Vec::new();
    let ended = run(reader, std::slice::from_ref(garden), &it, local("2026-03-31T12:00"), &mut out);
    let code = finish(ended, it.json, &mut out).code();
    let text = String::from_utf8(out).expect("text");
    if !it.json {
        assert_plain(&text);
    }
    (code, text)
}

fn days(from: &str, to: &str) -> Water {
    Water { from: Some(from.to_owned()), to: Some(to.to_owned()), ..Water::default() }
}

fn near(got: &Value, expected: f64, by: f64) {
    let got = got.as_f64().unwrap_or_else(|| panic!("{got} is no number"));
    assert!((got - expected).abs() <= by, "{got} is not {expected} to {by}");
}

/// 30 days of FAO-56 eq. 52 (Hargreaves) between 13 and 27 degrees C at 34.93 degrees south come
/// to 129.58 mm, worked out apart from this project; 1.05 is the mid-season coefficient of
/// cabbage (FAO-56 table 12). Of that 4 mm fell.
const NEEDED_L: f64 = (129.58 * 1.05 - 4.0) * 10.0;

#[test]
fn litres_that_were_measured_stand_beside_those_needed_and_others_are_not_known() {
    let (_folder, garden, reader) = stored();
    let march = || days("2026-03-01", "2026-03-30");
    let (code, text) = ask(&garden, &reader, march());
    assert_eq!(code, 0, "{text}");
    let (json_code, json) = ask(&garden, &reader, Water { json: true, ..march() });
    assert_eq!(json_code, 0, "{json}");
    let json: Value = serde_json::from_str(&json).expect("JSON");
    let [metered, plain, timed] = json["beds"].as_array().expect("beds").as_slice() else {
        panic!("three beds in {json}")
    };

    // 3, 9, 15, 21 and 27 March.
    near(&metered["given_l"], 300.0, 1e-6);
    near(&metered["needed_l"], NEEDED_L, 0.001 * NEEDED_L);
    near(&metered["rain_l"], 40.0, 1e-6);
    assert_eq!((&metered["days"], &metered["days_known"]), (&30.into(), &30.into()));
    assert!(text.contains("  Metered bed: 300 L given, "), "{text}");
    assert!(text.contains("less than needed (on 30 of 30 days)."), "{text}");

    assert_eq!((&plain["given_l"], &plain["bed"]), (&Value::Null, &"plain".into()));
    let why = "of 5 waterings the litres are not known";
    assert!(plain["unknown"].as_str().is_some_and(|unknown| unknown.starts_with(why)), "{plain}");
    assert!(text.contains(&format!("  Plain bed: what it was given is not known: {why}")), "{text}");

    // At 60 L an hour 8 runs of half an hour to the 15th and 7 of 20 minutes from the 17th, of which
    // nine tenths reach the roots; 15 of half an hour would have been 70 L more.
    near(&timed["given_l"], 0.9 * (8.0 * 30.0 + 7.0 * 20.0), 1.0);
    near(&timed["timer_saved_l"], 70.0, 1e-6);
    assert!(text.contains("    Its timer was set to less; that has saved 70 L so far."), "{text}");
}

#[test]
fn a_term_begins_after_the_holidays_and_ends_today_and_wrong_days_are_told() {
    let (_folder, garden, reader) = stored();
    let (_, json) = ask(&garden, &reader, Water { json: true, ..Water::default() });
    let json: Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!((&json["from"], &json["to"]), (&"2026-03-01".into(), &"2026-03-31".into()));

    let refused = |it: Water, garden: &Garden| {
        let (code, text) = ask(garden, &reader, Water { json: true, ..it });
        (code, text.is_empty() || text.contains("\"error\""))
    };
    for wrong in [
        days("the first", "2026-03-30"),
        days("2026-03-30", "2026-03-01"),
        days("2020-03-01", "2026-03-30"),
        Water { site: Some("no-such-garden".to_owned()), ..Water::default() },
    ] {
        assert_eq!(refused(wrong.clone(), &garden), (2, true), "{wrong:?}");
    }
    let mut no_term = garden;
    no_term.site.holidays.clear();
    assert_eq!(refused(Water::default(), &no_term), (2, true), "no term begins");
}

/// Where nothing at all is known of any bed the answer is no.
#[test]
fn days_before_the_record_are_not_known_and_the_answer_is_no() {
    let (_folder, garden, reader) = stored();
    let (code, text) = ask(&garden, &reader, days("2025-12-01", "2025-12-31"));
    assert_eq!(code, 1, "{text}");
    assert_eq!(text.matches("what it was given is not known").count(), 3, "{text}");
}

//! `[[program]]`: what a timer does is read, and every fault is told at its line.

use trug::garden::plan::Program;
use trug::settings::{Fault, from_text};
use trug::watering::{ProgramDays, Timetable};

use crate::support::garden::{BED_KEYS, GardenFile, WATERING};

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"trug.db\"\n";
const MORNING: &str = "[[program]]\nname = \"morning drip\"\nbeds = [\"pea-bed\", \"bean-bed\"]\n\
                       days = [\"mon\", \"wed\"]\nstarts = [\"06:00\"]\nminutes = 20\n";

fn base() -> GardenFile {
    GardenFile::new("school")
        .with(WATERING)
        .bed("pea-bed", "Pea bed", BED_KEYS)
        .bed("bean-bed", "Bean bed", &format!("{BED_KEYS}watering = {{ allowed = [\"05:00-07:00\"] }}\n"))
        .probe("pea", "pea-bed", 15)
        .probe("bean", "bean-bed", 15)
}

fn read(more: &str) -> Result<Vec<Program>, Vec<Fault>> {
    let text = base().with(more).text().to_owned();
    match from_text(("trug.toml", TRUG), &[("garden.toml", &text)], std::iter::empty()) {
        Ok(settings) if settings.borne.is_some() => {
            // The daemon runs with it; `trug check` refuses it.
            assert_eq!(settings.gardens[0].programs.len(), more.matches("[[program]]").count());
            Err(settings.borne.map(|faults| faults.as_slice().to_vec()).unwrap_or_default())
        }
        Ok(mut settings) => Ok(settings.gardens.remove(0).programs.clone()),
        Err(faults) => Err(faults.as_slice().to_vec()),
    }
}

fn programs(more: &str) -> Vec<Program> {
    read(more).unwrap_or_else(|faults| panic!("{faults:?}"))
}

#[test]
fn what_a_timer_does_is_read() {
    let [program] = <[Program; 1]>::try_from(programs(MORNING)).expect("one");
    assert_eq!((program.name.as_str(), program.beds), ("morning drip", vec![0, 1]));
    let days = ProgramDays::Week([true, false, true, false, false, false, false]);
    let usual = Timetable { days, starts: vec![360], minutes: 20, from: None, to: None, off: Vec::new() };
    assert_eq!(program.timetable, usual);

    let text = "[[holiday]]\nfrom = 2026-07-04\nto = 2026-07-19\nquiet = []\n\
                [[program]]\nname = \"night\"\nbeds = \"all\"\nevery_days = 3\nfrom = 2026-04-01\nto = 2026-10-31\n\
                starts = [\"06:30\", \"05:00\"]\nminutes = 15\noff_in_holidays = true\n";
    let found = programs(text);
    let date = |text: &str| text.parse().expect("a date");
    assert_eq!(found[0].beds, [0, 1]);
    assert_eq!(
        found[0].timetable,
        Timetable {
            days: ProgramDays::Every { days: 3, from: date("2026-04-01") },
            starts: vec![300, 390],
            minutes: 15,
            from: Some(date("2026-04-01")),
            to: Some(date("2026-10-31")),
            off: vec![(date("2026-07-04"), date("2026-07-19"))],
        }
    );
    // Each day needs no first one; past midnight is well where both parts are allowed.
    let daily = MORNING.replace("days = [\"mon\", \"wed\"]", "every_days = 1");
    assert_eq!(programs(&daily)[0].timetable.days, ProgramDays::Week([true; 7]));
    let late = MORNING.replace("06:00", "23:50").replace(", \"bean-bed\"", "");
    assert_eq!(programs(&late)[0].timetable.starts, [1430]);
}

#[test]
fn every_fault_of_a_program_is_told_at_its_line() {
    let first = base().text().lines().count() + 1;
    // What is replaced by what; the line below [[program]], the key and words of the fault.
    for (from, to, line, key, words) in [
        ("beds = [\"pea-bed\", \"bean-bed\"]\n", "", 0, "beds", "given:    nothing"),
        ("[\"pea-bed\", \"bean-bed\"]", "[]", 2, "beds", "at least one bed of this file"),
        ("\"bean-bed\"", "\"been-bed\"", 2, "beds[#2]", "nearest:  bean-bed"),
        ("days = [\"mon\", \"wed\"]\n", "", 0, "days", "or every_days = 2 with from"),
        ("[\"mon\", \"wed\"]", "[\"monday\"]", 3, "days[#1]", "nearest:  mon"),
        ("days = [\"mon\", \"wed\"]", "every_days = 2", 0, "from", "a day on which it runs"),
        ("minutes = 20", "minutes = 20\nevery_days = 2", 6, "every_days", "not both"),
        ("[\"06:00\"]", "[]", 4, "starts", "at least one time of the clock"),
        ("\"06:00\"", "\"6 am\"", 4, "starts[#1]", "\"07:00\""),
        ("\"06:00\"", "\"24:00\"", 4, "starts[#1]", "\"07:00\""),
        ("minutes = 20", "minutes = 0", 5, "minutes", "from 1 to 720"),
        ("minutes = 20", "minutes = 20\nfrom = 2026-04-02\nto = 2026-04-01", 7, "to", "not before from"),
        ("minutes = 20", "minutes = 20\noff_in_holidays = true", 6, "off_in_holidays", "[[holiday]]"),
        ("minutes = 20", "minutes = 20\nduration = 5", 6, "duration", "not known here"),
        ("\"06:00\"", "\"06:50\"", 4, "starts", "waters bean-bed outside its allowed hours"),
        ("\"06:00\"", "\"04:50\"", 4, "starts", "allowed hours of bean-bed: 05:00-07:00"),
        (
            "\"06:00\"",
            "\"06:00\", \"06:10\"",
            4,
            "starts",
            "a run at 06:00 that overlaps its own run at 06:10",
        ),
    ] {
        assert_eq!(MORNING.matches(from).count(), 1, "{from:?}");
        let faults = read(&MORNING.replace(from, to)).expect_err(to);
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        let found: Vec<_> = faults.iter().map(|fault| (fault.line, fault.key.as_str())).collect();
        assert_eq!(
            found,
            [(Some(first + line), format!("program[morning drip].{key}").as_str())],
            "{told:?}"
        );
        assert!(told[0].contains(words), "{}", told[0]);
    }
}

#[test]
fn a_program_outside_the_hours_is_a_fault_for_each_bed() {
    let faults = read(&MORNING.replace("06:00", "08:50")).expect_err("outside");
    let given: Vec<_> = faults.iter().map(|fault| fault.given.as_str()).collect();
    assert_eq!(
        given,
        [
            "08:50 for 20 minutes, which waters pea-bed outside its allowed hours",
            "08:50 for 20 minutes, which waters bean-bed outside its allowed hours",
        ]
    );
}

/// The rule of a day, of the dates of a season and of a method are looked at on the days
/// on which the program runs.
#[test]
fn a_program_is_held_against_the_rules_of_its_days_and_method() {
    let rule = |lines: &str, allowed: &str| {
        format!("[[watering.rule]]\nmethods = [\"sprinkler\"]\n{lines}allowed = [{allowed}]\n")
    };
    let pea = MORNING.replace(", \"bean-bed\"", "");
    let by = |rule: &str, method: &str| read(&format!("{rule}{pea}{method}"));
    let (sprinkler, drip) = ("method = \"sprinkler\"\n", "method = \"drip\"\n");
    let mondays = rule("days = [\"mon\"]\n", "\"00:00-09:00\"");
    let faults = by(&mondays, sprinkler).expect_err("on Wednesdays it may not");
    assert_eq!(
        faults[0].given,
        "06:00 for 20 minutes, which waters pea-bed on 2024-01-03 outside its allowed hours for a sprinkler"
    );
    assert_eq!(
        faults[0].accepted,
        "starts and minutes within the allowed hours of pea-bed on 2024-01-03 for a sprinkler: none"
    );
    assert!(by(&mondays, drip).is_ok());
    assert!(by(&mondays, "").is_ok(), "it may be drip");
    assert!(by(&rule("days = [\"mon\", \"wed\"]\n", "\"00:00-09:00\""), sprinkler).is_ok());
    // A season long after the program's beginning, of which one Wednesday is outside.
    let season = rule("from = 2031-01-08\nto = 2031-01-08\n", "\"18:00-21:00\"");
    let faults = by(&season, sprinkler).expect_err("on that day it may not");
    assert!(
        faults[0].given.contains(" on 2031-01-08 ") && faults[0].accepted.ends_with(": 18:00-21:00"),
        "{faults:?}"
    );
    assert!(by(&season.replace("-08", "-09"), sprinkler).is_ok(), "a Thursday");
}

#[test]
fn programs_that_overlap_in_one_bed_are_a_fault() {
    let other = |beds: &str, days: &str, start: &str| {
        let second = MORNING
            .replace("morning drip", "second")
            .replace("[\"pea-bed\", \"bean-bed\"]", beds)
            .replace("[\"mon\", \"wed\"]", days)
            .replace("06:00", start);
        read(&format!("{MORNING}{second}"))
    };
    let faults = other("[\"pea-bed\"]", "[\"sun\", \"mon\"]", "06:15").expect_err("on Monday");
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert_eq!(faults[0].key, "program[second].starts");
    assert_eq!(
        faults[0].given,
        "a run at 06:15 that overlaps the run of \"morning drip\" at 06:00 in the same bed"
    );
    assert!(other("[\"pea-bed\"]", "[\"tue\"]", "06:15").is_ok(), "on other days");
    assert!(other("[\"pea-bed\"]", "[\"mon\"]", "06:20").is_ok(), "one after the other");
    let twice = read(&format!("{MORNING}{}", MORNING.replace("mon\", \"wed", "tue"))).expect_err("one name");
    assert!(twice[0].to_string().contains("a name of its own"), "{}", twice[0]);
}

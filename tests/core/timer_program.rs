//! A timer that waters three of four beds at six: what is said of it where its program
//! is written down, and where it is not.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use garden_simulator::Scenario;
use jiff::Timestamp;
use trug::alarms::{Kind, State};
use trug::analysis::month::{WaterSource, rises};
use trug::commands::check;
use trug::garden::log::LogEvent;
use trug::garden::record::Reading;
use trug::garden::view::SiteView;
use trug::history::Point;
use trug::model::Id;
use trug::watering::{ProgramDays, Timetable};

use crate::support::garden::{SHIPPED, garden_of, local};
use crate::support::month::store;
use crate::support::run::{Run, simulated};

const BEDS: [&str; 3] = ["kitchen-bed", "pea-bed", "herb-bed"];

/// The program that the scenario's timer has.
const PROGRAM: &str = "\n[[program]]\nname = \"morning drip\"\n\
    beds = [\"kitchen-bed\", \"pea-bed\", \"herb-bed\"]\nevery_days = 2\nfrom = 2026-04-02\nstarts = [\"06:00\"]\n\
    minutes = 30\n";

/// A dry fortnight; the timer runs every other day.
fn scenario() -> Scenario {
    let mut text = "title = \"A timer\"\nstart = 2026-04-01\ndays = 14\nseed = 4\n\
         [[climate.spell]]\nfrom = 2026-03-30\nto = 2026-04-16\nwet = false\n"
        .to_owned();
    for day in (2..=14).step_by(2) {
        for (bed, litres) in BEDS.iter().zip([90, 80, 45]) {
            let _ = write!(
                text,
                "[[event]]\nkind = \"watering\"\nbed = \"{bed}\"\nat = 2026-04-{day:02}T06:00:00\nlitres = {litres}\n"
            );
        }
    }
    Scenario::parse(&text).expect("a scenario")
}

/// The demonstration's garden without its own program.
fn without_programs() -> String {
    let (before, rest) = SHIPPED.split_once("[[program]]").expect("it has a program");
    let (_, after) = rest.split_once("[[tank]]").expect("it has a tank");
    format!("{before}[[tank]]{after}")
}

fn played(garden: &str) -> (Run, SiteView) {
    let scenario = scenario();
    let (run, _) = simulated(garden, &scenario, scenario.seed);
    let view = run.view();
    (run, view)
}

/// What is said of the last wetting of each bed that the timer waters.
fn last_wettings(view: &SiteView) -> Vec<String> {
    let of = |id: &&str| view.beds.iter().find(|bed| bed.id.as_str() == *id);
    BEDS.iter().filter_map(of).map(|bed| bed.last_wetting.clone().unwrap_or_default()).collect()
}

#[test]
fn water_at_a_programs_time_is_the_timers_and_no_rain_that_the_gauge_missed() {
    let (run, view) = played(&format!("{}{PROGRAM}", without_programs()));
    for words in last_wettings(&view) {
        assert!(words.starts_with("Was watered by the timer at about"), "{words}");
    }
    let wrong: Vec<_> = run
        .changes
        .iter()
        .filter(|change| matches!(change.record.key.kind, Kind::GaugeSuspect | Kind::WateringHours))
        .collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    let figure = view
        .beds
        .iter()
        .flat_map(|bed| &bed.figures)
        .find(|figure| figure.name == "Last wetting" && figure.value.starts_with("watered by the timer"))
        .expect("a figure");
    let why: String = figure.why.iter().map(|step| step.with.clone()).collect();
    assert!(why.contains("the timer's program \"morning drip\" runs at 6 am"), "{why}");
}

/// The page and the class month decide as the live garden does, and say why.
#[test]
fn over_a_month_the_programs_water_is_known_and_not_inferred() {
    let (run, _) = played(&format!("{}{PROGRAM}", without_programs()));
    let mut readings: BTreeMap<Id, Vec<Point>> = BTreeMap::new();
    for row in run.rows.iter().filter(|row| !row.late) {
        let sensor = &run.garden.sensors[usize::try_from(row.sensor.0).expect("a number")];
        let Reading { at, raw, value, flag, late, .. } = *row;
        readings.entry(sensor.id.clone()).or_default().push(Point { at, raw, value, flag, late });
    }
    let beds = rises(&run.garden, &readings, &[]);
    for (bed, found) in beds.iter().take(BEDS.len()).enumerate() {
        assert!(found.len() >= 4, "{}: {found:?}", BEDS[bed]);
        for rise in found {
            assert!(rise.cause == WaterSource::Watering && !rise.inferred, "{rise:?}");
            assert_eq!(rise.why, "the timer's program \"morning drip\" runs at 6 am");
        }
    }
}

/// What is proposed can be pasted, and is what the timer does.
#[test]
fn a_timer_that_nobody_wrote_down_is_proposed_as_lines_for_the_file() {
    let (_, view) = played(&without_programs());
    let [proposed] = view.proposed_programs.as_slice() else { panic!("{:?}", view.proposed_programs) };
    let words = "Kitchen bed, Pea bed and Herb bed grew wetter at about ";
    assert!(proposed.words.starts_with(words), "{}", proposed.words);
    assert!(proposed.words.ends_with("and no rain explains it."), "{}", proposed.words);
    let garden = garden_of(&format!("{}\n{}", without_programs(), proposed.lines));
    let [program] = garden.programs.as_slice() else { panic!("{}", proposed.lines) };
    assert_eq!(program.beds, [0, 1, 2]);
    let Timetable { days, starts, .. } = &program.timetable;
    assert!(matches!(days, ProgramDays::Every { days: 2, .. }), "{days:?}");
    assert!(starts.len() == 1 && starts[0].abs_diff(360) <= 45, "{starts:?}");
    // Once it is written down, nothing is proposed.
    let (_, view) = played(&format!("{}{PROGRAM}", without_programs()));
    assert_eq!(view.proposed_programs, []);
}

#[test]
fn check_proposes_what_the_store_shows_and_needs_none() {
    let folder = tempfile::tempdir().expect("a folder");
    let (config, path) = (folder.path().join("trug.toml"), folder.path().join("trug.db"));
    std::fs::create_dir(folder.path().join("gardens")).expect("a folder");
    std::fs::write(folder.path().join("gardens/school.toml"), without_programs()).expect("a file");
    let trug = format!("[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"{}\"\n", path.display());
    std::fs::write(&config, trug).expect("a file");
    let checked = |as_json| {
        let mut out = Vec::new();
        let exit =
            check::run(&config, std::iter::empty(), None, as_json, &mut out).expect("it can be written");
        assert_eq!(exit.code(), 0);
        String::from_utf8(out).expect("UTF-8")
    };
    let before = checked(false);
    assert!(!before.contains("[[program]]") && !path.exists(), "{before}");

    let (run, _) = played(&without_programs());
    store(&path, &run.garden, run.rows);
    let after = checked(false);
    assert!(after.contains("note: saltbush-gully: Kitchen bed, Pea bed and Herb bed grew wetter"), "{after}");
    assert!(
        after.contains("[[program]]\nname = \"timer at 0") && after.ends_with("\nno faults\n"),
        "{after}"
    );
    let json: serde_json::Value = serde_json::from_str(&checked(true)).expect("JSON");
    assert_eq!(json["proposed_programs"].as_array().map(Vec::len), Some(1), "{json:#}");
    assert_eq!(json["proposed_programs"][0]["site"], "saltbush-gully");
}

/// Without a hygrometer the first waterings of several beds could be rain that the gauge
/// missed. From the third at the same time of day they are a timer's.
#[test]
fn without_the_program_the_time_of_day_tells_from_the_third_time_on() {
    let after = |days: u16| {
        let mut scenario = scenario();
        scenario.days = days;
        simulated(&without_programs(), &scenario, scenario.seed).0.view()
    };
    let first = after(3);
    let unknown = last_wettings(&first);
    assert!(unknown.iter().all(|words| words.contains("not known")), "{unknown:?}");
    let asked: Vec<_> = first.questions.iter().map(|question| question.beds.len()).collect();
    assert_eq!(asked, [3], "one question for all of them");
    let last = after(14);
    let figure = last.beds[1].figures.iter().find(|figure| figure.name == "Last wetting").expect("a figure");
    let why: String = figure.why.iter().map(|step| step.with.clone()).collect();
    assert!(why.contains("keep coming at this time of day"), "{why}");
    let known = last_wettings(&last);
    assert!(known.iter().all(|words| words.starts_with("Was watered at about")), "{known:?}");
}

/// What people say counts at once, and for the neighbours too.
#[test]
fn an_answer_settles_the_cause_and_is_not_asked_again() {
    let mut scenario = scenario();
    scenario.days = 3;
    let (mut run, _) = simulated(&without_programs(), &scenario, scenario.seed);
    let question = run.view().questions.remove(0);
    run.log("pea-bed", question.at, LogEvent::CauseNotKnown);
    assert!(run.view().questions.is_empty(), "{:?}", run.view().questions);
    run.log("pea-bed", question.at, LogEvent::Rained);
    for words in last_wettings(&run.view()) {
        assert!(words.contains("rain, as the Garden log says; the gauge caught 0.0 mm"), "{words}");
    }
    run.log("pea-bed", question.at, LogEvent::TimerRan);
    for words in last_wettings(&run.view()) {
        assert!(words.starts_with("Was watered by the timer at about"), "{words}");
    }
}

/// What was struck is asked again, and nothing is learned from it.
#[test]
fn an_answer_that_is_struck_is_asked_again() {
    let mut scenario = scenario();
    scenario.days = 3;
    let (mut run, _) = simulated(&without_programs(), &scenario, scenario.seed);
    let (before, trust) = (last_wettings(&run.view()), |run: &Run| run.view().rain.expect("a gauge").figures);
    let trusted = trust(&run);
    let question = run.view().questions.remove(0);
    run.log("pea-bed", question.at, LogEvent::Rained);
    assert!(run.view().questions.is_empty());
    assert_ne!(trust(&run), trusted, "rain that the gauge missed speaks against it");
    run.strike("pea-bed", question.at, LogEvent::Rained, None, question.at);
    assert_eq!(run.view().questions, std::slice::from_ref(&question));
    assert_eq!(last_wettings(&run.view()), before);
    assert_eq!(trust(&run), trusted);
    // Put right: the timer, and not the rain.
    run.log("pea-bed", question.at, LogEvent::Rained);
    run.strike("pea-bed", question.at, LogEvent::Rained, Some(LogEvent::TimerRan), question.at);
    for words in last_wettings(&run.view()) {
        assert!(words.starts_with("Was watered by the timer at about"), "{words}");
    }
    let figure =
        trust(&run).into_iter().find(|figure| figure.name.starts_with("Trust in")).expect("a figure");
    assert_eq!(figure.number, Some(0.0), "a timer says nothing about the gauge");
}

/// A timer over the beds that runs at six on every second day and fails on some, in dry
/// weather or with a shower.
fn failing(beds: &[&str], fails: &str, more: &str) -> Scenario {
    let mut text = "title = \"A timer that fails\"\nstart = 2026-04-01\ndays = 17\nseed = 11\n\
         [[climate.spell]]\nfrom = 2026-03-30\nto = 2026-04-20\nwet = false\n"
        .to_owned();
    for (bed, litres) in BEDS.iter().zip([120, 110, 60]).filter(|(bed, _)| beds.contains(bed)) {
        let _ = write!(
            text,
            "[[watering]]\nbed = \"{bed}\"\nfirst = 2026-04-02\nevery_days = 2\nat = \"06:00\"\nlitres = {litres}\n\
             fails = [{fails}]\n"
        );
    }
    Scenario::parse(&format!("{text}{more}")).expect("a scenario")
}

/// When the alarm was raised and when it was over.
fn steps(run: &Run) -> Vec<(State, Timestamp, String)> {
    let missed = run.changes.iter().filter(|it| it.record.key.kind == Kind::WateringMissed);
    missed.map(|it| (it.record.state, it.record.at, it.record.said.text.clone())).collect()
}

fn fails(beds: &[&str], fails: &str, more: &str) -> Vec<(State, Timestamp, String)> {
    let listed: Vec<String> = beds.iter().map(|bed| format!("\"{bed}\"")).collect();
    let program = PROGRAM.replace("\"kitchen-bed\", \"pea-bed\", \"herb-bed\"", &listed.join(", "));
    let scenario = failing(beds, fails, more);
    steps(&simulated(&format!("{}{program}", without_programs()), &scenario, scenario.seed).0)
}

const ONCE: &str = "{ from = 2026-04-12, to = 2026-04-12 }";
const TWICE: &str = "{ from = 2026-04-10, to = 2026-04-12 }";

#[test]
fn water_that_reaches_none_of_several_beds_is_told_the_same_day_and_over_when_it_comes() {
    let told = fails(&BEDS, ONCE, "");
    let [(raised, at, words), (over, over_at, back)] = told.as_slice() else { panic!("{told:?}") };
    assert_eq!((*raised, *over), (State::Unacknowledged, State::ReturnedUnacknowledged));
    // 6:30, 75 minutes of way and five hours: no sooner, and an hour later at most.
    assert!((local("2026-04-12T12:45")..=local("2026-04-12T13:45")).contains(at), "{at}");
    assert!((local("2026-04-14T06:30")..=local("2026-04-14T13:45")).contains(over_at), "{over_at}");
    for part in [
        "Kitchen bed",
        "Pea bed",
        "\"morning drip\" should have run at 6 am on Sunday 12 April for 30 minutes, ",
        "mains power, do not open it",
        "the battery",
        "filter",
        "Check by ",
    ] {
        assert!(words.contains(part), "{part} in {words}");
    }
    assert!(words.split(". ").all(|sentence| sentence.split(' ').count() <= 25), "{words}");
    assert!(back.contains("arrives again"), "{back}");
}

#[test]
fn one_bed_must_miss_its_water_twice() {
    assert_eq!(fails(&["kitchen-bed"], ONCE, ""), []);
    let told = fails(&["kitchen-bed"], TWICE, "");
    let [(State::Unacknowledged, at, words), (State::ReturnedUnacknowledged, ..)] = told.as_slice() else {
        panic!("{told:?}")
    };
    assert!((local("2026-04-12T12:45")..=local("2026-04-12T13:45")).contains(at), "{at}");
    assert!(words.contains("no wetter in 2 runs"), "{words}");
}

#[test]
fn rain_and_silence_say_nothing_about_the_timer() {
    let shower = "[[event]]\nkind = \"shower\"\nat = 2026-04-11T16:00:00\nmm = 6\nminutes = 60\n";
    assert_eq!(fails(&BEDS, ONCE, shower), [], "a timer may stay off after rain");
    let silent: String = ["kitchen-15cm", "pea-15cm", "herb-15cm"]
        .iter()
        .map(|id| {
            format!(
                "[[event]]\nkind = \"silent\"\nsensor = \"{id}\"\nfrom = 2026-04-12T07:00:00\nto = 2026-04-12T12:00:00\n"
            )
        })
        .collect();
    assert_eq!(fails(&BEDS, ONCE, &silent), [], "silence is no miss");
    assert_eq!(fails(&BEDS, "", ""), [], "the timer works");
}

#[test]
fn a_watering_that_somebody_writes_down_ends_it() {
    let scenario = failing(&BEDS, "{ from = 2026-04-12, to = 2026-04-20 }", "");
    let garden = format!("{}{PROGRAM}", without_programs());
    let (mut run, _) = simulated(&garden, &scenario, scenario.seed);
    let before = steps(&run);
    assert!(before.iter().all(|(state, ..)| *state == State::Unacknowledged), "{before:?}");
    let now = run.view().now;
    run.log("pea-bed", now, LogEvent::Watered { litres: None });
    let ended = steps(&run).split_off(before.len());
    assert_eq!(ended.len(), 1);
    let (state, _, words) = &ended[0];
    assert!(*state == State::ReturnedUnacknowledged && words.contains("The Garden log says"), "{words}");
}

/// A timer that is set outside the allowed hours is told as what it is; the file says how
/// the garden is, so the daemon does not refuse it.
#[test]
fn a_program_outside_the_hours_is_told_each_time() {
    let hours = "allowed = [\"00:00-09:00\", \"18:00-24:00\"]";
    let garden = without_programs();
    assert_eq!(garden.matches(hours).count(), 1);
    let (run, view) = played(&format!("{}{PROGRAM}", garden.replace(hours, "allowed = [\"18:00-24:00\"]")));
    for words in last_wettings(&view) {
        assert!(words.starts_with("Was watered by the timer at about"), "{words}");
        assert!(words.ends_with(", outside the allowed hours."), "{words}");
    }
    let told = |bed: &str| {
        let of_bed = run.changes.iter().filter(|change| change.record.key.place.as_str() == bed);
        of_bed.filter(|change| change.record.key.kind == Kind::WateringHours).count()
    };
    assert!(BEDS.iter().all(|bed| told(bed) > 0), "{:?}", run.told());
}

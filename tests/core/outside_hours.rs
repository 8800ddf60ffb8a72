//! Water that runs outside the allowed hours: told far sooner than the six hours that
//! soil is given where watering may be meant, by a bed's meter, the garden's and a probe;
//! and what is no water left on.

use garden_simulator::{Scenario, Truth};
use jiff::{SignedDuration, Timestamp};
use trug::alarms::{Kind, Priority, State};
use trug::garden::log::LogEvent;
use trug::garden::record::AlarmChange;
use trug::model::SensorIx;

use crate::support::garden::{BED_KEYS, GardenFile, SHIPPED, WATERING, local as t};
use crate::support::run::{Run, simulated};

const METER: SensorIx = SensorIx(1);
const MAIN: SensorIx = SensorIx(2);

/// Two beds: one of 10 m2 with a meter of its own, and the garden's meter.
fn school(more: &str) -> Run {
    let bed = format!("{BED_KEYS}irrigation = {{ litres_per_hour = 120, efficiency = 0.8 }}\n");
    let file = GardenFile::new("saltbush-gully")
        .with(WATERING)
        .bed("bed", "Bed", &bed)
        .probe("probe", "bed", 15)
        .sensor("meter", "water-flow", "bed = \"bed\"")
        .sensor("main-meter", "water-flow", "")
        .with(more);
    Run::new(file.text())
}

/// Messages of a meter each quarter of an hour from `from` to `to`, both included.
fn meter(run: &mut Run, sensor: SensorIx, from: &str, to: &str, litres: f64) {
    let (mut at, to) = (t(from), t(to));
    while at <= to {
        run.take(sensor, at, litres);
        at += SignedDuration::from_mins(15);
    }
}

fn left_on(changes: &[AlarmChange]) -> Vec<&AlarmChange> {
    changes
        .iter()
        .filter(|it| it.record.key.kind == Kind::WaterLeftOn && it.record.state == State::Unacknowledged)
        .collect()
}

#[test]
fn a_beds_meter_that_runs_at_three_is_told_by_the_fourth_message() {
    let mut run = school("");
    meter(&mut run, METER, "2026-03-10T14:00", "2026-03-10T15:00", 0.0);
    meter(&mut run, METER, "2026-03-10T15:15", "2026-03-10T15:30", 30.0);
    assert_eq!(left_on(&run.changes), Vec::<&AlarmChange>::new());
    meter(&mut run, METER, "2026-03-10T15:45", "2026-03-10T15:45", 30.0);
    let told = left_on(&run.changes);
    let [told] = told.as_slice() else { panic!("{told:?}") };
    assert_eq!((told.record.at, told.priority), (t("2026-03-10T15:45"), Priority::High));
    assert_eq!(told.record.key.place.as_str(), "bed");
    let text = &told.record.said.text;
    assert!(text.starts_with("Water is running at Bed outside the allowed hours: 90 L since 3 pm"), "{text}");
    assert_eq!(run.steps(Kind::WateringHours), [], "one water, one alarm, which says both");
    // It goes on into the hours in which water may run: it is the same water.
    meter(&mut run, METER, "2026-03-10T16:00", "2026-03-10T19:00", 30.0);
    assert_eq!(run.steps(Kind::WaterLeftOn), [State::Unacknowledged]);
    meter(&mut run, METER, "2026-03-10T19:15", "2026-03-10T20:00", 0.0);
    assert_eq!(run.steps(Kind::WaterLeftOn), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    let over = run.changes.iter().rfind(|it| it.record.key.kind == Kind::WaterLeftOn).expect("it is over");
    assert!(over.record.said.text.contains("has stopped"), "{}", over.record.said.text);
}

/// What stops within half an hour was outside the hours, and is told when it has stopped.
#[test]
fn a_beds_meter_that_stops_soon_is_told_as_outside_the_hours() {
    let mut run = school("");
    meter(&mut run, METER, "2026-03-10T14:00", "2026-03-10T15:00", 0.0);
    meter(&mut run, METER, "2026-03-10T15:15", "2026-03-10T15:30", 30.0);
    assert_eq!(run.steps(Kind::WateringHours), []);
    meter(&mut run, METER, "2026-03-10T15:45", "2026-03-10T16:30", 0.0);
    assert_eq!(run.steps(Kind::WateringHours), [State::Unacknowledged]);
    let told = run.first(Kind::WateringHours);
    assert_eq!(told.record.at, t("2026-03-10T15:45"));
    let text = &told.record.said.text;
    assert!(
        text.contains("its water meter counted 60 L from 3 pm") && text.contains("it has stopped"),
        "{text}"
    );
    meter(&mut run, METER, "2026-03-10T16:45", "2026-03-11T08:00", 0.0);
    assert_eq!(run.steps(Kind::WateringHours), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    assert_eq!(left_on(&run.changes), Vec::<&AlarmChange>::new());
}

/// A record of before leaks and running water had steps of their own holds none.
#[test]
fn water_left_on_grows_no_worse_by_a_restart() {
    let play = |run: &mut Run| meter(run, METER, "2026-03-10T14:15", "2026-03-10T16:00", 30.0);
    let mut run = school("");
    play(&mut run);
    let mut stored = run.first(Kind::WaterLeftOn).record.clone();
    assert_eq!(stored.course.severity, 1);
    stored.course.severity = 0;
    let mut again = school("");
    play(&mut again);
    again.changes.clear();
    again.router.core.restore_alarms(vec![stored]);
    meter(&mut again, METER, "2026-03-10T16:15", "2026-03-10T16:30", 30.0);
    assert_eq!(again.changes, []);
    let view = again.view();
    assert_eq!(view.alarms[0].priority, Priority::High);
    assert!(!view.alarms[0].record.said.text.contains("worse"), "{}", view.alarms[0].record.said.text);
}

#[test]
fn water_that_may_run_or_is_explained_is_not_left_on() {
    let none = |what: &str, run: &Run| assert_eq!(run.steps(Kind::WaterLeftOn), [], "{what}");
    let mut within = school("");
    meter(&mut within, METER, "2026-03-10T18:00", "2026-03-10T21:00", 30.0);
    none("in the evening", &within);
    let mut logged = school("");
    logged.log("bed", t("2026-03-10T15:00"), LogEvent::Watered { litres: None });
    meter(&mut logged, METER, "2026-03-10T15:00", "2026-03-10T17:00", 30.0);
    none("somebody wrote it down", &logged);
    let mut drips = school("");
    meter(&mut drips, METER, "2026-03-10T12:00", "2026-03-10T17:00", 0.2);
    none("a drop now and then", &drips);
    // The timer's run ends a quarter of an hour after the hours do.
    let program = "[[program]]\nname = \"late\"\nbeds = [\"bed\"]\ndays = [\"tue\"]\nstarts = [\"08:00\"]\nminutes = 60\n";
    let mut timer = school(program);
    meter(&mut timer, METER, "2026-03-10T08:00", "2026-03-10T09:15", 30.0);
    none("the timer", &timer);
    // And a valve that sticks goes on after it.
    meter(&mut timer, METER, "2026-03-10T09:30", "2026-03-10T10:15", 30.0);
    assert_eq!(timer.steps(Kind::WaterLeftOn), [State::Unacknowledged]);
}

#[test]
fn the_gardens_meter_is_told_after_an_hour_of_a_litre_a_minute_that_nobody_wrote_down() {
    let mut hose = school("");
    meter(&mut hose, MAIN, "2026-03-10T14:00", "2026-03-10T15:00", 0.0);
    meter(&mut hose, MAIN, "2026-03-10T15:15", "2026-03-10T16:00", 100.0);
    assert_eq!(hose.steps(Kind::WaterLeftOn), []);
    meter(&mut hose, MAIN, "2026-03-10T16:15", "2026-03-10T16:15", 100.0);
    let told = left_on(&hose.changes);
    assert_eq!(told.iter().map(|it| it.record.key.place.as_str()).collect::<Vec<_>>(), ["main-meter"]);

    let none = |what: &str, run: &Run| assert_eq!(run.steps(Kind::WaterLeftOn), [], "{what}");
    let mut hands = school("");
    meter(&mut hands, MAIN, "2026-03-10T10:00", "2026-03-10T15:00", 12.0);
    none("hands are washed all day", &hands);
    let tank = "[[tank]]\nid = \"tank\"\nname = \"Tank\"\nvolume_l = 500\nspecies = \"silver perch\"\n\
                [[sensor]]\nid = \"tank-c\"\nmeasures = \"water-temperature\"\ntank = \"tank\"\n\
                topic = \"tank\"\npayload = \"number\"\nevery_s = 900\n";
    let mut filled = school(tank);
    filled.log("tank", t("2026-03-10T15:00"), LogEvent::WaterChange { litres: None });
    meter(&mut filled, MAIN, "2026-03-10T15:00", "2026-03-10T17:00", 100.0);
    none("a tank is filled", &filled);
}

/// Both meters count one hose: it is told once.
#[test]
fn what_a_beds_meter_has_told_the_gardens_meter_does_not_tell_again() {
    let mut run = school("");
    let mut at = t("2026-03-10T14:00");
    while at <= t("2026-03-10T17:00") {
        let litres = if at > t("2026-03-10T15:00") { 30.0 } else { 0.0 };
        run.take(METER, at, litres).take(MAIN, at, litres);
        at += SignedDuration::from_mins(15);
    }
    let told = left_on(&run.changes);
    assert_eq!(told.iter().map(|it| it.record.key.place.as_str()).collect::<Vec<_>>(), ["bed"]);
}

fn played(text: &str) -> (Vec<AlarmChange>, Truth) {
    let scenario = Scenario::parse(text).expect("a scenario");
    let (run, truth) = simulated(SHIPPED, &scenario, scenario.seed);
    (run.changes, truth)
}

/// There is no meter: the probe alone tells.
#[test]
fn a_hose_at_three_is_told_by_the_soil_within_three_hours() {
    let (changes, _) = played(include_str!("../../simulator/scenarios/hose-at-three.toml"));
    let began: Timestamp = t("2026-04-09T15:00");
    let told = left_on(&changes);
    let [told] = told.as_slice() else { panic!("{told:?}") };
    let after = told.record.at.duration_since(began);
    assert!(after > SignedDuration::ZERO && after <= SignedDuration::from_hours(3), "{after:?}");
}

/// At 100 L an hour the larger runs for an hour and a half.
#[test]
fn a_watering_at_noon_that_ended_is_not_left_on() {
    let noon = include_str!("../../simulator/scenarios/noon-watering.toml");
    for litres in [85, 150] {
        let (changes, _) = played(&noon.replace("litres = 85", &format!("litres = {litres}")));
        assert_eq!(left_on(&changes), Vec::<&AlarmChange>::new(), "{litres} L");
        let hours = changes.iter().filter(|it| it.record.key.kind == Kind::WateringHours).count();
        assert!(hours > 0, "{litres} L: it was outside the hours all the same");
    }
}

//! Entries of the log that were struck or put right: nothing is judged by them.

use jiff::{SignedDuration, Timestamp};
use trug::alarms::{Kind, State};
use trug::garden::Clock;
use trug::garden::log::{LogEvent, WaterTest};
use trug::model::SensorIx;

use crate::support::garden::{BED_KEYS, GardenFile, WATERING, local as t};
use crate::support::run::Run;

fn school() -> GardenFile {
    GardenFile::new("school")
        .with(WATERING)
        .bed("bed", "Bed", BED_KEYS)
        .tank("tank", "Perch tank", "")
        .probe("probe", "bed", 15)
        .sensor("water", "water-temperature", "tank = \"tank\"")
}

/// A live garden whose tank has 22 degrees.
fn live() -> Run {
    let mut run = Run::by(Clock::Arrival, school().text());
    hold(&mut run, "2026-03-10T08:00", 8);
    run
}

fn hold(run: &mut Run, from: &str, quarters: i64) {
    for quarter in 0..quarters {
        let at = t(from) + SignedDuration::from_mins(15 * quarter);
        run.take(SensorIx(1), at, 22.0 + 0.02 * (quarter % 3) as f64);
    }
}

fn test_of(ammonia_mg_l: f64) -> LogEvent {
    LogEvent::WaterTest(WaterTest {
        ammonia_mg_l: Some(ammonia_mg_l),
        ph: Some(7.5),
        temperature_c: Some(22.0),
        ..WaterTest::default()
    })
}

fn now() -> Timestamp {
    t("2026-03-10T12:00")
}

#[test]
fn an_alarm_of_a_water_test_that_is_struck_ends_and_waits_for_a_look() {
    let mut run = live();
    run.log("tank", t("2026-03-10T10:00"), test_of(8.0));
    assert_eq!(run.steps(Kind::Ammonia), [State::Unacknowledged]);
    run.strike("tank", t("2026-03-10T10:00"), test_of(8.0), None, now());
    // It latches: harm may have been done all the same.
    assert_eq!(run.steps(Kind::Ammonia), [State::Unacknowledged, State::LatchedUnacknowledged]);
    let said = &run.changes.last().expect("a step").record.said.text;
    assert!(said.contains("was struck from the log as wrong") && said.contains("test again today"), "{said}");
    run.tick(now());
    let figure = run.view().tanks.remove(0).figures.into_iter().find(|it| it.name == "Un-ionised ammonia");
    assert!(figure.expect("a figure").value.starts_with("not known"));
    // Twice is once, also after a restart.
    run.strike("tank", t("2026-03-10T10:00"), test_of(8.0), None, now());
    run.restart();
    run.strike("tank", t("2026-03-10T10:00"), test_of(8.0), None, now());
    assert_eq!(run.steps(Kind::Ammonia).len(), 2);
}

#[test]
fn a_test_that_is_put_right_is_judged_by_the_right_one() {
    for (right, expected) in
        [(0.1, vec![State::Unacknowledged, State::LatchedUnacknowledged]), (7.0, vec![State::Unacknowledged])]
    {
        let mut run = live();
        run.log("tank", t("2026-03-10T10:00"), test_of(8.0));
        run.strike("tank", t("2026-03-10T10:00"), test_of(8.0), Some(test_of(right)), now());
        assert_eq!(run.steps(Kind::Ammonia), expected, "{right}");
        // Put right in its note alone: the same values hold.
        run.strike("tank", t("2026-03-10T10:00"), test_of(right), Some(test_of(right)), now());
        assert_eq!(run.steps(Kind::Ammonia), expected, "{right}");
        run.tick(now());
        let figure =
            run.view().tanks.remove(0).figures.into_iter().find(|it| it.name == "Un-ionised ammonia");
        assert!(figure.expect("a figure").number.is_some(), "{right}");
    }
}

#[test]
fn another_test_goes_on_holding_the_alarm() {
    let mut run = live();
    run.log("tank", t("2026-03-10T09:00"), test_of(9.0));
    run.log("tank", t("2026-03-10T10:00"), test_of(8.0));
    run.strike("tank", t("2026-03-10T10:00"), test_of(8.0), None, now());
    assert_eq!(run.steps(Kind::Ammonia), [State::Unacknowledged]);
}

#[test]
fn mulch_that_was_struck_never_lay() {
    let mut run = live();
    let (laid, mulch) = (t("2025-03-09T09:00"), LogEvent::MulchLaid { depth_mm: 100.0 });
    let without = run.view().beds.remove(0).mulch;
    run.log("bed", laid, mulch.clone());
    let with = run.view().beds.remove(0).mulch;
    assert_ne!(with, without, "mulch of a year ago is due again");
    run.strike("bed", laid, mulch, None, now());
    assert_eq!(run.view().beds.remove(0).mulch, without);
}

/// The water cools by four degrees at once: a new thermometer, or a shock.
#[test]
fn a_replacement_that_was_struck_excuses_no_shock() {
    for struck in [false, true] {
        let mut run = live();
        let at = t("2026-03-10T09:50");
        run.log("water", at, LogEvent::ProbeReplaced);
        if struck {
            run.strike("water", at, LogEvent::ProbeReplaced, None, at);
        }
        for quarter in 0..16 {
            let at = t("2026-03-10T10:00") + SignedDuration::from_mins(15 * quarter);
            run.take(SensorIx(1), at, 17.0 + 0.02 * (quarter % 3) as f64);
        }
        let told = run.steps(Kind::TankTemperatureShock);
        assert_eq!(told.contains(&State::Unacknowledged), struck, "{told:?}");
    }
}

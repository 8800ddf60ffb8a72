//! The core's promises: what raises, what clears, what a restart keeps.

use std::collections::BTreeSet;
use std::sync::{Arc, LazyLock, Mutex};

use garden_simulator::{Scenario, School, Simulation};
use jiff::{SignedDuration, Timestamp};
use trug::alarms::{AlarmKey, AlarmRecord, AlarmText, Answer, Answered, Input, Kind, State};
use trug::engine::{Engine, RawMessage};
use trug::garden::record::{AlarmChange, Batch};
use trug::garden::{Clock, MulchAnswer};
use trug::model::Condition;
use trug::model::Id;
use trug::model::Sample;
use trug::model::SensorIx;
use trug::quality::Flag;
use trug::settings::from_text;

use crate::support::garden::{BED_KEYS, GardenFile, SHIPPED, WATERING, local as t};
use crate::support::run::Run;

/// One bed with a probe, a tank, a gauge; raw numbers are values.
static SMALL: LazyLock<GardenFile> = LazyLock::new(|| {
    let bed = format!(
        "{BED_KEYS}irrigation = {{ litres_per_hour = 120, efficiency = 0.8 }}\n\
         mulch = {{ depth_mm = 100, planned = 2026-05-20 }}\n"
    );
    GardenFile::new("school")
        .with(WATERING)
        .bed("bed", "Bed", &bed)
        .tank("tank", "Tank", "")
        .probe("probe", "bed", 15)
        .sensor("thermometer", "water-temperature", "tank = \"tank\"\nevery_s = 300")
        .sensor("gauge", "rain", "calibration = { mm_per_tip = 0.2 }")
        .with("[[tell]]\nwho = \"grounds\"\nalarms = [\"dry-bed\"]\n")
});

const PROBE: SensorIx = SensorIx(0);
const THERMOMETER: SensorIx = SensorIx(1);
const GAUGE: SensorIx = SensorIx(2);

fn small() -> Run {
    Run::new(SMALL.text())
}

/// The same raw number at each of the sensor's times from `from` to `to`, with a last
/// digit that moves, as a real probe's does.
fn hold(run: &mut Run, sensor: SensorIx, every_min: i64, from: &str, to: &str, raw: f64) {
    let (mut at, to) = (t(from), t(to));
    let mut wobble = 1.0;
    while at < to {
        let moving = if sensor == GAUGE { raw } else { raw + wobble * 0.0004 };
        run.take(sensor, at, moving);
        wobble = -wobble;
        at += SignedDuration::from_mins(every_min);
    }
}

/// Readily available water is used up at 0.30 - 0.4 (0.30 - 0.10) = 0.22 m3/m3.
#[test]
fn a_dry_bed_is_told_after_an_hour_with_its_numbers() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T12:00", 0.23);
    assert_eq!(run.steps(Kind::DryBed), []);
    hold(&mut run, PROBE, 15, "2026-03-10T12:00", "2026-03-10T14:00", 0.20);
    let [told] = run.changes.as_slice() else { panic!("one change: {:?}", run.changes) };
    assert_eq!((told.record.key.kind, told.record.state), (Kind::DryBed, State::Unacknowledged));
    assert_eq!((told.record.since, told.record.at), (t("2026-03-10T12:00"), t("2026-03-10T13:00")));
    assert_eq!(told.tell, ["grounds"]);
    // 50 mm are gone at 0.20: 50 mm x 10 m2 / 0.8 = 625 L, within the wobble.
    assert!(
        told.record.said.text.contains("630 L") || told.record.said.text.contains("620 L"),
        "{}",
        told.record.said.text
    );
    assert!(told.record.said.text.contains("after 6 pm on Tuesday 10 March"), "{}", told.record.said.text);
    let value = |name: &str| told.record.said.values.iter().find(|v| v.0 == name).expect("a value").1;
    assert!((value("depletion_mm") - 50.0).abs() < 0.5);
    assert!((value("readily_available_mm") - 40.0).abs() < 1e-9);
}

#[test]
fn silence_never_clears_a_dry_bed_and_water_does() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    hold(&mut run, THERMOMETER, 5, "2026-03-10T13:00", "2026-03-12T13:00", 22.0);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged]);
    let view = run.view();
    assert_eq!(view.beds[0].condition, Condition::Unknown, "{}", view.beds[0].words);
    // Within the deadband (0.9 of 40 mm) it stays; past it, it returns after an hour.
    hold(&mut run, PROBE, 15, "2026-03-12T13:00", "2026-03-12T16:00", 0.225);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    hold(&mut run, PROBE, 15, "2026-03-12T16:00", "2026-03-12T18:00", 0.28);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    run.changes.retain(|c| c.record.key.place.as_str() == "probe");
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

#[test]
fn a_value_that_fails_its_tests_neither_raises_nor_clears() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T12:00", 0.25);
    hold(&mut run, PROBE, 15, "2026-03-10T12:00", "2026-03-10T18:00", -3.0);
    assert!(run.rows.iter().any(|r| r.flag == Flag::Fail));
    assert_eq!(run.steps(Kind::DryBed), []);
    hold(&mut run, PROBE, 15, "2026-03-11T10:00", "2026-03-11T13:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    hold(&mut run, PROBE, 15, "2026-03-11T13:00", "2026-03-12T13:00", 5.0);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
}

#[test]
fn a_late_reading_is_kept_and_raises_nothing() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T12:00", 0.27);
    hold(&mut run, THERMOMETER, 5, "2026-03-10T12:00", "2026-03-12T12:00", 22.0);
    let (rows, changes) = (run.rows.len(), run.changes.len());
    // Two days late, in one go, oldest first.
    hold(&mut run, PROBE, 15, "2026-03-10T12:00", "2026-03-12T10:00", 0.12);
    let late = &run.rows[rows..];
    assert_eq!(late.len(), 184);
    assert!(late.iter().all(|r| r.late && r.value.is_some()));
    // Only that it speaks again.
    let told: Vec<_> = run.changes[changes..].iter().map(|c| (c.record.key.kind, c.record.state)).collect();
    assert_eq!(told, [(Kind::SensorSilent, State::ReturnedUnacknowledged)]);
}

#[test]
fn what_comes_twice_is_judged_once() {
    let (mut once, mut twice) = (small(), small());
    for minute in (0..600).step_by(15) {
        let at = t("2026-03-10T10:00") + SignedDuration::from_mins(minute);
        once.take(PROBE, at, 0.2 + f64::from(u32::try_from(minute % 7).expect("small")) * 1e-4);
        for _ in 0..2 {
            twice.take(PROBE, at, 0.2 + f64::from(u32::try_from(minute % 7).expect("small")) * 1e-4);
        }
    }
    assert_eq!(once.changes, twice.changes);
    assert_eq!(twice.rows.iter().filter(|r| r.late).count(), once.rows.len());
}

/// A broker may bring a message once more long after it was first taken.
#[test]
fn what_comes_again_is_no_sign_that_a_silent_sensor_speaks() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T12:00", 0.25);
    hold(&mut run, THERMOMETER, 5, "2026-03-10T12:00", "2026-03-10T14:00", 20.0);
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged]);
    run.take(PROBE, t("2026-03-10T11:45"), 0.25).take(PROBE, t("2026-03-10T11:30"), 0.25);
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged]);
    run.take(PROBE, t("2026-03-10T14:00"), 0.25);
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

#[test]
fn a_cold_top_up_is_told_and_a_single_spike_is_not() {
    let mut run = small();
    hold(&mut run, THERMOMETER, 5, "2026-03-10T10:00", "2026-03-10T12:00", 22.0);
    run.take(THERMOMETER, t("2026-03-10T12:00"), 12.0);
    hold(&mut run, THERMOMETER, 5, "2026-03-10T12:05", "2026-03-10T14:00", 22.0);
    assert_eq!(run.steps(Kind::TankTemperatureShock), [], "a spike");
    hold(&mut run, THERMOMETER, 5, "2026-03-10T14:00", "2026-03-10T14:30", 19.5);
    let told = run.changes.last().expect("a change");
    assert_eq!(
        (told.record.key.kind, told.record.state),
        (Kind::TankTemperatureShock, State::Unacknowledged)
    );
    assert!(told.record.said.text.contains("cooled 2.5 °C within an hour"), "{}", told.record.said.text);
    assert_eq!(told.record.at, t("2026-03-10T14:05"), "with the second reading");
}

#[test]
fn two_degrees_in_an_hour_are_the_limit_itself() {
    let mut run = small();
    for minute in (0..=60).step_by(5) {
        let at = t("2026-03-10T10:00") + SignedDuration::from_mins(minute);
        run.take(THERMOMETER, at, 20.0 + 2.0 * minute as f64 / 60.0);
    }
    assert_eq!(run.steps(Kind::TankTemperatureShock), []);
}

/// A probe that is watered at a local time, beside a gauge that speaks until
/// `gauge_until` and tips at the watering if `tips`. On the first day it catches rain, by
/// which it is known to work.
fn watered(at: &str, gauge_until: &str, tips: f64) -> Run {
    let mut run = small();
    let start = t("2026-03-20T00:00");
    let (watered, until) = (t(at), t(gauge_until));
    for quarter in 0..20 * 96 {
        let now = start + SignedDuration::from_mins(15 * quarter);
        if now < until {
            let tip =
                if now >= watered && now < watered + SignedDuration::from_mins(15) { tips } else { 0.0 };
            let tip = if quarter == 40 { 20.0 } else { tip };
            run.take(GAUGE, now, tip);
        }
        let wobble = (quarter * 7919 % 101) as f64 / 101.0 * 0.001;
        let drying = 0.29 - quarter as f64 * 2e-5 + wobble;
        run.take(PROBE, now, drying + if now > watered { 0.03 } else { 0.0 });
    }
    run
}

/// Local clock times on both sides of the change of clocks (5 April 2026, 3 am).
#[test]
fn watering_outside_the_hours_is_told_by_the_local_clock() {
    for (at, outside) in [
        ("2026-04-03T12:00", true),
        ("2026-04-03T06:00", false),
        ("2026-04-03T20:00", false),
        // Water reaches 15 cm within 75 minutes: it may have been given before nine.
        ("2026-04-03T10:00", false),
        ("2026-04-03T10:45", true),
        ("2026-04-06T10:45", true),
        ("2026-04-06T08:45", false),
        ("2026-04-06T17:30", true),
        ("2026-04-06T18:30", false),
    ] {
        let run = watered(at, "2027-01-01T00:00", 0.0);
        let raised = run.steps(Kind::WateringHours).contains(&State::Unacknowledged);
        assert_eq!(raised, outside, "watered at {at}");
    }
}

#[test]
fn rain_explains_a_wetting_and_a_silent_gauge_leaves_it_unknown() {
    let noon = "2026-04-03T12:00";
    let rained = watered(noon, "2027-01-01T00:00", 10.0);
    assert_eq!(rained.steps(Kind::WateringHours), []);
    let silent = watered(noon, "2026-04-02T12:00", 0.0);
    assert_eq!(silent.steps(Kind::WateringHours), []);
    let words = silent.view().beds[0].last_wetting.clone().expect("a wetting");
    assert!(words.contains("not known whether by rain or watering"), "{words}");
}

#[test]
fn mulch_is_yes_water_first_drop_test_first_or_unknown() {
    let now = t("2026-03-10T13:00");
    let answer = |raw: Option<f64>| {
        let mut run = small();
        if let Some(raw) = raw {
            hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", raw);
        }
        run.core().mulch_day(None, "bed", now).expect("the bed")
    };
    assert_eq!(answer(Some(0.29)).answer, MulchAnswer::Yes);
    assert_eq!(answer(Some(0.25)).answer, MulchAnswer::WaterFirst);
    assert_eq!(answer(Some(0.13)).answer, MulchAnswer::DropTestFirst);
    assert_eq!(answer(None).answer, MulchAnswer::Unknown);
    // 10 m2 to 100 mm: a millimetre on a square metre is a litre.
    assert!((answer(None).mulch_l - 1000.0).abs() < 1e-9);
}

#[test]
fn a_dry_bed_before_its_mulch_day_is_told_from_a_week_before() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-05-11T12:00", "2026-05-12T23:45", 0.25);
    assert_eq!(run.steps(Kind::MulchOnDrySoil), []);
    hold(&mut run, PROBE, 15, "2026-05-13T00:00", "2026-05-13T02:00", 0.25);
    assert_eq!(run.steps(Kind::MulchOnDrySoil), [State::Unacknowledged]);
    assert!(run.changes[0].record.said.text.contains("in 7 days"), "{}", run.changes[0].record.said.text);
    hold(&mut run, PROBE, 15, "2026-05-13T02:00", "2026-05-13T06:00", 0.29);
    assert_eq!(run.steps(Kind::MulchOnDrySoil), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

#[test]
fn an_answer_is_taken_once() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    let seen = run.reply(Kind::DryBed, "bed", Some(Input::Acknowledge));
    assert_eq!(run.answered(&seen), Answered::Done);
    let step = run.changes.last().expect("a change");
    assert_eq!((step.record.state, step.how.as_deref()), (State::Acknowledged, Some("command")));
    assert!(step.record.said.text.contains("dry"), "it says again what it is about");
    assert_eq!(run.answered(&seen), Answered::NotWaiting);
    let nowhere = run.reply(Kind::DryBed, "nowhere", Some(Input::Acknowledge));
    assert_eq!(run.answered(&nowhere), Answered::NoSuchAlarm);
    let tank = run.reply(Kind::TankTooWarm, "tank", Some(Input::Acknowledge));
    assert_eq!(run.answered(&tank), Answered::Over);
}

/// Thousands of notes in a message each stopped the daemon for half an hour.
#[test]
fn a_flood_of_notes_is_held_back_and_stops_no_answer() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    // The garden's time goes on with its readings.
    let mut minute = |from: &str, to: &str| {
        hold(&mut run, PROBE, 15, from, to, 0.20);
        let bare = run.reply(Kind::DryBed, "bed", None);
        let note = |n: i64| Answer { note: Some(format!("note {n}")), ..bare.clone() };
        (0..50).filter(|n| run.answered(&note(*n)) == Answered::Done).count()
    };
    assert_eq!(minute("2026-03-10T13:00", "2026-03-10T14:00"), 30);
    assert_eq!(minute("2026-03-10T14:00", "2026-03-10T15:00"), 30);
    assert_eq!(minute("2026-03-10T15:00", "2026-03-10T16:00"), 30);
    assert_eq!(minute("2026-03-10T16:00", "2026-03-10T17:00"), 10, "an alarm has a hundred");
    assert_eq!(minute("2026-03-10T17:00", "2026-03-10T18:00"), 0);
    assert_eq!((run.notes.len(), run.refused), (100, 150));
    let seen = run.reply(Kind::DryBed, "bed", Some(Input::Acknowledge));
    let seen = Answer { note: Some("I am on it".to_owned()), ..seen };
    assert_eq!(run.answered(&seen), Answered::Done, "the step is taken all the same");
    assert_eq!(run.changes.last().expect("a change").record.state, State::Acknowledged);
    assert_eq!((run.notes.len(), run.refused), (100, 151));
}

#[test]
fn an_answer_is_to_one_occurrence() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    let began = t("2026-03-10T10:00");
    let acknowledge = run.reply(Kind::DryBed, "bed", Some(Input::Acknowledge));
    let seen = |since| Answer { since: Some(since), ..acknowledge.clone() };
    let bare = run.reply(Kind::DryBed, "bed", None);
    let note = |since| Answer {
        since: Some(since),
        note: Some("the tap is being mended".to_owned()),
        ..bare.clone()
    };
    assert_eq!(run.answered(&seen(t("2026-03-09T10:00"))), Answered::OtherOccurrence);
    assert_eq!(run.answered(&note(t("2026-03-09T10:00"))), Answered::OtherOccurrence);
    assert_eq!(run.answered(&note(began)), Answered::Done);
    let with_note =
        Answer { note: Some("I am on it".to_owned()), ..seen(began + SignedDuration::from_micros(7)) };
    assert_eq!(run.answered(&with_note), Answered::Done, "links keep milliseconds");
    assert_eq!(run.answered(&with_note), Answered::NotWaiting);
    let kept: Vec<_> = run.notes.iter().map(|note| (note.since, note.note.as_str())).collect();
    assert_eq!(kept, [(began, "the tap is being mended"), (began, "I am on it")]);
    // Watered: it is over, whoever answers.
    hold(&mut run, PROBE, 15, "2026-03-10T13:00", "2026-03-11T10:00", 0.29);
    assert_eq!(run.answered(&seen(began)), Answered::Over);
    assert_eq!(run.answered(&note(began)), Answered::Over);
    assert_eq!(run.answered(&bare), Answered::Over);
    // Dry again, for too short a time to be told: still over.
    hold(&mut run, PROBE, 15, "2026-03-11T10:00", "2026-03-11T10:30", 0.20);
    assert_eq!(run.answered(&seen(began)), Answered::Over);
    hold(&mut run, PROBE, 15, "2026-03-11T10:30", "2026-03-11T13:00", 0.20);
    assert_eq!(run.answered(&seen(began)), Answered::OtherOccurrence);
    assert_eq!(run.answered(&seen(t("2026-03-11T10:00"))), Answered::Done);
    assert_eq!(run.steps(Kind::DryBed).len(), 5);
    // One that is switched off while nothing is the matter has no beginning.
    let mut off = small();
    hold(&mut off, PROBE, 15, "2026-03-10T09:00", "2026-03-10T10:00", 0.29);
    assert!(off.answer(Kind::DryBed, "bed", Input::TakeOut));
    assert_eq!(off.answered(&seen(began)), Answered::Over);
    let back = Answer { since: Some(began), ..off.reply(Kind::DryBed, "bed", Some(Input::PutBack)) };
    assert_eq!(off.answered(&back), Answered::Done);
}

#[test]
fn an_alarm_that_is_put_aside_comes_back_if_it_still_holds() {
    use State::{Shelved, Unacknowledged};
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    let until = t("2026-03-10T16:00");
    assert!(run.answer(Kind::DryBed, "bed", Input::Shelve { until, one_shot: false }));
    assert!(!run.answer(Kind::DryBed, "bed", Input::Acknowledge), "it is out of sight");
    hold(&mut run, PROBE, 15, "2026-03-10T13:00", "2026-03-10T16:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [Unacknowledged, Shelved]);
    let shelved = run.changes.last().expect("a change");
    assert_eq!((shelved.record.shelf, shelved.how.as_deref()), (Some((until, false)), Some("command")));
    assert!(
        shelved.record.said.text.contains("dry"),
        "it says what is put aside: {}",
        shelved.record.said.text
    );
    hold(&mut run, PROBE, 15, "2026-03-10T16:00", "2026-03-10T17:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [Unacknowledged, Shelved, Unacknowledged]);
    assert_eq!(run.changes.last().expect("a change").record.since, t("2026-03-10T10:00"));
    // Watered while it is put aside: nobody needs to be told.
    let until = t("2026-03-11T16:00");
    run.answer(Kind::DryBed, "bed", Input::Shelve { until, one_shot: true });
    hold(&mut run, PROBE, 15, "2026-03-10T17:00", "2026-03-10T22:00", 0.29);
    assert_eq!(run.steps(Kind::DryBed)[3..], [Shelved, State::Normal]);
}

#[test]
fn one_that_is_switched_off_stays_so_until_it_is_put_back() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T09:00", "2026-03-10T10:00", 0.29);
    assert!(run.answer(Kind::DryBed, "bed", Input::TakeOut));
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-20T13:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::OutOfService]);
    assert!(run.answer(Kind::DryBed, "bed", Input::PutBack));
    assert_eq!(run.steps(Kind::DryBed), [State::OutOfService, State::Unacknowledged]);
}

#[test]
fn the_plan_keeps_a_fallow_bed_and_the_holidays_quiet() {
    let fallow = SMALL.text().replace("area_m2 = 10", "area_m2 = 10\nfallow = true");
    let mut run = Run::new(&fallow);
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-12T10:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Suppressed]);
    assert!(run.view().to_do.is_empty());

    let holiday = "[[holiday]]\nfrom = 2026-03-11\nto = 2026-03-12\nquiet = [\"dry-bed\"]\n";
    let mut run = Run::new(SMALL.clone().with(holiday).text());
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-14T10:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged, State::Suppressed, State::Unacknowledged]);
    let at: Vec<Timestamp> =
        run.changes.iter().filter(|c| c.record.key.kind == Kind::DryBed).map(|c| c.record.at).collect();
    assert_eq!(at[1..], [t("2026-03-11T00:00"), t("2026-03-13T00:00")]);
}

#[test]
fn a_tank_that_may_have_hurt_its_fish_wants_to_be_looked_at() {
    let mut run = small();
    hold(&mut run, THERMOMETER, 5, "2026-03-10T10:00", "2026-03-10T12:00", 22.0);
    hold(&mut run, THERMOMETER, 5, "2026-03-10T12:00", "2026-03-10T12:30", 18.5);
    assert_eq!(run.steps(Kind::TankTemperatureShock), [State::Unacknowledged]);
    hold(&mut run, THERMOMETER, 5, "2026-03-10T12:30", "2026-03-12T12:30", 18.5);
    assert_eq!(run.steps(Kind::TankTemperatureShock), [State::Unacknowledged, State::LatchedUnacknowledged]);
    let to_do = run.view().to_do;
    assert!(
        to_do
            .iter()
            .any(|job| job.text.contains("Check the fish of Tank: the water fell 3.5 °C by 12:05 pm")),
        "{to_do:?}"
    );
    assert!(!run.answer(Kind::TankTemperatureShock, "tank", Input::Reset), "not before it was seen");
    assert!(run.answer(Kind::TankTemperatureShock, "tank", Input::Acknowledge));
    assert!(run.answer(Kind::TankTemperatureShock, "tank", Input::Reset));
    assert_eq!(run.steps(Kind::TankTemperatureShock)[2..], [State::LatchedAcknowledged, State::Normal]);
}

#[test]
fn what_was_taken_on_and_still_holds_is_told_again() {
    let mut run = small();
    hold(&mut run, PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    assert!(run.answer(Kind::DryBed, "bed", Input::Acknowledge));
    hold(&mut run, PROBE, 15, "2026-03-10T13:00", "2026-03-12T12:30", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged, State::Acknowledged]);
    hold(&mut run, PROBE, 15, "2026-03-12T12:30", "2026-03-12T14:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed)[2..], [State::Unacknowledged]);
}

/// The whole school's ordinary month, cut at many moments: a core that is
/// rebuilt from the judged readings and the stored alarms goes on exactly as
/// one that was never stopped.
#[test]
fn a_restart_forgets_no_alarm_and_raises_none_twice() {
    restarted("ordinary-month", 6);
}

/// The same while gateways are dead and sensors faulty.
#[test]
fn a_restart_beside_dead_gateways_and_faulty_sensors_changes_nothing() {
    restarted("dead-gateway", 12);
    restarted("faulty-sensors", 12);
}

fn restarted(name: &str, pieces: usize) {
    let school = School::parse(SHIPPED).expect("the school");
    let scenario = Scenario::named(name).expect("a scenario");
    let sent: Vec<_> = Simulation::new(&school, &scenario, scenario.seed).collect();
    let mut whole = Run::new(SHIPPED);
    whole.open_all(&sent);
    assert!(whole.changes.len() >= 8, "{name} has alarms: {}", whole.changes.len());

    for cut in (1..pieces).map(|i| sent.len() * i / pieces + i * 7) {
        let mut run = Run::new(SHIPPED);
        run.open_all(&sent[..cut]).restart().open_all(&sent[cut..]);
        let brief = |changes: &[AlarmChange]| -> Vec<String> {
            changes
                .iter()
                .map(|c| {
                    format!(
                        "{} {} {:?} {}",
                        c.record.at,
                        c.record.key.kind.name(),
                        c.record.key.place,
                        c.record.state.name()
                    )
                })
                .collect()
        };
        assert_eq!(brief(&run.changes), brief(&whole.changes), "{name} cut at message {cut}");
    }
}

/// Two gardens in one store, of which the second is nine days ahead by its readings' own
/// times: each start gives the first as much back as the rules remember, so that what looks
/// back ten days (a timer that gives too much) says the same as without a restart.
#[test]
fn a_restart_beside_a_garden_that_is_ahead_changes_nothing() {
    let annex = GardenFile::new("annex").sensor("air", "air-temperature", "every_s = 300");
    let files = [("gully.toml", SHIPPED), ("annex.toml", annex.text())];
    let school = School::parse(SHIPPED).expect("the school");
    let scenario = Scenario::named("ordinary-month").expect("a scenario");
    let sent: Vec<_> = Simulation::new(&school, &scenario, scenario.seed)
        .take_while(|it| it.send_at < t("2026-04-13T12:00"))
        .collect();

    let played = |restarts: bool| -> Vec<String> {
        let folder = tempfile::tempdir().expect("a folder");
        let store = folder.path().join("trug.db");
        let text = format!("[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"{}\"\n", store.display());
        let settings = from_text(("trug.toml", &text), &files, std::iter::empty()).expect("two gardens");
        let of_annex =
            settings.gardens.iter().position(|it| it.site.id.as_str() == "annex").expect("the annex");
        let ahead: usize = settings.gardens[..of_annex].iter().map(|it| it.sensors.len()).sum();
        let ahead = SensorIx(u32::try_from(ahead).expect("few sensors"));
        let told = Arc::new(Mutex::new(Vec::new()));
        let open = || {
            let mut engine = Engine::open(&settings, Clock::Readings).expect("the store");
            engine.tell_nobody();
            let told = Arc::clone(&told);
            engine.on_change(Box::new(move |change| {
                let AlarmRecord { key, at, since, state, .. } = &change.record;
                if key.site.as_str() == "saltbush-gully" {
                    let line =
                        format!("{at} since {since}: {} {} {}", key.kind.name(), key.place, state.name());
                    told.lock().expect("not poisoned").push(line);
                }
            }));
            engine
        };
        let mut engine = open();
        let mut next = t("2026-04-02T15:00");
        for it in &sent {
            if it.send_at >= next {
                next += SignedDuration::from_hours(36);
                let at = it.send_at + SignedDuration::from_hours(9 * 24);
                engine.take(ahead, Sample { at: Some(at), raw: 18.0, battery: None }, at);
                engine.commit(it.send_at).expect("the store can be written");
                if restarts {
                    drop(engine);
                    engine = open();
                }
            }
            let message = RawMessage {
                topic: it.topic.as_bytes(),
                payload: &it.payload,
                retained: false,
                arrival: it.send_at,
            };
            engine.open_message(message);
            if engine.waiting() >= 2000 {
                engine.commit(it.send_at).expect("the store can be written");
            }
        }
        engine.commit(next).expect("the store can be written");
        drop(engine);
        Arc::into_inner(told).expect("nobody else").into_inner().expect("not poisoned")
    };
    let whole = played(false);
    let too_much: Vec<&String> = whole.iter().filter(|it| it.contains(Kind::WateredTooMuch.name())).collect();
    assert_eq!(too_much.len(), 2, "the timer's surplus comes and goes: {too_much:?}");
    assert_eq!(played(true), whole);
}

/// A bed is taken out of the file while its alarm stands; that of another garden is
/// none of this one's.
#[test]
fn an_alarm_of_what_was_taken_out_of_the_file_ends() {
    let run = Run::by(Clock::Arrival, SMALL.text());
    let stored = |site: &str, place: &str, state| AlarmRecord {
        key: AlarmKey { site: Id::new(site), kind: Kind::DryBed, place: Id::new(place) },
        state,
        since: t("2026-03-10T10:00"),
        at: t("2026-03-10T11:00"),
        shelf: None,
        course: trug::alarms::AlarmCourse::default(),
        said: AlarmText::new("The old bed is dry.", &[], "FAO-56"),
    };
    let all = [
        stored("school", "bed", State::Unacknowledged),
        stored("school", "old-bed", State::Shelved),
        stored("school", "older-bed", State::Normal),
        stored("elsewhere", "old-bed", State::Unacknowledged),
    ];
    let ends = run.core().ends_of_removed(&all, t("2026-03-12T10:00"));
    let brief: Vec<_> =
        ends.iter().map(|c| (c.record.key.place.as_str(), c.from, c.record.state, c.record.at)).collect();
    assert_eq!(brief, [("old-bed", State::Shelved, State::Normal, t("2026-03-12T10:00"))]);
    assert!(
        ends[0].record.said.text.contains("watches old-bed for this any more"),
        "{}",
        ends[0].record.said.text
    );
}

/// Two probes of one bed, the dry one of which dies: the other goes on speaking.
#[test]
fn a_dead_probe_beside_a_living_one_clears_nothing() {
    let mut run = Run::new(SMALL.clone().probe("deep", "bed", 30).text());
    let deep = SensorIx(3);
    for quarter in 0..48 {
        let at = t("2026-03-10T10:00") + SignedDuration::from_mins(15 * quarter);
        let wobble = f64::from(u32::try_from(quarter % 5).expect("small")) * 2e-4;
        if quarter < 12 {
            run.take(PROBE, at, 0.12 + wobble);
        }
        run.take(deep, at + SignedDuration::from_secs(5), 0.28 + wobble);
    }
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged], "{:?}", run.changes);
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged]);
}

/// The computer's clock stands four years ahead for a while and is set right.
#[test]
fn a_clock_that_was_ahead_does_not_silence_the_garden() {
    let mut run = Run::by(Clock::Arrival, SMALL.text());
    for minute in [0, 5, 10] {
        run.take(THERMOMETER, t("2030-03-10T10:00") + SignedDuration::from_mins(minute), 22.0);
    }
    hold(&mut run, THERMOMETER, 5, "2026-03-10T10:00", "2026-03-10T12:00", 22.0);
    hold(&mut run, THERMOMETER, 5, "2026-03-10T12:00", "2026-03-10T12:30", 19.0);
    assert!(run.rows.iter().all(|row| !row.late));
    assert_eq!(run.steps(Kind::TankTemperatureShock), [State::Unacknowledged]);
    let before = run.changes.len();
    run.tick(t("2026-03-10T13:30"));
    assert_eq!(run.told()[before..].iter().map(|it| it.0).collect::<Vec<_>>(), [Kind::SensorSilent]);
}

#[test]
fn readings_without_a_time_that_arrive_at_once_are_all_kept() {
    for clock in [Clock::Arrival, Clock::Readings] {
        let mut run = Run::by(clock, SMALL.text());
        let mut batch = Batch::default();
        let arrival = t("2026-03-10T10:00");
        for _ in 0..4 {
            run.router.core.take(GAUGE, Sample { at: None, raw: 1.0, battery: None }, arrival, &mut batch);
        }
        let times: BTreeSet<Timestamp> = batch.readings.iter().map(|r| r.at).collect();
        assert_eq!(times.len(), 4, "{clock:?}");
        assert!(batch.readings.iter().all(|r| !r.late), "{clock:?}");
    }
}

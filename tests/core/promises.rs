//! The core's promises: what raises, what clears, what a restart keeps.

use std::sync::Arc;

use garden_simulator::{Scenario, School, Simulation};
use jiff::{SignedDuration, Timestamp};
use trug::alarms::{AlarmKey, AlarmNote, Answer, Answered};
use trug::alarms::{Input, Kind, State};
use trug::engine::{Desk, Message};
use trug::garden::plan::Garden;
use trug::garden::record::{AlarmChange, Batch, Reading};
use trug::garden::{Clock, Core, MulchAnswer, StoredAlarm};
use trug::model::Condition;
use trug::model::Id;
use trug::model::Sample;
use trug::model::SensorIx;
use trug::quality::Flag;
use trug::settings::from_text;

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";

/// One bed with two probes, a second bed, a tank, a gauge; raw numbers are values.
const SMALL: &str = r#"
[site]
id = "school"
name = "School"
time_zone = "Australia/Adelaide"
latitude_deg = -34.9
elevation_m = 50
[watering]
allowed = ["00:00-09:00", "18:00-24:00"]
[[bed]]
id = "bed"
name = "Bed"
area_m2 = 10
field_capacity = 0.30
wilting_point = 0.10
root_depth_m = 0.5
depletion_fraction = 0.4
irrigation = { litres_per_hour = 120, efficiency = 0.8 }
mulch = { depth_mm = 100, planned = 2026-05-20 }
[[tank]]
id = "tank"
name = "Tank"
volume_l = 500
species = "silver perch"
[[sensor]]
id = "probe"
measures = "soil-moisture"
bed = "bed"
depth_cm = 15
topic = "school/probe"
payload = "number"
every_s = 900
[[sensor]]
id = "thermometer"
measures = "water-temperature"
tank = "tank"
topic = "school/thermometer"
payload = "number"
every_s = 300
[[sensor]]
id = "gauge"
measures = "rain"
topic = "school/gauge"
payload = "number"
every_s = 900
calibration = { mm_per_tip = 0.2 }
[[tell]]
who = "grounds"
alarms = ["dry-bed"]
"#;

const PROBE: SensorIx = SensorIx(0);
const THERMOMETER: SensorIx = SensorIx(1);
const GAUGE: SensorIx = SensorIx(2);

fn gardens(text: &str) -> Vec<Arc<Garden>> {
    let settings =
        from_text(("trug.toml", TRUG), &[("g.toml", text)], std::iter::empty()).expect("no faults");
    settings.gardens.into_iter().map(Arc::new).collect()
}

struct Run {
    core: Core,
    rows: Vec<Reading>,
    changes: Vec<AlarmChange>,
    notes: Vec<AlarmNote>,
}

/// A person's answer, to whatever stands.
fn answer(kind: Kind, place: &str, input: Option<Input>) -> Answer {
    Answer {
        key: AlarmKey { site: Id::new("school"), kind, place: Id::new(place) },
        at: t("2026-03-10T00:00"),
        input,
        how: "command".to_owned(),
        since: None,
        note: None,
    }
}

impl Run {
    fn new() -> Self {
        Self::of(SMALL)
    }

    fn of(garden: &str) -> Self {
        Self {
            core: Core::new(&gardens(garden), Clock::Readings),
            rows: vec![],
            changes: vec![],
            notes: vec![],
        }
    }

    /// A person's answer; whether it changed something.
    fn answer(&mut self, kind: Kind, place: &str, input: Input) -> bool {
        self.answered(&answer(kind, place, Some(input))) == Answered::Done
    }

    fn answered(&mut self, answer: &Answer) -> Answered {
        let mut batch = Batch::default();
        let answered = self.core.answer(answer, &mut batch);
        assert_eq!(batch.changes.len() + batch.notes.len() > 0, answered == Answered::Done, "{answered:?}");
        self.changes.extend(batch.changes);
        self.notes.extend(batch.notes);
        answered
    }

    fn take(&mut self, sensor: SensorIx, at: Timestamp, raw: f64) -> &mut Self {
        let mut batch = Batch::default();
        self.core.take(sensor, Sample { at: Some(at), raw, battery: None }, at, &mut batch);
        self.rows.extend(batch.readings);
        self.changes.extend(batch.changes);
        self
    }

    /// The same raw number at each of the sensor's times from `from` to `to`, with
    /// a last digit that moves, as a real probe's does.
    fn hold(&mut self, sensor: SensorIx, every_min: i64, from: &str, to: &str, raw: f64) -> &mut Self {
        let (mut at, to) = (t(from), t(to));
        let mut wobble = 1.0;
        while at < to {
            let moving = if sensor == GAUGE { raw } else { raw + wobble * 0.0004 };
            self.take(sensor, at, moving);
            wobble = -wobble;
            at += SignedDuration::from_mins(every_min);
        }
        self
    }

    fn steps(&self, kind: Kind) -> Vec<State> {
        self.changes.iter().filter(|c| c.key.kind == kind).map(|c| c.to).collect()
    }
}

/// A local time of Adelaide.
fn t(local: &str) -> Timestamp {
    let zone = jiff::tz::TimeZone::get("Australia/Adelaide").expect("bundled");
    zone.to_timestamp(local.parse::<jiff::civil::DateTime>().expect("a date-time")).expect("a moment")
}

/// Readily available water is used up at 0.30 - 0.4 (0.30 - 0.10) = 0.22 m3/m3.
#[test]
fn a_dry_bed_is_told_after_an_hour_with_its_numbers() {
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-10T12:00", 0.23);
    assert_eq!(run.steps(Kind::DryBed), []);
    run.hold(PROBE, 15, "2026-03-10T12:00", "2026-03-10T14:00", 0.20);
    let [told] = run.changes.as_slice() else { panic!("one change: {:?}", run.changes) };
    assert_eq!((told.key.kind, told.to), (Kind::DryBed, State::Unacknowledged));
    assert_eq!((told.since, told.at), (t("2026-03-10T12:00"), t("2026-03-10T13:00")));
    assert_eq!(told.tell, ["grounds"]);
    // 50 mm are gone at 0.20: 50 mm x 10 m2 / 0.8 = 625 L, within the wobble.
    assert!(told.text.contains("630 L") || told.text.contains("620 L"), "{}", told.text);
    assert!(told.text.contains("after 6 pm on Tuesday 10 March"), "{}", told.text);
    let value = |name: &str| told.values.iter().find(|v| v.0 == name).expect("a value").1;
    assert!((value("depletion_mm") - 50.0).abs() < 0.5);
    assert!((value("readily_available_mm") - 40.0).abs() < 1e-9);
}

#[test]
fn silence_never_clears_a_dry_bed_and_water_does() {
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    run.hold(THERMOMETER, 5, "2026-03-10T13:00", "2026-03-12T13:00", 22.0);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged]);
    let view = run.core.view("school").expect("the site");
    assert_eq!(view.beds[0].condition, Condition::Unknown, "{}", view.beds[0].words);
    // Within the deadband (0.9 of 40 mm) it stays; past it, it returns after an hour.
    run.hold(PROBE, 15, "2026-03-12T13:00", "2026-03-12T16:00", 0.225);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    run.hold(PROBE, 15, "2026-03-12T16:00", "2026-03-12T18:00", 0.28);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    run.changes.retain(|c| c.key.place.as_str() == "probe");
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

#[test]
fn a_value_that_fails_its_tests_neither_raises_nor_clears() {
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-10T12:00", 0.25);
    run.hold(PROBE, 15, "2026-03-10T12:00", "2026-03-10T18:00", -3.0);
    assert!(run.rows.iter().any(|r| r.flag == Flag::Fail));
    assert_eq!(run.steps(Kind::DryBed), []);
    run.hold(PROBE, 15, "2026-03-11T10:00", "2026-03-11T13:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    run.hold(PROBE, 15, "2026-03-11T13:00", "2026-03-12T13:00", 5.0);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
}

#[test]
fn a_late_reading_is_kept_and_raises_nothing() {
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-10T12:00", 0.27);
    run.hold(THERMOMETER, 5, "2026-03-10T12:00", "2026-03-12T12:00", 22.0);
    let (rows, changes) = (run.rows.len(), run.changes.len());
    // Two days late, in one go, oldest first.
    run.hold(PROBE, 15, "2026-03-10T12:00", "2026-03-12T10:00", 0.12);
    let late = &run.rows[rows..];
    assert_eq!(late.len(), 184);
    assert!(late.iter().all(|r| r.late && r.value.is_some()));
    // Only that it speaks again.
    let told: Vec<_> = run.changes[changes..].iter().map(|c| (c.key.kind, c.to)).collect();
    assert_eq!(told, [(Kind::SensorSilent, State::ReturnedUnacknowledged)]);
}

#[test]
fn what_comes_twice_is_judged_once() {
    let (mut once, mut twice) = (Run::new(), Run::new());
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
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-10T12:00", 0.25);
    run.hold(THERMOMETER, 5, "2026-03-10T12:00", "2026-03-10T14:00", 20.0);
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged]);
    run.take(PROBE, t("2026-03-10T11:45"), 0.25).take(PROBE, t("2026-03-10T11:30"), 0.25);
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged]);
    run.take(PROBE, t("2026-03-10T14:00"), 0.25);
    assert_eq!(run.steps(Kind::SensorSilent), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

#[test]
fn a_cold_top_up_is_told_and_a_single_spike_is_not() {
    let mut run = Run::new();
    run.hold(THERMOMETER, 5, "2026-03-10T10:00", "2026-03-10T12:00", 22.0);
    run.take(THERMOMETER, t("2026-03-10T12:00"), 12.0);
    run.hold(THERMOMETER, 5, "2026-03-10T12:05", "2026-03-10T14:00", 22.0);
    assert_eq!(run.steps(Kind::TankTemperatureShock), [], "a spike");
    run.hold(THERMOMETER, 5, "2026-03-10T14:00", "2026-03-10T14:30", 19.5);
    let told = run.changes.last().expect("a change");
    assert_eq!((told.key.kind, told.to), (Kind::TankTemperatureShock, State::Unacknowledged));
    assert!(told.text.contains("cooled 2.5 °C within an hour"), "{}", told.text);
    assert_eq!(told.at, t("2026-03-10T14:05"), "with the second reading");
}

#[test]
fn two_degrees_in_an_hour_are_the_limit_itself() {
    let mut run = Run::new();
    for minute in (0..=60).step_by(5) {
        let at = t("2026-03-10T10:00") + SignedDuration::from_mins(minute);
        run.take(THERMOMETER, at, 20.0 + 2.0 * minute as f64 / 60.0);
    }
    assert_eq!(run.steps(Kind::TankTemperatureShock), []);
}

/// A probe that is watered at a local time, beside a gauge that speaks until
/// `gauge_until` and tips at the watering if `tips`.
fn watered(at: &str, gauge_until: &str, tips: f64) -> Run {
    let mut run = Run::new();
    let start = t("2026-03-20T00:00");
    let (watered, until) = (t(at), t(gauge_until));
    for quarter in 0..20 * 96 {
        let now = start + SignedDuration::from_mins(15 * quarter);
        if now < until {
            let tip =
                if now >= watered && now < watered + SignedDuration::from_mins(15) { tips } else { 0.0 };
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
    let words =
        silent.core.view("school").expect("the site").beds[0].last_wetting.clone().expect("a wetting");
    assert!(words.contains("not known whether by rain or watering"), "{words}");
}

#[test]
fn mulch_is_yes_water_first_wetting_agent_first_or_unknown() {
    let now = t("2026-03-10T13:00");
    let answer = |raw: Option<f64>| {
        let mut run = Run::new();
        if let Some(raw) = raw {
            run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", raw);
        }
        run.core.mulch_day(None, "bed", now).expect("the bed")
    };
    assert_eq!(answer(Some(0.29)).answer, MulchAnswer::Yes);
    assert_eq!(answer(Some(0.25)).answer, MulchAnswer::WaterFirst);
    assert_eq!(answer(Some(0.13)).answer, MulchAnswer::WettingAgentFirst);
    assert_eq!(answer(None).answer, MulchAnswer::Unknown);
    // 10 m2 to 100 mm: a millimetre on a square metre is a litre.
    assert!((answer(None).mulch_l - 1000.0).abs() < 1e-9);
}

#[test]
fn a_dry_bed_before_its_mulch_day_is_told_from_a_week_before() {
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-05-11T12:00", "2026-05-12T23:45", 0.25);
    assert_eq!(run.steps(Kind::MulchOnDrySoil), []);
    run.hold(PROBE, 15, "2026-05-13T00:00", "2026-05-13T02:00", 0.25);
    assert_eq!(run.steps(Kind::MulchOnDrySoil), [State::Unacknowledged]);
    assert!(run.changes[0].text.contains("in 7 days"), "{}", run.changes[0].text);
    run.hold(PROBE, 15, "2026-05-13T02:00", "2026-05-13T06:00", 0.29);
    assert_eq!(run.steps(Kind::MulchOnDrySoil), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

#[test]
fn an_answer_is_taken_once() {
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    let seen = answer(Kind::DryBed, "bed", Some(Input::Acknowledge));
    assert_eq!(run.answered(&seen), Answered::Done);
    let step = run.changes.last().expect("a change");
    assert_eq!((step.to, step.how.as_deref()), (State::Acknowledged, Some("command")));
    assert!(step.text.contains("dry"), "it says again what it is about");
    assert_eq!(run.answered(&seen), Answered::NotWaiting);
    let nowhere = answer(Kind::DryBed, "nowhere", Some(Input::Acknowledge));
    assert_eq!(run.answered(&nowhere), Answered::NoSuchAlarm);
    let tank = answer(Kind::TankTooWarm, "tank", Some(Input::Acknowledge));
    assert_eq!(run.answered(&tank), Answered::Over);
}

#[test]
fn an_answer_is_to_one_occurrence() {
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    let began = t("2026-03-10T10:00");
    let seen = |since| Answer { since: Some(since), ..answer(Kind::DryBed, "bed", Some(Input::Acknowledge)) };
    let note = |since| Answer {
        since: Some(since),
        note: Some("the tap is being mended".to_owned()),
        ..answer(Kind::DryBed, "bed", None)
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
    run.hold(PROBE, 15, "2026-03-10T13:00", "2026-03-11T10:00", 0.29);
    assert_eq!(run.answered(&seen(began)), Answered::Over);
    assert_eq!(run.answered(&note(began)), Answered::Over);
    assert_eq!(run.answered(&answer(Kind::DryBed, "bed", None)), Answered::Over);
    // Dry again, for too short a time to be told: still over.
    run.hold(PROBE, 15, "2026-03-11T10:00", "2026-03-11T10:30", 0.20);
    assert_eq!(run.answered(&seen(began)), Answered::Over);
    run.hold(PROBE, 15, "2026-03-11T10:30", "2026-03-11T13:00", 0.20);
    assert_eq!(run.answered(&seen(began)), Answered::OtherOccurrence);
    assert_eq!(run.answered(&seen(t("2026-03-11T10:00"))), Answered::Done);
    assert_eq!(run.steps(Kind::DryBed).len(), 5);
    // One that is switched off while nothing is the matter has no beginning.
    let mut off = Run::new();
    off.hold(PROBE, 15, "2026-03-10T09:00", "2026-03-10T10:00", 0.29);
    assert!(off.answer(Kind::DryBed, "bed", Input::TakeOut));
    assert_eq!(off.answered(&seen(began)), Answered::Over);
    let back = Answer { since: Some(began), ..answer(Kind::DryBed, "bed", Some(Input::PutBack)) };
    assert_eq!(off.answered(&back), Answered::Done);
}

#[test]
fn an_alarm_that_is_put_aside_comes_back_if_it_still_holds() {
    use State::{Shelved, Unacknowledged};
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    let until = t("2026-03-10T16:00");
    assert!(run.answer(Kind::DryBed, "bed", Input::Shelve { until, one_shot: false }));
    assert!(!run.answer(Kind::DryBed, "bed", Input::Acknowledge), "it is out of sight");
    run.hold(PROBE, 15, "2026-03-10T13:00", "2026-03-10T16:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [Unacknowledged, Shelved]);
    let shelved = run.changes.last().expect("a change");
    assert_eq!((shelved.shelf, shelved.how.as_deref()), (Some((until, false)), Some("command")));
    assert!(shelved.text.contains("dry"), "it says what is put aside: {}", shelved.text);
    run.hold(PROBE, 15, "2026-03-10T16:00", "2026-03-10T17:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [Unacknowledged, Shelved, Unacknowledged]);
    assert_eq!(run.changes.last().expect("a change").since, t("2026-03-10T10:00"));
    // Watered while it is put aside: nobody needs to be told.
    let until = t("2026-03-11T16:00");
    run.answer(Kind::DryBed, "bed", Input::Shelve { until, one_shot: true });
    run.hold(PROBE, 15, "2026-03-10T17:00", "2026-03-10T22:00", 0.29);
    assert_eq!(run.steps(Kind::DryBed)[3..], [Shelved, State::Normal]);
}

#[test]
fn one_that_is_switched_off_stays_so_until_it_is_put_back() {
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-03-10T09:00", "2026-03-10T10:00", 0.29);
    assert!(run.answer(Kind::DryBed, "bed", Input::TakeOut));
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-20T13:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::OutOfService]);
    assert!(run.answer(Kind::DryBed, "bed", Input::PutBack));
    assert_eq!(run.steps(Kind::DryBed), [State::OutOfService, State::Unacknowledged]);
}

#[test]
fn the_plan_keeps_a_fallow_bed_and_the_holidays_quiet() {
    let fallow = SMALL.replace("area_m2 = 10", "area_m2 = 10\nfallow = true");
    let mut run = Run::of(&fallow);
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-12T10:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Suppressed]);
    assert!(run.core.view("school").expect("the site").to_do.is_empty());

    let holiday =
        format!("{SMALL}\n[[holiday]]\nfrom = 2026-03-11\nto = 2026-03-12\nquiet = [\"dry-bed\"]\n");
    let mut run = Run::of(&holiday);
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-14T10:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged, State::Suppressed, State::Unacknowledged]);
    let at: Vec<Timestamp> =
        run.changes.iter().filter(|c| c.key.kind == Kind::DryBed).map(|c| c.at).collect();
    assert_eq!(at[1..], [t("2026-03-11T00:00"), t("2026-03-13T00:00")]);
}

#[test]
fn a_tank_that_may_have_hurt_its_fish_wants_to_be_looked_at() {
    let mut run = Run::new();
    run.hold(THERMOMETER, 5, "2026-03-10T10:00", "2026-03-10T12:00", 22.0);
    run.hold(THERMOMETER, 5, "2026-03-10T12:00", "2026-03-10T12:30", 18.5);
    assert_eq!(run.steps(Kind::TankTemperatureShock), [State::Unacknowledged]);
    run.hold(THERMOMETER, 5, "2026-03-10T12:30", "2026-03-12T12:30", 18.5);
    assert_eq!(run.steps(Kind::TankTemperatureShock), [State::Unacknowledged, State::LatchedUnacknowledged]);
    let to_do = run.core.view("school").expect("the site").to_do;
    assert!(to_do.iter().any(|job| job.text.contains("Look at the fish all the same")), "{to_do:?}");
    assert!(!run.answer(Kind::TankTemperatureShock, "tank", Input::Reset), "not before it was seen");
    assert!(run.answer(Kind::TankTemperatureShock, "tank", Input::Acknowledge));
    assert!(run.answer(Kind::TankTemperatureShock, "tank", Input::Reset));
    assert_eq!(run.steps(Kind::TankTemperatureShock)[2..], [State::LatchedAcknowledged, State::Normal]);
}

#[test]
fn what_was_taken_on_and_still_holds_is_told_again() {
    let mut run = Run::new();
    run.hold(PROBE, 15, "2026-03-10T10:00", "2026-03-10T13:00", 0.20);
    assert!(run.answer(Kind::DryBed, "bed", Input::Acknowledge));
    run.hold(PROBE, 15, "2026-03-10T13:00", "2026-03-12T12:30", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged, State::Acknowledged]);
    run.hold(PROBE, 15, "2026-03-12T12:30", "2026-03-12T14:00", 0.20);
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
    let garden = include_str!("../../config/gardens/saltbush-gully.toml");
    let gardens = gardens(garden);
    let school = School::parse(garden).expect("the school");
    let scenario = Scenario::named(name).expect("a scenario");
    let emissions: Vec<_> = Simulation::new(&school, &scenario, scenario.seed).collect();
    let play =
        |desk: &mut Desk, from: usize, to: usize, rows: &mut Vec<Reading>, changes: &mut Vec<AlarmChange>| {
            for e in &emissions[from..to] {
                let mut batch = Batch::default();
                let message = Message {
                    topic: e.topic.as_bytes(),
                    payload: &e.payload,
                    retained: false,
                    arrival: e.send_at,
                };
                desk.open(message, &mut batch);
                rows.append(&mut batch.readings);
                changes.append(&mut batch.changes);
            }
        };
    let (mut rows, mut whole) = (vec![], vec![]);
    play(&mut Desk::new(&gardens, Clock::Readings), 0, emissions.len(), &mut rows, &mut whole);
    assert!(whole.len() >= 8, "{name} has alarms: {}", whole.len());

    for cut in (1..pieces).map(|i| emissions.len() * i / pieces + i * 7) {
        let (mut rows, mut changes) = (vec![], vec![]);
        play(&mut Desk::new(&gardens, Clock::Readings), 0, cut, &mut rows, &mut changes);
        let mut again = Desk::new(&gardens, Clock::Readings);
        let mut scratch = Batch::default();
        rows.sort_by_key(|r| (r.at, r.sensor));
        for row in rows.iter().filter(|r| !r.late) {
            again.core.restore_reading(row, &mut scratch);
        }
        let mut present: std::collections::BTreeMap<AlarmKey, StoredAlarm> =
            std::collections::BTreeMap::new();
        for c in &changes {
            let (key, text) = (c.key.clone(), c.text.clone());
            let alarm = StoredAlarm {
                key: key.clone(),
                state: c.to,
                since: c.since,
                at: c.at,
                shelf: c.shelf,
                text,
                values: c.values.clone(),
                source: c.source.clone(),
                why: c.why.clone(),
            };
            present.insert(key, alarm);
        }
        again.core.restore_alarms(present.into_values().collect());
        play(&mut again, cut, emissions.len(), &mut rows, &mut changes);
        let brief = |changes: &[AlarmChange]| -> Vec<String> {
            changes
                .iter()
                .map(|c| format!("{} {} {:?} {}", c.at, c.key.kind.name(), c.key.place, c.to.name()))
                .collect()
        };
        assert_eq!(brief(&changes), brief(&whole), "{name} cut at message {cut}");
    }
}

/// A bed is taken out of the file while its alarm stands; that of another garden is
/// none of this one's.
#[test]
fn an_alarm_of_what_was_taken_out_of_the_file_ends() {
    let core = Core::new(&gardens(SMALL), Clock::Arrival);
    let stored = |site: &str, place: &str, state| StoredAlarm {
        key: AlarmKey { site: Id::new(site), kind: Kind::DryBed, place: Id::new(place) },
        state,
        since: t("2026-03-10T10:00"),
        at: t("2026-03-10T11:00"),
        shelf: None,
        text: "The old bed is dry.".to_owned(),
        values: vec![],
        source: "FAO-56".into(),
        why: vec![],
    };
    let all = [
        stored("school", "bed", State::Unacknowledged),
        stored("school", "old-bed", State::Shelved),
        stored("school", "older-bed", State::Normal),
        stored("elsewhere", "old-bed", State::Unacknowledged),
    ];
    let ends = core.ends_of_removed(&all, t("2026-03-12T10:00"));
    let brief: Vec<_> = ends.iter().map(|c| (c.key.place.as_str(), c.from, c.to, c.at)).collect();
    assert_eq!(brief, [("old-bed", State::Shelved, State::Normal, t("2026-03-12T10:00"))]);
    assert!(ends[0].text.contains("watches old-bed for this any more"), "{}", ends[0].text);
}

/// Two probes of one bed, the dry one of which dies: the other goes on speaking.
#[test]
fn a_dead_probe_beside_a_living_one_clears_nothing() {
    let second = r#"
[[sensor]]
id = "deep"
measures = "soil-moisture"
bed = "bed"
depth_cm = 30
topic = "school/deep"
payload = "number"
every_s = 900
"#;
    let text = format!("{SMALL}{second}");
    let mut run = Run {
        core: Core::new(&gardens(&text), Clock::Readings),
        rows: vec![],
        changes: vec![],
        notes: vec![],
    };
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
    let mut run = Run {
        core: Core::new(&gardens(SMALL), Clock::Arrival),
        rows: vec![],
        changes: vec![],
        notes: vec![],
    };
    for minute in [0, 5, 10] {
        run.take(THERMOMETER, t("2030-03-10T10:00") + SignedDuration::from_mins(minute), 22.0);
    }
    run.hold(THERMOMETER, 5, "2026-03-10T10:00", "2026-03-10T12:00", 22.0);
    run.hold(THERMOMETER, 5, "2026-03-10T12:00", "2026-03-10T12:30", 19.0);
    assert!(run.rows.iter().all(|row| !row.late));
    assert_eq!(run.steps(Kind::TankTemperatureShock), [State::Unacknowledged]);
    let mut batch = Batch::default();
    run.core.tick(t("2026-03-10T13:30"), &mut batch);
    assert_eq!(batch.changes.iter().map(|c| c.key.kind).collect::<Vec<_>>(), [Kind::SensorSilent]);
}

#[test]
fn readings_without_a_time_that_arrive_at_once_are_all_kept() {
    for clock in [Clock::Arrival, Clock::Readings] {
        let mut core = Core::new(&gardens(SMALL), clock);
        let mut batch = Batch::default();
        let arrival = t("2026-03-10T10:00");
        for _ in 0..4 {
            core.take(GAUGE, Sample { at: None, raw: 1.0, battery: None }, arrival, &mut batch);
        }
        let times: std::collections::BTreeSet<Timestamp> = batch.readings.iter().map(|r| r.at).collect();
        assert_eq!(times.len(), 4, "{clock:?}");
        assert!(batch.readings.iter().all(|r| !r.late), "{clock:?}");
    }
}

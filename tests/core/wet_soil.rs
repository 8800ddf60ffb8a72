//! Too much water, soil that sheds it, and what both mean for mulch.

use jiff::SignedDuration;
use jiff::civil::date;
use trug::alarms::{Kind, State};
use trug::garden::log::LogEvent;
use trug::garden::record::AlarmChange;
use trug::garden::{MulchAnswer, MulchDay};
use trug::model::Condition;
use trug::model::SensorIx;

use crate::support::garden::{BED_KEYS, GardenFile, WATERING, local as t};
use crate::support::run::Run;

/// 0.30 - 0.10 over 0.5 m on 10 m2 at 0.8: the bed can use 1250 L at most. With
/// saturation at 0.50 a tap is told of above 0.36 and waterlogging above 0.40.
fn school() -> Run {
    let bed = format!(
        "{BED_KEYS}saturation = 0.50\nirrigation = {{ litres_per_hour = 120, efficiency = 0.8 }}\n\
         mulch = {{ depth_mm = 100, planned = 2026-05-20 }}\n"
    );
    let file = GardenFile::new("saltbush-gully")
        .with(WATERING)
        .bed("bed", "Bed", &bed)
        .probe("probe", "bed", 15)
        .sensor("gauge", "rain", "calibration = { mm_per_tip = 0.2 }")
        .sensor("meter", "water-flow", "bed = \"bed\"")
        .sensor("main-meter", "water-flow", "");
    Run::new(file.text())
}

const PROBE: SensorIx = SensorIx(0);
const GAUGE: SensorIx = SensorIx(1);
const METER: SensorIx = SensorIx(2);
const MAIN: SensorIx = SensorIx(3);

/// Readings of all named sensors each quarter of an hour from `from` to `to`; `value`
/// gives a sensor's by the hours since `from`.
fn play(run: &mut Run, sensors: &[SensorIx], from: &str, to: &str, value: impl Fn(SensorIx, f64) -> f64) {
    let (from, to) = (t(from), t(to));
    let mut at = from;
    while at < to {
        let hours = at.duration_since(from).as_secs_f64() / 3600.0;
        for &sensor in sensors {
            // A real probe's last digit moves.
            let wobble = 0.0003 * ((at.as_second() / 900) % 3 - 1) as f64;
            let moving = if sensor == PROBE { wobble } else { 0.0 };
            run.take(sensor, at, value(sensor, hours) + moving);
        }
        at += SignedDuration::from_mins(15);
    }
}

/// A limit that no publication gives is not told as a publication's: whose it is comes first.
fn assert_ours(told: &AlarmChange, whose: &str) {
    assert!(told.record.said.source.starts_with(whose), "{}", told.record.said.source);
}

fn mulch(run: &Run, at: &str) -> MulchDay {
    run.core().mulch_day(None, "bed", t(at)).expect("the bed")
}

/// Dry until noon of the second day, then up within three hours and held.
fn wet_from_second_noon(sensor: SensorIx, hours: f64) -> f64 {
    if sensor == PROBE { 0.25 + 0.17 * ((hours - 36.0) / 3.0).clamp(0.0, 1.0) } else { 0.0 }
}

#[test]
fn soil_that_stays_wet_without_rain_tells_of_an_open_tap_and_drainage_clears_it() {
    let mut run = school();
    play(&mut run, &[PROBE, GAUGE], "2026-03-10T00:00", "2026-03-12T10:00", wet_from_second_noon);
    assert_eq!(run.steps(Kind::WaterLeftOn), [State::Unacknowledged]);
    let told = run.first(Kind::WaterLeftOn);
    assert!(told.record.said.text.contains("Shut the tap"), "{}", told.record.said.text);
    assert!(told.record.at < t("2026-03-12T04:00"), "{}", told.record.at);
    assert!(
        told.record
            .said
            .why
            .iter()
            .any(|step| step.with.contains("0.300 + 0.3 x (0.500 - 0.300) = 0.360 m3/m3"))
    );
    assert_ours(told, "this project's own rule");
    let card = &run.view().beds[0];
    assert_eq!(card.condition, Condition::Act);
    assert!(card.words.contains("shut its tap now"), "{}", card.words);
    play(&mut run, &[PROBE, GAUGE], "2026-03-12T10:00", "2026-03-13T10:00", |sensor, hours| {
        if sensor == PROBE { 0.30 + 0.12 * (-hours / 8.0).exp() } else { 0.0 }
    });
    assert_eq!(run.steps(Kind::WaterLeftOn).last(), Some(&State::ReturnedUnacknowledged));
}

#[test]
fn rain_a_missing_gauge_or_draining_soil_tell_of_no_open_tap() {
    let mut silent = school();
    play(&mut silent, &[PROBE], "2026-03-10T00:00", "2026-03-15T00:00", wet_from_second_noon);
    assert_eq!((silent.steps(Kind::WaterLeftOn), silent.steps(Kind::Waterlogged)), (vec![], vec![]));
    let mut rained = school();
    play(
        &mut rained,
        &[PROBE, GAUGE],
        "2026-03-10T00:00",
        "2026-03-12T10:00",
        |sensor, hours| match sensor {
            GAUGE if (36.0..39.0).contains(&hours) => 20.0,
            _ => wet_from_second_noon(sensor, hours),
        },
    );
    assert_eq!(rained.steps(Kind::WaterLeftOn), []);
    let mut watered = school();
    play(&mut watered, &[PROBE, GAUGE], "2026-03-10T00:00", "2026-03-13T10:00", |sensor, hours| {
        let wet = wet_from_second_noon(sensor, hours);
        if sensor == PROBE && hours > 39.0 { 0.30 + 0.12 * (-(hours - 39.0) / 30.0).exp() } else { wet }
    });
    assert_eq!(watered.steps(Kind::WaterLeftOn), []);
}

#[test]
fn soil_that_has_not_drained_two_days_after_rain_is_waterlogged() {
    let mut run = school();
    let rain = |sensor, hours| match sensor {
        GAUGE if (36.0..39.0).contains(&hours) => 20.0,
        _ => wet_from_second_noon(sensor, hours) + if sensor == PROBE && hours > 39.0 { 0.03 } else { 0.0 },
    };
    play(&mut run, &[PROBE, GAUGE], "2026-03-10T00:00", "2026-03-13T09:00", rain);
    assert_eq!(run.steps(Kind::Waterlogged), []);
    // Slow loss to roots and air, so that the tap's rule has nothing to say.
    play(&mut run, &[PROBE, GAUGE], "2026-03-13T09:00", "2026-03-14T12:00", |sensor, hours| {
        if sensor == PROBE { 0.45 - 0.0018 * hours } else { 0.0 }
    });
    assert_eq!(run.steps(Kind::Waterlogged), [State::Unacknowledged]);
    assert_eq!(run.steps(Kind::WaterLeftOn), []);
    let told = run.first(Kind::Waterlogged);
    assert!(told.record.said.text.contains("Do not water it"), "{}", told.record.said.text);
    assert_ours(told, "this project's own limit");
    assert!(
        told.record.said.why.iter().any(|step| step.with.ends_with("= 0.400 m3/m3")),
        "{:?}",
        told.record.said.why
    );
}

#[test]
fn a_meter_that_counts_more_than_the_bed_holds_tells_of_an_open_tap() {
    let mut run = school();
    // 100 L each quarter of an hour: 1250 L are passed after 13 of them.
    play(
        &mut run,
        &[METER],
        "2026-03-10T18:00",
        "2026-03-10T23:00",
        |_, hours| if hours > 0.0 { 100.0 } else { 0.0 },
    );
    let told = run.first(Kind::WaterLeftOn);
    assert_eq!((told.record.key.place.as_str(), told.record.at), ("bed", t("2026-03-10T21:15")));
    assert!(
        told.record.said.why.iter().any(|step| step.with.contains("100.0 mm x 10.0 m2 / 0.80 = 1250 L")),
        "{:?}",
        told.record.said.why
    );
    play(&mut run, &[METER], "2026-03-10T23:00", "2026-03-11T01:00", |_, _| 0.0);
    assert_eq!(run.steps(Kind::WaterLeftOn), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

#[test]
fn a_dribble_through_the_site_s_meter_is_told_after_half_a_day() {
    let mut run = school();
    play(&mut run, &[MAIN], "2026-03-10T18:00", "2026-03-11T05:45", |_, _| 2.0);
    assert_eq!(run.steps(Kind::WaterLeftOn), []);
    play(&mut run, &[MAIN], "2026-03-11T05:45", "2026-03-11T08:00", |_, _| 2.0);
    assert_eq!(run.first(Kind::WaterLeftOn).record.key.place.as_str(), "main-meter");
    let view = run.view();
    assert!(view.alarms.iter().any(|alarm| alarm.record.key.kind == Kind::WaterLeftOn));
}

/// Noon rains of 40 mm on a dry bed, 1.5 x 1000 x 0.15 x 0.15 = 34 mm being enough.
fn shed(run: &mut Run, from: &str, to: &str) {
    play(run, &[PROBE, GAUGE], from, to, |sensor, hours| {
        let (day, of_day) = ((hours / 24.0) as i64, hours % 24.0);
        match sensor {
            GAUGE if day % 3 == 1 && (12.0..14.0).contains(&of_day) => 25.0,
            PROBE => 0.15,
            _ => 0.0,
        }
    });
}

#[test]
fn three_rains_that_a_dry_bed_does_not_feel_tell_of_soil_that_sheds_water() {
    let mut run = school();
    shed(&mut run, "2026-03-10T00:00", "2026-03-16T12:00");
    assert_eq!(run.steps(Kind::WaterRepellentSoil), []);
    shed(&mut run, "2026-03-16T12:00", "2026-03-19T12:00");
    assert_eq!(run.steps(Kind::WaterRepellentSoil), [State::Unacknowledged]);
    let told = run.first(Kind::WaterRepellentSoil);
    assert!(
        told.record.said.text.contains("put a drop of water on bare, dry soil")
            && told.record.said.text.contains("40 mm, 40 mm and 40 mm"),
        "{}",
        told.record.said.text
    );
    assert_eq!(told.record.said.why.len(), 4);
    let day = mulch(&run, "2026-03-19T12:00");
    assert_eq!(day.answer, MulchAnswer::DropTestFirst);
    assert!(day.text.contains("did not soak in") && day.text.contains("Water-drop test"), "{}", day.text);

    // The agent alone proves nothing; a drop that goes in after it does.
    run.log("bed", t("2026-03-19T12:10"), LogEvent::WettingAgent);
    assert_eq!(run.steps(Kind::WaterRepellentSoil).len(), 1);
    run.log("bed", t("2026-03-19T15:00"), LogEvent::WaterDrop { seconds: 3.0 });
    assert_eq!(run.steps(Kind::WaterRepellentSoil).last(), Some(&State::ReturnedUnacknowledged));
}

#[test]
fn rain_that_a_moist_bed_does_not_feel_proves_nothing() {
    let mut run = school();
    play(&mut run, &[PROBE, GAUGE], "2026-03-10T00:00", "2026-03-25T00:00", |sensor, hours| {
        let (day, of_day) = ((hours / 24.0) as i64, hours % 24.0);
        match sensor {
            GAUGE if day % 3 == 1 && (12.0..14.0).contains(&of_day) => 25.0,
            PROBE => 0.26,
            _ => 0.0,
        }
    });
    assert_eq!(run.steps(Kind::WaterRepellentSoil), []);
}

#[test]
fn mulch_follows_the_log() {
    let mut run = school();
    play(&mut run, &[PROBE], "2026-03-10T10:00", "2026-03-10T13:00", |_, _| 0.29);
    let now = "2026-03-10T13:00";
    assert_eq!(mulch(&run, now).answer, MulchAnswer::Yes);
    run.log("bed", t("2026-03-10T09:00"), LogEvent::WaterDrop { seconds: 90.0 });
    let day = mulch(&run, now);
    assert_eq!(day.answer, MulchAnswer::WettingAgentFirst);
    assert!(day.text.contains("strongly water repellent"), "{}", day.text);
    assert!(day.text.contains("fish tanks") && day.text.contains("leaves that are eaten"), "{}", day.text);
    // Used after the drop, and the bed is moist.
    run.log("bed", t("2026-03-10T10:00"), LogEvent::WettingAgent);
    assert_eq!(mulch(&run, now).answer, MulchAnswer::Yes);
    // A drop after the agent tells more than the agent.
    run.log("bed", t("2026-03-10T12:00"), LogEvent::WaterDrop { seconds: 60.0 });
    assert_eq!(mulch(&run, now).answer, MulchAnswer::WettingAgentFirst);
}

#[test]
fn very_dry_soil_wants_a_drop_test_before_any_wetting_agent() {
    let mut run = school();
    play(&mut run, &[PROBE], "2026-03-10T10:00", "2026-03-10T13:00", |_, _| 0.13);
    let now = "2026-03-10T13:00";
    let untested = mulch(&run, now);
    assert_eq!(untested.answer, MulchAnswer::DropTestFirst);
    assert!(untested.text.contains("A minute or more: it needs a wetting agent."), "{}", untested.text);
    let dropped = |seconds| {
        let mut run = school();
        play(&mut run, &[PROBE], "2026-03-10T10:00", "2026-03-10T13:00", |_, _| 0.13);
        run.log("bed", t("2026-03-10T12:00"), LogEvent::WaterDrop { seconds });
        mulch(&run, now).answer
    };
    assert_eq!(dropped(3.0), MulchAnswer::WaterFirst);
    assert_eq!(dropped(59.0), MulchAnswer::WaterFirst);
    assert_eq!(dropped(60.0), MulchAnswer::WettingAgentFirst);
    run.log("bed", t("2026-03-01T09:00"), LogEvent::WettingAgent);
    let day = mulch(&run, now);
    assert_eq!(day.answer, MulchAnswer::WaterFirst);
    // 85 mm x 10 m2 / 0.8 = 1062 L at 120 L an hour: 8.9 h from 6 pm.
    let litres = day.water_l.expect("water first");
    assert!((litres - 1062.0).abs() < 5.0, "{litres}");
    assert_eq!(day.runs.first().map(|run| run.from), Some(t("2026-03-10T18:00")));
    assert!((day.runs.iter().map(|run| run.litres).sum::<f64>() - litres).abs() < 1e-6);
    assert!(day.why.iter().any(|step| step.with.contains("m2 / 0.80")));
}

#[test]
fn mulch_of_more_than_a_year_is_to_be_renewed() {
    let mut run = school();
    run.log("bed", t("2025-03-09T09:00"), LogEvent::MulchLaid { depth_mm: 100.0 });
    play(&mut run, &[PROBE], "2026-03-10T10:00", "2026-03-10T13:00", |_, _| 0.29);
    let day = mulch(&run, "2026-03-10T13:00");
    assert!(day.renew && day.text.contains("renew it"), "{}", day.text);
    let card = run.view().beds[0].mulch.clone().expect("mulch words");
    assert!(card.contains("more than a year ago: renew it"), "{card}");
    run.log("bed", t("2026-02-01T09:00"), LogEvent::MulchLaid { depth_mm: 80.0 });
    assert!(!mulch(&run, "2026-03-10T13:00").renew);
}

/// The plan is for 20 May: asked from the day after, until somebody says.
#[test]
fn what_was_planned_is_asked_about_the_day_after_and_counts_as_bare() {
    let mut run = school();
    play(&mut run, &[PROBE], "2026-05-20T10:00", "2026-05-20T23:00", |_, _| 0.29);
    assert_eq!(run.view().mulch_questions, []);
    play(&mut run, &[PROBE], "2026-05-20T23:00", "2026-05-21T01:00", |_, _| 0.29);
    let view = run.view();
    let [asked] = view.mulch_questions.as_slice() else { panic!("{:?}", view.mulch_questions) };
    assert_eq!(
        (asked.bed.as_str(), asked.planned, asked.at),
        ("bed", date(2026, 5, 20), t("2026-05-20T12:00"))
    );
    let card = view.beds[0].mulch.clone().expect("words");
    assert!(
        card.ends_with("The Garden log does not say that it was laid, so the bed counts as bare."),
        "{card}"
    );

    run.log("bed", asked.at, LogEvent::MulchNotLaid);
    let view = run.view();
    assert_eq!(view.mulch_questions, []);
    let card = view.beds[0].mulch.clone().expect("words");
    assert!(card.contains("was not laid. Give it a new day"), "{card}");
    run.log("bed", asked.at, LogEvent::MulchLaid { depth_mm: 100.0 });
    let view = run.view();
    assert_eq!((view.mulch_questions, view.beds[0].mulch.clone()), (Vec::new(), None));
    // Mulch of the year before is not this one.
    let mut run = school();
    run.log("bed", t("2026-05-12T09:00"), LogEvent::MulchLaid { depth_mm: 100.0 });
    play(&mut run, &[PROBE], "2026-05-21T00:00", "2026-05-21T01:00", |_, _| 0.29);
    assert_eq!(run.view().mulch_questions.len(), 1);
    run.log("bed", t("2026-05-13T09:00"), LogEvent::MulchLaid { depth_mm: 100.0 });
    assert_eq!(run.view().mulch_questions, []);
}

#[test]
fn mulch_laid_before_its_day_ends_the_warning() {
    let mut run = school();
    play(&mut run, &[PROBE], "2026-05-16T00:00", "2026-05-16T03:00", |_, _| 0.25);
    assert_eq!(run.steps(Kind::MulchOnDrySoil), [State::Unacknowledged]);
    run.log("bed", t("2026-05-16T03:00"), LogEvent::MulchLaid { depth_mm: 100.0 });
    play(&mut run, &[PROBE], "2026-05-16T03:00", "2026-05-16T06:00", |_, _| 0.25);
    assert_eq!(run.steps(Kind::MulchOnDrySoil), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    let over = run.changes.iter().rfind(|it| it.record.key.kind == Kind::MulchOnDrySoil).expect("it is over");
    assert!(over.record.said.text.contains("has been laid"), "{}", over.record.said.text);
}

#[test]
fn mulch_that_is_less_than_half_is_to_be_topped_up() {
    let mut run = school();
    run.log("bed", t("2026-01-09T09:00"), LogEvent::MulchLaid { depth_mm: 100.0 });
    play(&mut run, &[PROBE], "2026-03-10T10:00", "2026-03-10T13:00", |_, _| 0.29);
    assert!(!mulch(&run, "2026-03-10T13:00").renew);
    run.log("bed", t("2026-03-10T12:00"), LogEvent::MulchMeasured { depth_mm: 40.0 });
    let day = mulch(&run, "2026-03-10T13:00");
    let words = "Its mulch was 40 mm deep on Tuesday 10 March 2026, less than half of the 100 mm that were laid: top it up.";
    assert!(day.renew && day.text.contains(words), "{}", day.text);
    assert!(day.text.contains("That depth is for coarse mulch"), "{}", day.text);
}

#[test]
fn a_bed_with_an_open_mulch_alarm_is_not_called_well() {
    let mut run = school();
    play(&mut run, &[PROBE], "2026-05-14T00:00", "2026-05-14T06:00", |_, _| 0.24);
    assert_eq!(run.steps(Kind::MulchOnDrySoil), [State::Unacknowledged]);
    assert_ours(run.first(Kind::MulchOnDrySoil), "common practice");
    let card = &run.view().beds[0];
    assert_eq!(card.condition, Condition::Watch);
    assert!(card.words.contains("not moist enough for its mulch day"), "{}", card.words);
}

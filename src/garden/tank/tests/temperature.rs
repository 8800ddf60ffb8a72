//! Temperature: shocks, comfort, limits.

use crate::alarms::{Kind, State};
use crate::model::Condition;

use super::{RAISED, Run, said};

/// 500 L at 20 °C; 200 L of 11 °C in 20 minutes.
fn top_up_c(minute: f64) -> f64 {
    11.0 + 9.0 * (-10.0 * minute.min(20.0) / 500.0).exp()
}

#[test]
fn a_cold_top_up_is_told_whatever_the_probe_s_interval() {
    for every_s in [1, 60, 300, 900, 7200] {
        let mut run = Run::new(&[], "", every_s);
        let before = if every_s == 1 { 3000 } else { 12 };
        run.hold(&[20.0], before);
        let mut s = 0;
        while s < 5400.max(2 * run.every_s) {
            s += run.every_s;
            // The slow probe sees only what is left of a far larger change.
            let scale = if every_s > 3600 { 2.0 } else { 1.0 };
            run.take(&[Some(20.0 - scale * (20.0 - top_up_c(s as f64 / 60.0)))]);
        }
        assert_eq!(
            run.steps(Kind::TankTemperatureShock).first(),
            Some(&State::Unacknowledged),
            "every {every_s} s"
        );
        let told =
            run.changes.iter().find(|c| c.record.key.kind == Kind::TankTemperatureShock).expect("told");
        assert!(told.record.said.text.contains("cooled") && told.record.said.why.len() == 1, "{told:?}");
    }
}

#[test]
fn a_probe_in_hot_air_is_no_shock_and_is_said() {
    let mut run = Run::new(&[], "", 300);
    run.hold(&[20.0], 12);
    for minute in [5.0, 10.0, 15.0, 20.0, 25.0, 30.0_f64] {
        run.take(&[Some(36.0 - 16.0 * (-minute / 4.0).exp())]);
    }
    let view = run.view();
    assert_eq!((view.condition, view.temperature_c), (Condition::Unknown, None));
    assert!(view.words.contains("out of the water") && view.words.contains("s0"), "{}", view.words);
    run.hold(&[20.1], 30);
    assert_eq!(run.changes, [], "no shock, not too warm");
    assert_eq!(run.view().condition, Condition::Well);
}

#[test]
fn two_thermometers_tell_a_lift_from_a_change() {
    let mut run = Run::new(&["water-temperature"], "", 300);
    run.hold(&[20.0, 20.2], 12).hold(&[17.0, 20.2], 12).hold(&[20.0, 20.2], 24);
    assert_eq!(run.changes, []);
    let mut run = Run::new(&["water-temperature"], "", 300);
    run.hold(&[20.0, 20.2], 12).hold(&[17.0, 17.2], 12);
    assert_eq!(run.steps(Kind::TankTemperatureShock), RAISED);
}

#[test]
fn rise_and_fall_have_limits_of_their_own() {
    let limits = "limits = { rise_hour_c = 4, fall_hour_c = 2 }";
    let mut run = Run::new(&[], limits, 300);
    let mut ramp = |from_c: f64, by_c: f64| {
        for step in 0..=6 {
            run.take(&[Some(from_c + by_c * f64::from(step) / 6.0)]);
        }
        run.hold(&[from_c + by_c], 20);
        run.changes.len()
    };
    assert_eq!(ramp(18.0, 2.6), 0, "2.6 °C up is allowed");
    ramp(20.6, -2.6);
    assert_eq!(run.steps(Kind::TankTemperatureShock), RAISED, "2.6 °C down is not");
}

#[test]
fn comfort_is_said_and_not_alarmed() {
    let mut run = Run::new(&[], "", 300);
    run.hold(&[12.0], 40);
    assert_eq!(run.changes, []);
    let view = run.view();
    assert_eq!(view.condition, Condition::Watch);
    assert!(view.words.contains("cooler than suits silver perch (16 to 30 °C)"), "{}", view.words);
    let suits = run.figure("Suits silver perch");
    assert!(suits.value.contains("alarm below 4 and above 32 °C"));
    assert!(
        suits.why[0].with.contains("12.0 °C < 16 °C: silver perch fall ill more easily"),
        "{:?}",
        suits.why
    );
    // Half a degree an hour down to danger.
    let mut run = Run::new(&[], "limits = { change_day_c = 20 }", 600);
    for step in 0..115 {
        run.hold(&[12.0 - f64::from(step) / 12.0], 1);
    }
    // And told once more a whole degree further down.
    assert_eq!(run.steps(Kind::TankTooCold), [State::Unacknowledged; 2]);
    let told = &run.last(Kind::TankTooCold).record.said;
    assert!(
        told.text.starts_with("Getting worse: ")
            && told.text.contains("a dead heater")
            && told.source.contains("NSW DPI"),
        "{told:?}"
    );
}

#[test]
fn the_air_tells_whether_it_is_the_cause() {
    let limits = "limits = { change_day_c = 20, change_hour_c = 20 }";
    let mut run = Run::new(&["air-temperature"], limits, 600);
    for step in 0..=8 {
        run.hold(&[30.0 + 0.4 * f64::from(step), 22.0], 1);
    }
    run.hold(&[33.2, 22.0], 6);
    let text = said(&run, Kind::TankTooWarm);
    for words in ["The air is 22.0 °C, cooler than the water: something heats it", "a heater stuck on"] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

#[test]
fn the_time_to_a_limit_is_told() {
    let mut run = Run::new(&[], "", 600);
    // 1 °C an hour from 25 °C: 32 °C four hours after 28 °C.
    for i in 0..=18 {
        run.take(&[Some(25.0 + f64::from(i) / 6.0)]);
    }
    let rate = run.figure("Present rate");
    assert!(rate.value.contains("reaches 32 °C at about 5"), "{}", rate.value);
    assert!(run.view().words.contains("At this rate it reaches 32 °C"), "{}", run.view().words);
}

/// The first told, and each further degree, as too warm is.
#[test]
fn a_shock_that_goes_on_is_told_as_worse_and_names_its_change_at_the_end() {
    let mut run = Run::new(&[], "", 300);
    run.hold(&[22.0], 24);
    // Four degrees in 40 minutes; the limit is 2 °C within an hour.
    for step in 0..=8 {
        run.hold(&[22.0 - 0.5 * f64::from(step)], 1);
    }
    run.hold(&[18.0], 30);
    let told: Vec<&str> = run
        .changes
        .iter()
        .filter(|it| it.record.state == State::Unacknowledged)
        .map(|it| it.record.said.text.as_str())
        .collect();
    assert!(told.len() >= 2 && !told[0].starts_with("Getting worse"), "{told:?}");
    assert!(
        told[1..].iter().all(|text| text.starts_with("Getting worse: Perch tank: the water cooled")),
        "{told:?}"
    );
    run.hold(&[18.0], 290);
    assert_eq!(run.last(Kind::TankTemperatureShock).record.state, State::LatchedUnacknowledged);
    let text = said(&run, Kind::TankTemperatureShock);
    assert!(text.starts_with("Check the fish of Perch tank: the water fell 4.0 °C by"), "{text}");
    // The next one is told for itself.
    let view = run.core.view("school").expect("the site");
    assert!(view.to_do[0].text.contains("Look again tomorrow: harm shows late."), "{}", view.to_do[0].text);
}

#[test]
fn back_inside_a_limit_is_not_well_yet() {
    let mut run = Run::new(&[], "limits = { change_day_c = 20, change_hour_c = 20 }", 600);
    for step in 0..30 {
        run.hold(&[8.0 - 0.2 * f64::from(step)], 1);
    }
    for step in 0..20 {
        run.hold(&[2.0 + 0.2 * f64::from(step)], 1);
    }
    run.hold(&[6.0], 12);
    let back = run.last(Kind::TankTooCold);
    let text = &back.record.said.text;
    assert!(text.contains("back inside its alarm limit, still colder than suits silver perch"), "{text}");
    assert!(back.record.said.why.iter().any(|step| step.with.contains("fall ill more easily")), "{back:?}");
}

/// Two degrees over and more: the adviser is rung, as the second thing.
#[test]
fn much_too_warm_asks_for_the_adviser() {
    let mut run = Run::new(&[], "limits = { change_day_c = 20, change_hour_c = 20 }", 600);
    for step in 0..=10 {
        run.hold(&[30.0 + 0.3 * f64::from(step)], 1);
    }
    run.hold(&[33.0], 6);
    let told = |run: &Run| said(run, Kind::TankTooWarm).to_owned();
    assert!(!told(&run).contains("Ring your fisheries adviser"), "{}", told(&run));
    run.hold(&[34.1], 6);
    for words in [
        "feed nothing. Ring your fisheries adviser now",
        "closed bottles of ice; use no loose ice",
        "2 °C an hour",
    ] {
        assert!(told(&run).contains(words), "{words}: {}", told(&run));
    }
}

//! Thermometers that are at fault, out of the water or changed.

use crate::alarms::{Kind, State};
use crate::garden::record::AlarmChange;
use crate::model::Condition;

use super::{RAISED, RAISED_AND_OVER, Run, said};

const FAULT: Kind = Kind::SensorFault;

#[test]
fn a_thermometer_whose_fault_stood_within_the_day_tells_no_shock() {
    let mut run = Run::new(&[], "", 300);
    // Its plug is loose: half of what it says cannot be, the rest goes up and down.
    run.hold(&[20.0], 40);
    for n in 0..60 {
        run.take(&[Some(if n % 3 == 0 { 20.0 - 0.2 * f64::from(n % 8) } else { -127.0 })]);
    }
    assert_eq!(run.steps(FAULT), RAISED);
    run.hold(&[20.0], 200);
    assert!(
        said(&run, FAULT).contains("measure the water with another thermometer"),
        "{}",
        said(&run, FAULT)
    );
    run.hold(&[17.0], 30);
    assert_eq!(run.steps(Kind::TankTemperatureShock), [], "{:?}", run.last(FAULT));
    assert!(run.figure("Change within an hour").value.contains("faulty within the last day"));
    // A day later it counts again.
    run.hold(&[17.0], 600);
    run.changes.clear();
    run.hold(&[14.0], 10);
    assert_eq!(run.steps(Kind::TankTemperatureShock), RAISED);
}

/// The other thermometer is well: what it sees is told.
#[test]
fn a_sound_thermometer_tells_the_shock_beside_a_faulty_one() {
    let mut run = Run::new(&["water-temperature"], "", 300);
    run.hold(&[20.0, 20.2], 40).hold(&[-127.0, 20.2], 20);
    assert_eq!(run.steps(FAULT), RAISED);
    run.hold(&[-127.0, 17.0], 20);
    assert_eq!(run.steps(Kind::TankTemperatureShock), RAISED);
}

#[test]
fn a_shock_that_was_a_fault_is_withdrawn_in_words() {
    let mut run = Run::new(&[], "", 300);
    run.hold(&[20.0], 40).hold(&[17.0], 3);
    assert_eq!(run.turns(Kind::TankTemperatureShock), RAISED);
    run.hold(&[-127.0], 20);
    assert_eq!(run.steps(FAULT), RAISED);
    assert_eq!(run.turns(Kind::TankTemperatureShock), RAISED_AND_OVER);
    let text = said(&run, Kind::TankTemperatureShock);
    for words in ["no temperature shock was measured", "s0", "another thermometer", "Look at the fish"] {
        assert!(text.contains(words), "{words}: {text}");
    }
    // A thermometer that fails hours later takes nothing back.
    let mut run = Run::new(&[], "", 300);
    run.hold(&[20.0], 40).hold(&[17.0], 6);
    run.hold(&[16.0, 16.0], 0);
    for step in 0..18 {
        run.hold(&[17.0 - 0.2 * f64::from(step)], 1);
    }
    run.hold(&[-127.0], 20);
    assert_eq!(run.steps(FAULT), RAISED);
    assert_eq!(run.turns(Kind::TankTemperatureShock), RAISED);
}

/// Half an hour without a word, and then three degrees less, and quiet.
#[test]
fn another_thermometer_in_its_place_is_asked_about_and_no_shock() {
    let silence = |run: &mut Run, readings: usize| {
        for _ in 0..readings {
            run.take(&[None, None]);
        }
    };
    let mut run = Run::new(&[], "", 300);
    run.hold(&[20.0], 40);
    silence(&mut run, 6);
    run.hold(&[17.0], 100);
    assert_eq!(run.steps(Kind::TankTemperatureShock), []);
    assert_eq!(run.steps(FAULT), RAISED);
    let text = said(&run, FAULT);
    for words in [
        "was the thermometer changed?",
        "20.0 °C",
        "17.0 °C",
        "look at the fish now",
        "Measure the water with a hand-held thermometer",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert_eq!(run.view().temperature_c.map(f64::round), Some(17.0), "its readings count");
    let asked = run.core.view("school").expect("the site").change_questions;
    let [question] = asked.as_slice() else { panic!("{asked:?}") };
    assert_eq!((question.before_c.round(), question.after_c.round()), (20.0, 17.0));
    run.hold(&[17.0], 288);
    assert_eq!(run.steps(FAULT), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    assert!(said(&run, FAULT).contains("nobody answered for a day"), "{}", said(&run, FAULT));
    assert_eq!(run.core.view("school").expect("the site").change_questions, []);
    assert_eq!(run.steps(Kind::TankTemperatureShock), []);

    // Water that goes on falling after the break is a shock.
    let mut run = Run::new(&[], "", 300);
    run.hold(&[20.0], 40);
    silence(&mut run, 6);
    for step in 0..12 {
        run.hold(&[18.0 - 0.4 * f64::from(step)], 1);
    }
    assert_eq!(run.turns(Kind::TankTemperatureShock), RAISED);

    // And so it is where the other thermometer saw it.
    let mut run = Run::new(&["water-temperature"], "", 300);
    run.hold(&[20.0, 20.1], 40);
    for _ in 0..6 {
        run.take(&[None, Some(18.6)]);
    }
    run.hold(&[17.0, 17.1], 10);
    assert_eq!(run.turns(Kind::TankTemperatureShock), RAISED);
    assert_eq!(run.steps(FAULT), []);
}

/// Day and night of the air, 16 to 28 °C.
fn air_c(hour: f64) -> f64 {
    22.0 + 6.0 * (hour / 24.0 * std::f64::consts::TAU).sin()
}

/// Lifted at a moment when the water is as warm as the air: nothing jumps.
#[test]
fn a_thermometer_left_in_the_air_is_told_and_its_shock_taken_back() {
    let mut run = Run::new(&["air-temperature"], "limits = { rise_day_c = 6, fall_day_c = 6 }", 600);
    let mut hours = 0.0;
    let mut feed = |run: &mut Run, days: f64, water: &dyn Fn(f64) -> f64| {
        let until = hours + 24.0 * days;
        while hours < until {
            run.take(&[Some(water(hours)), Some(air_c(hours))]);
            hours += 1.0 / 6.0;
        }
    };
    let water = |hour: f64| 22.0 + 1.5 * ((hour - 4.0) / 24.0 * std::f64::consts::TAU).sin();
    feed(&mut run, 3.0, &water);
    assert_eq!(run.changes, []);
    // At the third day's end both are near 22 °C.
    feed(&mut run, 2.0, &|hour| air_c(hour) + 0.4);
    assert_eq!(run.steps(FAULT), RAISED);
    let text = said(&run, FAULT);
    for words in [
        "seems to hang in the air",
        "Look at the fish now",
        "put it back",
        "the jump may be real: look for low water, a leak",
        "a hand-held thermometer",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert_eq!(run.view().condition, Condition::Unknown);
    // An hour's and a day's shock were told before a night had shown where it hangs: the
    // one that stood is taken back.
    let told = [RAISED_AND_OVER, RAISED_AND_OVER].concat();
    assert_eq!(run.turns(Kind::TankTemperatureShock), told);
    // It is told as worse once at most, before it is plain that it follows the air.
    let told_as = |it: &&AlarmChange| {
        it.record.key.kind == Kind::TankTemperatureShock && it.record.state == State::Unacknowledged
    };
    let shocks: Vec<&AlarmChange> = run.changes.iter().filter(told_as).collect();
    assert!(shocks.iter().filter(|it| it.record.course.worse).count() <= 1, "{shocks:?}");
    let text = &shocks.last().expect("told").record.said.text;
    assert!(text.contains("see that their thermometer hangs in the water: it"), "{text}");
    assert!(said(&run, Kind::TankTemperatureShock).contains("no temperature shock was measured"));
    feed(&mut run, 3.0, &water);
    assert_eq!(run.steps(FAULT), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    assert_eq!(run.view().condition, Condition::Well, "{}", run.view().words);
    assert_eq!(run.turns(Kind::TankTemperatureShock), told, "its return is no shock");
}

/// A jump that no hose makes, and it stays there.
#[test]
fn a_thermometer_out_for_two_hours_is_told() {
    let mut run = Run::new(&["water-temperature"], "", 300);
    run.hold(&[20.0, 20.2], 40);
    for n in 0..23 {
        run.hold(&[34.0 + 0.3 * f64::from(n % 5), 20.2], 1);
    }
    assert_eq!(run.steps(FAULT), []);
    for n in 0..10 {
        run.hold(&[34.0 + 0.3 * f64::from(n % 5), 20.2], 1);
    }
    assert_eq!(run.steps(FAULT), RAISED);
    assert!(said(&run, FAULT).contains("hang in the air"), "{}", said(&run, FAULT));
    run.hold(&[20.1, 20.2], 30);
    assert_eq!(run.steps(FAULT), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    assert_eq!(run.steps(Kind::TankTemperatureShock), []);
}

/// One odd reading, of whatever size and interval, at the start or later: the tank is
/// not known for one interval at most.
#[test]
fn one_odd_reading_costs_one_interval() {
    for every_s in [60, 300, 900] {
        for before in [0, 1, 2, 40] {
            for odd in [-127.0, 0.0, 9.0, 14.2, 16.4, 23.6, 25.9, 27.0, 33.0, 85.0] {
                let mut run = Run::new(&[], "", every_s);
                run.hold(&[20.0], before).hold(&[odd], 1);
                let mut unknown = 0;
                for n in 0..8 {
                    run.take(&[Some(20.0 + 0.05 * f64::from(n % 3))]);
                    unknown += usize::from(run.view().condition == Condition::Unknown);
                }
                assert!(unknown <= 1, "{odd} after {before}, every {every_s} s: {unknown}");
            }
        }
    }
}

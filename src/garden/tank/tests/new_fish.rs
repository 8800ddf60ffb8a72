//! Whether new fish may go in, and how.

use crate::alarms::{Kind, State};
use crate::garden::log::{LogEvent, WaterTest};
use crate::garden::{AcclimatiseAnswer, AcclimatiseLack, Acclimatising, BagGiven, TankGiven};

use super::{RAISED_AND_OVER, Run, test_of};

/// Four fish of 100 g, an hour under way.
fn bag(temperature_c: f64) -> BagGiven {
    BagGiven {
        temperature_c: Some(temperature_c),
        ph: Some(6.8),
        hauled_h: Some(1.0),
        fish: Some(4),
        grams_each: Some(100.0),
    }
}

/// Clean water, tested now.
fn good_test() -> LogEvent {
    LogEvent::WaterTest(WaterTest {
        ammonia_mg_l: Some(0.1),
        nitrite_mg_l: Some(0.02),
        ph: Some(7.0),
        temperature_c: Some(21.0),
        ..WaterTest::default()
    })
}

fn minutes(told: &Acclimatising) -> Vec<u32> {
    told.steps.iter().map(|step| step.0).collect()
}

#[test]
fn new_fish_float_and_are_let_go_by_the_tank_s_own_thermometer() {
    let mut run = Run::new(&[], "fish_grams = 100", 300);
    run.hold(&[21.0], 6).log(good_test());
    let far = TankGiven { ph: Some(7.6), ..TankGiven::default() };
    // 1.6 °C at the trade's 15 minutes each, then ten scoops in fifty minutes.
    let told = run.new_fish(bag(19.4), far);
    assert_eq!(told.answer, AcclimatiseAnswer::Yes, "{}", told.text);
    assert_eq!(minutes(&told), [0, 24, 74]);
    assert!(told.steps[2].1.contains("never pour the bag's water"));
    assert!(told.steps.iter().all(|step| !step.1.contains("plants")), "{:?}", told.steps);
    assert!(told.differs[0].contains("10 to 15 minutes a degree") && !told.differs[0].contains("slowest"));
    // 12 and 4 fish of 100 g in 500 L; 16 of 500 g.
    assert!(
        told.text.contains("That makes 16 fish in 500 L") && told.text.contains("Take 3 at most"),
        "{}",
        told.text
    );
    assert_eq!(told.why.len(), 5);
    assert!(told.why[3].with.ends_with("3.2 kg/m3") && told.why[4].with.ends_with("16.0 kg/m3"));
    // 4 °C at the tank's own 2 °C an hour: too long for a closed bag.
    let told = run.new_fish(bag(17.0), far);
    // 12 minutes between scoops, and 14 of them: see `tub_changes`.
    assert_eq!(minutes(&told), [0, 168]);
    for words in [
        "with their own water into a clean tub",
        "give it air",
        "Hang a thermometer in the tub",
        "Every 12 minutes scoop out a tenth of its water (1 L of 10 L) and scoop in as much tank water, about 14 times",
        "no more than 2.0 °C an hour",
    ] {
        assert!(told.steps[0].1.contains(words), "{words}: {}", told.steps[0].1);
    }
    assert!(told.steps.iter().all(|step| !step.1.contains("swim out")), "{:?}", told.steps);
    // After a long haul: 30 minutes closed, and no mixing.
    let told = run.new_fish(BagGiven { hauled_h: Some(9.0), ..bag(20.0) }, TankGiven::default());
    assert_eq!(minutes(&told), [0, 30]);
    assert!(told.steps[1].1.contains("without mixing"));
    assert!(told.differs.iter().any(|d| d.contains("LSU AgCenter") && d.contains("the haul was long")));
    // A bag cannot stay closed for two hours after nine: clean water of its own temperature,
    // and no air through the bag's.
    let told = run.new_fish(BagGiven { hauled_h: Some(9.0), ..bag(17.0) }, TankGiven::default());
    assert_eq!((told.answer, minutes(&told)), (AcclimatiseAnswer::Yes, vec![0, 168]), "{}", told.text);
    for words in ["with water of 17.0 °C, treated", "net the fish across at once", "leave the bag's water"] {
        assert!(told.steps[0].1.contains(words), "{words}: {}", told.steps[0].1);
    }
    assert!(!told.steps[0].1.contains("their own water"), "{}", told.steps[0].1);
}

#[test]
fn nothing_is_guessed_about_new_fish() {
    let mut run = Run::new(&[], "", 300);
    let told = run.new_fish(BagGiven::default(), TankGiven::default());
    assert_eq!((told.answer, told.lacks.len()), (AcclimatiseAnswer::Unknown, 7), "{}", told.text);
    for words in [
        "--hauled-hours",
        "--fish",
        "--grams-each",
        "--bag-temp-c",
        "--tank-temp-c",
        "trug log water-test tank",
    ] {
        assert!(told.text.contains(words), "{words}: {}", told.text);
    }
    assert!(told.text.contains("Meanwhile float the closed bag on the tank in the shade"), "{}", told.text);
    run.hold(&[21.0], 6);
    let told = run.new_fish(bag(11.0), TankGiven::default());
    assert!(
        told.text.contains("Meanwhile stand the closed bag in the shade beside the tank"),
        "{}",
        told.text
    );
    let told = run.new_fish(bag(19.0), TankGiven::default());
    assert_eq!(told.lacks, [AcclimatiseLack::AmmoniaTest, AcclimatiseLack::NitriteTest], "{}", told.text);
    // Ammonia alone is half of it, and a test holds for two days.
    run.log(test_of(0.1, Some(7.0), Some(21.0)));
    assert_eq!(run.new_fish(bag(19.0), TankGiven::default()).lacks, [AcclimatiseLack::NitriteTest]);
    run.hold(&[21.0], 1).log(good_test());
    assert_eq!(run.new_fish(bag(19.0), TankGiven::default()).answer, AcclimatiseAnswer::Yes);
    let told = run.new_fish(BagGiven { hauled_h: None, ..bag(19.0) }, TankGiven::default());
    assert_eq!(told.lacks, [AcclimatiseLack::HoursUnderWay]);
    run.hold(&[21.0], 2 * 288 + 1);
    assert_eq!(run.new_fish(bag(19.0), TankGiven::default()).answer, AcclimatiseAnswer::Unknown);
    // A bag that was written down is taken.
    run.log(good_test()).log(LogEvent::Bag { temperature_c: Some(19.0), ph: None });
    let told = run.new_fish(BagGiven { temperature_c: None, ph: None, ..bag(0.0) }, TankGiven::default());
    assert_eq!((told.answer, told.bag_c), (AcclimatiseAnswer::Yes, Some(19.0)));
}

#[test]
fn new_fish_wait_where_something_speaks_against_it() {
    let mut run = Run::new(&[], "fish_grams = 500", 300);
    run.hold(&[21.0], 6).log(good_test());
    // More than a day's change apart, or the tank out of its range.
    assert_eq!(run.new_fish(bag(14.0), TankGiven::default()).answer, AcclimatiseAnswer::NotToday);
    let hot = TankGiven { temperature_c: Some(33.0), ph: None };
    let told = run.new_fish(bag(30.0), hot);
    assert_eq!(told.answer, AcclimatiseAnswer::NotToday);
    for words in ["already", "tub", "their own water", "air", "shade", "chloramine"] {
        assert!(told.text.contains(words), "{words}: {}", told.text);
    }
    assert!(!told.text.contains("take them back"), "{}", told.text);
    // 12 of 500 g and 30 of 150 g in 500 L are 21 kg in a cubic metre.
    let many = BagGiven { fish: Some(30), grams_each: Some(150.0), ..bag(20.0) };
    let told = run.new_fish(many, TankGiven::default());
    assert!(
        told.answer == AcclimatiseAnswer::NotToday && told.text.contains("10.5 kg of fish; for its 500 L"),
        "{}",
        told.text
    );
    // The tank is in alarm; over, and nobody has said that all is well, it counts, too.
    run.log(test_of(2.0, Some(7.0), Some(21.0)));
    let told = run.new_fish(bag(20.0), TankGiven::default());
    assert!(told.answer == AcclimatiseAnswer::NotToday && told.text.contains("ammonia"), "{}", told.text);
    run.hold(&[21.0], 1).log(good_test());
    assert_eq!(run.steps(Kind::Ammonia), RAISED_AND_OVER);
    let told = run.new_fish(bag(20.0), TankGiven::default());
    assert!(
        told.text.contains("a water test found too much ammonia until")
            && told.text.contains("nobody has answered yet that the fish are well"),
        "{}",
        told.text
    );
    // After a long haul, or one of which nobody knows how long it was, the bag's water stays behind.
    let long = run.new_fish(BagGiven { hauled_h: None, ..bag(20.0) }, TankGiven::default());
    assert!(
        long.text.contains("leave the bag's water in the bag") && !long.text.contains("with their own water"),
        "{}",
        long.text
    );
}

/// A shock of this morning: the fish there have had enough for a day.
#[test]
fn a_shock_of_the_last_day_keeps_new_fish_away() {
    let mut run = Run::new(&[], "[alarms.tank-temperature-shock]\nlatching = false", 300);
    run.hold(&[21.0], 12);
    for step in 0..=6 {
        run.hold(&[21.0 + 0.5 * f64::from(step)], 1);
    }
    run.hold(&[24.0], 40).log(good_test());
    assert_eq!(run.steps(Kind::TankTemperatureShock), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    let told = run.new_fish(bag(23.0), TankGiven::default());
    assert_eq!(told.answer, AcclimatiseAnswer::NotToday);
    assert!(told.text.contains("its water rose 3.0 °C by"), "{}", told.text);
    run.hold(&[24.0], 288);
    assert_eq!(run.new_fish(bag(23.0), TankGiven::default()).answer, AcclimatiseAnswer::Yes);
}

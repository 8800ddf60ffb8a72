//! Oxygen, ammonia, nitrite and pH.

use crate::alarms::{Kind, State};
use crate::garden::log::{LogEvent, WaterTest};

use super::{RAISED, RAISED_AND_OVER, Run, said, test_of};

#[test]
fn measured_oxygen_raises_and_clears() {
    let mut run = Run::new(&["dissolved-oxygen"], "", 300);
    run.hold(&[24.0, 7.0], 6).hold(&[24.0, 3.9], 6);
    assert_eq!(run.steps(Kind::LowOxygen), RAISED);
    let told = run.last(Kind::LowOxygen);
    // 8.42 mg/L at 24 °C and 1 atm (Benson and Krause): 3.9 is 46 to 47 %.
    assert!(told.record.said.text.contains("3.9 mg/L (47 % of full)"), "{}", told.record.said.text);
    assert_eq!(told.record.said.why.len(), 4);
    // Silence clears nothing.
    for _ in 0..12 {
        run.take(&[Some(24.0), None]);
    }
    assert_eq!(run.steps(Kind::LowOxygen), RAISED);
    run.hold(&[24.0, 7.0], 8);
    assert_eq!(run.steps(Kind::LowOxygen), RAISED_AND_OVER);
    assert!(run.figure("Oxygen").value.contains("84 %"), "{}", run.figure("Oxygen").value);
}

#[test]
fn a_limit_of_saturation_is_judged_where_it_is_set() {
    let mut run = Run::new(&["dissolved-oxygen"], "limits = { oxygen_percent = 70 }", 300);
    // 5.6 of 8.4 mg/L: enough by mg/L, 67 %.
    run.hold(&[24.0, 5.6], 6);
    assert_eq!(run.steps(Kind::LowOxygen), RAISED);
}

#[test]
fn heat_alone_warns_where_oxygen_is_not_measured() {
    // 0.7 of the 6.96 mg/L that water of 34.5 °C holds at 50 m is 4.9.
    let limits = "limits = { warm_c = 36 }";
    let mut run = Run::new(&[], limits, 300);
    // From 10:30 am to 8:30 pm on the garden's clock.
    run.hold(&[34.5], 120);
    assert_eq!(run.changes, [], "the night may cool it");
    assert!(run.view().words.contains("4.9 mg/L of oxygen before dawn"), "{}", run.view().words);
    run.hold(&[34.5], 12);
    assert_eq!(run.steps(Kind::LowOxygen), RAISED);
    let text = &run.last(Kind::LowOxygen).record.said.text;
    for words in ["Oxygen itself is not measured", "let it run all night", "silver perch should have"] {
        assert!(text.contains(words), "{words}: {text}");
    }
    // The next day it is as warm: it stands, until a night is cool enough.
    run.hold(&[34.5], 132);
    assert_eq!(run.steps(Kind::LowOxygen), RAISED);
    for step in 0..36 {
        run.hold(&[34.5 - 0.1 * f64::from(step)], 1);
    }
    run.hold(&[31.0], 24);
    assert_eq!(run.steps(Kind::LowOxygen), RAISED_AND_OVER);
    // A night at 31 °C leaves 5.2 mg/L: nothing to tell.
    let mut run = Run::new(&[], limits, 300);
    run.hold(&[31.0], 288);
    assert_eq!(run.changes, []);
}

/// Emerson and others 1975: 5.37 % at 25 °C and pH 8.
#[test]
fn ammonia_stands_until_a_better_test() {
    let mut run = Run::new(&[], "", 300);
    run.hold(&[25.0], 6).log(test_of(0.8, Some(8.0), Some(25.0)));
    assert_eq!(run.steps(Kind::Ammonia), RAISED);
    let told = run.last(Kind::Ammonia);
    assert!(told.record.said.text.contains("0.043 mg/L of un-ionised"), "{}", told.record.said.text);
    assert!(
        told.record.said.why.last().is_some_and(|s| s.with == "0.0537 x 0.80 = 0.043 mg/L"),
        "{:?}",
        told.record.said.why
    );
    run.hold(&[25.0], 600);
    assert_eq!(run.steps(Kind::Ammonia), RAISED, "time alone clears nothing");
    run.log(test_of(0.2, Some(7.0), Some(25.0)));
    assert_eq!(run.steps(Kind::Ammonia), RAISED_AND_OVER);
}

#[test]
fn ammonia_without_ph_is_not_known_but_much_of_it_is_told() {
    let mut run = Run::new(&[], "", 300);
    run.hold(&[25.0], 6).log(test_of(0.5, None, None));
    assert_eq!(run.changes, []);
    assert!(run.figure("Un-ionised ammonia").value.contains("pH is missing"));
    run.log(test_of(1.5, None, None));
    assert_eq!(run.steps(Kind::Ammonia), RAISED);
    // The thermometer and another test's pH are taken where the test has none.
    let mut run = Run::new(&[], "", 300);
    let ph = LogEvent::WaterTest(WaterTest { ph: Some(8.0), ..WaterTest::default() });
    run.hold(&[25.0], 6).log(ph).hold(&[25.0], 6).log(test_of(0.8, None, None));
    assert_eq!(run.steps(Kind::Ammonia), RAISED);
}

#[test]
fn nitrite_alone_is_told_as_nitrite_whatever_the_kit_reads() {
    let test = |nitrogen, ion| {
        LogEvent::WaterTest(WaterTest {
            nitrite_mg_l: nitrogen,
            nitrite_ion_mg_l: ion,
            ..WaterTest::default()
        })
    };
    let mut run = Run::new(&[], "", 300);
    // FAO 589, table 3.1: below 1 mg/L of the ion, 0.304 of nitrogen.
    run.hold(&[22.0], 6).log(test(None, Some(0.9)));
    assert_eq!(run.changes, []);
    run.log(test(None, Some(1.2)));
    assert_eq!((run.steps(Kind::Nitrite), run.steps(Kind::Ammonia)), (RAISED.to_vec(), vec![]));
    let text = said(&run, Kind::Nitrite).to_owned();
    for words in
        ["0.37 mg/L as nitrogen (1.20 as the ion)", "no more than 0.30", "chloramine", "Run all the air"]
    {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert!(!text.contains("ammonia"), "{text}");
    run.hold(&[22.0], 3).log(test(Some(0.1), None));
    assert_eq!(run.steps(Kind::Nitrite), RAISED_AND_OVER);
    assert!(run.figure("Nitrite").value.starts_with("0.10 mg/L as nitrogen (0.33 as the ion)"));
    run.hold(&[22.0], 3).log(test(Some(0.37), None));
    assert_eq!(run.steps(Kind::Nitrite).len(), 3, "the same water, by a kit that reads nitrogen");
}

#[test]
fn ph_is_judged_by_its_sensor_and_by_tests() {
    let mut run = Run::new(&["ph"], "", 600);
    run.hold(&[22.0, 7.2], 12).hold(&[22.0, 6.3], 6);
    assert_eq!(run.steps(Kind::Ph), RAISED);
    assert!(
        run.last(Kind::Ph).record.said.text.contains("too acid"),
        "{}",
        run.last(Kind::Ph).record.said.text
    );

    let tested = |ph| LogEvent::WaterTest(WaterTest { ph: Some(ph), ..WaterTest::default() });
    let mut run = Run::new(&[], "[alarms.ph]\non_delay_s = 0\noff_delay_s = 0", 600);
    run.hold(&[22.0], 3).log(tested(9.0));
    assert_eq!(run.steps(Kind::Ph), RAISED);
    run.hold(&[22.0], 3).log(tested(7.5));
    assert_eq!(run.steps(Kind::Ph), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

#[test]
fn a_drift_of_ph_is_told_before_it_leaves_its_range() {
    let mut run = Run::new(&["ph"], "", 1800);
    for half_hour in 0..48 * 8 {
        let day = f64::from(half_hour) / 48.0;
        let swing = 0.1 * (day * std::f64::consts::TAU).sin();
        run.take(&[Some(22.0), Some(7.4 - 0.08 * day + swing)]);
    }
    assert_eq!(run.steps(Kind::Ph), RAISED);
    let told = run.last(Kind::Ph);
    assert!(told.record.said.text.contains("falls by 0.08 a day"), "{}", told.record.said.text);
    // The same swing without a drift is nothing.
    let mut run = Run::new(&["ph"], "", 1800);
    for half_hour in 0..48 * 8 {
        let swing = 0.1 * (f64::from(half_hour) / 48.0 * std::f64::consts::TAU).sin();
        run.take(&[Some(22.0), Some(7.4 + swing)]);
    }
    assert_eq!(run.changes, []);
}

#[test]
fn much_ammonia_or_nitrite_asks_for_more_water_and_a_test_the_same_evening() {
    let nitrite = |mg_l| LogEvent::WaterTest(WaterTest { nitrite_mg_l: Some(mg_l), ..WaterTest::default() });
    for (test, kind, part, next) in [
        // 0.0537 x 0.8 = 0.043 of 0.03, and 1.6 of 1: less than twice.
        (test_of(0.8, Some(8.0), Some(25.0)), Kind::Ammonia, "a tenth to a fifth", "tomorrow morning"),
        (test_of(1.6, Some(7.0), Some(25.0)), Kind::Ammonia, "a tenth to a fifth", "tomorrow morning"),
        // 0.064 of 0.03, and 2.1 of 1.
        (test_of(1.2, Some(8.0), Some(25.0)), Kind::Ammonia, "a quarter to a half", "this evening"),
        (test_of(2.1, None, None), Kind::Ammonia, "a quarter to a half", "this evening"),
        (nitrite(0.5), Kind::Nitrite, "a tenth to a fifth", "tomorrow morning"),
        (nitrite(0.7), Kind::Nitrite, "a quarter to a half", "this evening"),
    ] {
        // Half past ten in the morning, and later.
        for (quarters, late) in [(2, next), (46, "tomorrow morning"), (64, "this morning")] {
            let mut run = Run::new(&[], "", 900);
            run.hold(&[25.0], quarters).log(test.clone());
            let next = if next == "this evening" { late } else { next };
            assert!(
                said(&run, kind).contains(&format!("Test again {next}.")),
                "{quarters} {}",
                said(&run, kind)
            );
        }
        let mut run = Run::new(&[], "", 300);
        run.hold(&[25.0], 6).log(test);
        let text = said(&run, kind);
        assert!(text.contains(&format!("Change {part} of the water today")), "{text}");
        assert!(text.contains(&format!("Test again {next}.")), "{text}");
        assert_eq!(text.contains("Add salt only if your fisheries adviser"), kind == Kind::Nitrite, "{text}");
    }
}

#[test]
fn whoever_finds_little_oxygen_stays() {
    let mut run = Run::new(&["dissolved-oxygen"], "", 300);
    run.hold(&[24.0, 7.0], 6).hold(&[24.0, 4.6], 6);
    assert!(!said(&run, Kind::LowOxygen).contains("Stay with the fish"), "{}", said(&run, Kind::LowOxygen));
    run.hold(&[24.0, 3.4], 6);
    let text = said(&run, Kind::LowOxygen);
    for words in [
        "Stay with the fish until it is above 4 mg/L",
        "pour water from a jug back into the tank from a height",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

/// A low pH is told today; one below 6 now, and each half a step further down.
#[test]
fn ph_below_six_is_urgent() {
    use crate::alarms::Priority;
    let steps = |limits: &str| {
        let mut run = Run::new(&["ph"], limits, 600);
        for ph in [7.2, 6.3, 5.8, 5.6, 5.4] {
            run.hold(&[22.0, ph], 8);
        }
        run.changes
            .iter()
            .filter(|it| it.record.key.kind == Kind::Ph)
            .map(|it| (it.priority, it.record.course.worse))
            .collect::<Vec<_>>()
    };
    let (medium, high) = ((Priority::Medium, false), (Priority::High, true));
    assert_eq!(steps(""), [medium, high, high]);
    // The garden's own word stands.
    assert_eq!(steps("[alarms.ph]\npriority = \"low\"").last(), Some(&(Priority::Low, true)));
    let mut run = Run::new(&["ph"], "", 600);
    run.hold(&[22.0, 7.2], 8).hold(&[22.0, 5.8], 8);
    let text = said(&run, Kind::Ph);
    for words in
        ["pH 5.8", "Look at the fish now", "with a second kit before", "a rising pH makes ammonia more toxic"]
    {
        assert!(text.contains(words), "{words}: {text}");
    }
    let view = run.core.view("school").expect("the site");
    assert_eq!(view.to_do[0].priority, Priority::High);
}

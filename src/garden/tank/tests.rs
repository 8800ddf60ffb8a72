//! A tank's rules by the core's own door: readings and log in, alarms out.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use crate::alarms::{Kind, State};
use crate::garden::log::{LogEntry, LogEvent, WaterTest};
use crate::garden::record::{AlarmChange, Batch};
use crate::garden::view::{Figure, TankView};
use crate::garden::{AcclimatiseAnswer, AcclimatiseLack, Acclimatising, BagGiven, Clock, Core, TankGiven};
use crate::model::Condition;
use crate::model::Id;
use crate::model::Sample;
use crate::model::SensorIx;

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";
const SITE: &str = r#"
[site]
id = "school"
name = "School"
time_zone = "Australia/Adelaide"
latitude_deg = -34.9
elevation_m = 50
[[tank]]
id = "tank"
name = "Perch tank"
volume_l = 500
species = "silver perch"
fish = 12
"#;

/// Sensors in this order: a thermometer, and whatever `more` names.
fn core(more: &[&str], limits: &str, every_s: u32) -> Core {
    let mut text = format!("{SITE}{limits}\n");
    for (i, measures) in ["water-temperature"].iter().chain(more).enumerate() {
        let place = if *measures == "air-temperature" { "" } else { "tank = \"tank\"\n" };
        text += &format!(
            "[[sensor]]\nid = \"s{i}\"\nmeasures = \"{measures}\"\n{place}topic = \"school/s{i}\"\n\
             payload = \"number\"\nevery_s = {every_s}\n"
        );
    }
    let settings = crate::settings::from_text(("trug.toml", TRUG), &[("g.toml", &text)], std::iter::empty())
        .unwrap_or_else(|faults| panic!("{faults}"));
    let gardens: Vec<_> = settings.gardens.into_iter().map(Arc::new).collect();
    Core::new(&gardens, Clock::Readings)
}

struct Run {
    core: Core,
    every_s: i64,
    now: Timestamp,
    changes: Vec<AlarmChange>,
    wobble: f64,
}

impl Run {
    fn new(more: &[&str], limits: &str, every_s: u32) -> Self {
        let now = "2026-03-10T00:00:00Z".parse().expect("a moment");
        Self {
            core: core(more, limits, every_s),
            every_s: i64::from(every_s),
            now,
            changes: vec![],
            wobble: 1.0,
        }
    }

    /// One reading of each sensor given, with a last digit that moves.
    fn take(&mut self, values: &[Option<f64>]) {
        self.now += SignedDuration::from_secs(self.every_s);
        self.wobble = -self.wobble;
        for (sensor, value) in (0..).zip(values) {
            let Some(value) = value else { continue };
            let mut batch = Batch::default();
            let sample = Sample { at: Some(self.now), raw: value + 0.0005 * self.wobble, battery: None };
            self.core.take(SensorIx(sensor), sample, self.now, &mut batch);
            self.changes.extend(batch.changes);
        }
    }

    fn hold(&mut self, values: &[f64], times: usize) -> &mut Self {
        for _ in 0..times {
            self.take(&values.iter().copied().map(Some).collect::<Vec<_>>());
        }
        self
    }

    fn log(&mut self, what: LogEvent) -> &mut Self {
        let entry = LogEntry {
            site: Id::new("school"),
            place: Some(Id::new("tank")),
            at: self.now,
            what,
            note: String::new(),
        };
        let mut batch = Batch::default();
        self.core.log(&entry, self.now, &mut batch);
        self.changes.extend(batch.changes);
        self
    }

    fn steps(&self, kind: Kind) -> Vec<State> {
        self.changes.iter().filter(|c| c.record.key.kind == kind).map(|c| c.record.state).collect()
    }

    /// The same without what was only told as worse.
    fn turns(&self, kind: Kind) -> Vec<State> {
        let mut steps = self.steps(kind);
        steps.dedup();
        steps
    }

    fn last(&self, kind: Kind) -> &AlarmChange {
        self.changes.iter().rfind(|c| c.record.key.kind == kind).expect("a change")
    }

    fn view(&self) -> TankView {
        self.core.view("school").expect("the site").tanks.remove(0)
    }

    fn figure(&self, name: &str) -> Figure {
        let view = self.view();
        let names: Vec<_> = view.figures.iter().map(|f| f.name.clone()).collect();
        view.figures.into_iter().find(|f| f.name == name).unwrap_or_else(|| panic!("{name}: {names:?}"))
    }

    fn new_fish(&self, bag: BagGiven, tank: TankGiven) -> Acclimatising {
        self.core.acclimatise(None, "tank", bag, tank, self.now).expect("the tank")
    }
}

const RAISED: [State; 1] = [State::Unacknowledged];
/// A fish may have been hurt: the alarm waits for a person although it is over.
const RAISED_AND_OVER: [State; 2] = [State::Unacknowledged, State::LatchedUnacknowledged];

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

fn test_of(ammonia: f64, ph: Option<f64>, temperature_c: Option<f64>) -> LogEvent {
    LogEvent::WaterTest(WaterTest { ammonia_mg_l: Some(ammonia), ph, temperature_c, ..WaterTest::default() })
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
fn a_pump_that_stops_is_told_by_power_flow_or_level() {
    // A reading every 5 minutes; 2 L in it are 24 L an hour.
    for (measures, runs, stands, words) in [
        ("power", 25.0, 0.4, "it draws 0 W, and should draw 10 W or more"),
        ("water-flow", 75.0, 2.0, "it moves 24 L an hour, and should move 300 L or more"),
        ("water-level", 60.0, 31.0, "the water stands at 31 cm, and should stand at 40 cm or more"),
    ] {
        let pump = "pump = { least_w = 10, least_l_h = 300, least_level_cm = 40 }";
        let mut run = Run::new(&[measures], pump, 300);
        run.hold(&[22.0, runs], 12).hold(&[22.0, stands], 1).hold(&[22.0, runs], 12);
        assert_eq!(run.changes, [], "{measures}: one reading is no stop");
        run.hold(&[22.0, stands], 4);
        assert_eq!(run.steps(Kind::PumpStopped), RAISED, "{measures}");
        assert!(said(&run, Kind::PumpStopped).contains(words), "{}", said(&run, Kind::PumpStopped));
        assert_eq!(run.view().condition, Condition::Act);
        // Silence clears nothing.
        for _ in 0..12 {
            run.take(&[Some(22.0), None]);
        }
        assert_eq!(run.steps(Kind::PumpStopped), RAISED, "{measures}");
        run.hold(&[22.0, runs], 6);
        assert_eq!(run.steps(Kind::PumpStopped), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    }
    // Without numbers of its own: any power is enough, and no level is judged.
    let mut run = Run::new(&["power", "water-level"], "", 300);
    run.hold(&[22.0, 4.0, 3.0], 12);
    assert_eq!(run.changes, []);
    assert!(run.figure("Water level").value.contains("its least is not set"));
    run.hold(&[22.0, 0.2, 3.0], 4);
    assert_eq!(run.steps(Kind::PumpStopped), RAISED);
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

#[test]
fn stocking_and_feed_are_told() {
    let run = Run::new(&[], "fish_grams = 100\nfeed_g_day = 60", 600);
    let grown = run.figure("Fish when they are grown");
    // 12 x 0.5 kg in 0.5 m3.
    assert_eq!(grown.number, Some(12.0));
    assert!(run.figure("Feed a day").value.starts_with("12 to 24 g; they are given 60 g, too much"));
    assert!(run.figure("Published for silver perch").value.contains("2 to 37 °C (FishBase)"));
}

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

const FAULT: Kind = Kind::SensorFault;

fn said(run: &Run, kind: Kind) -> &str {
    &run.last(kind).record.said.text
}

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

/// What is wrong, at most five sentences of what to do, and the cautions apart.
#[test]
fn alarms_of_fish_are_short_and_end_with_their_cautions() {
    let nitrite = LogEvent::WaterTest(WaterTest { nitrite_mg_l: Some(3.0), ..WaterTest::default() });
    let mut texts = Vec::new();
    let mut take = |run: &Run| {
        let raised = run.changes.iter().filter(|it| it.record.state == State::Unacknowledged);
        texts.extend(raised.map(|it| it.record.said.text.clone()));
    };
    let mut run = Run::new(&["dissolved-oxygen", "ph", "power"], "pump = { least_w = 10 }", 300);
    run.hold(&[24.0, 7.0, 7.2, 20.0], 40).hold(&[24.0, 3.0, 5.5, 0.0], 40);
    take(&run);
    for warm_c in [20.0, 36.0] {
        let mut run = Run::new(&[], "", 300);
        run.hold(&[warm_c - 10.0], 12);
        for step in 0..40 {
            run.hold(&[warm_c - 10.0 + 0.25 * f64::from(step)], 1);
        }
        run.hold(&[warm_c], 20).log(test_of(5.0, Some(8.0), Some(25.0))).log(nitrite.clone());
        for step in 0..200 {
            run.hold(&[warm_c - 0.2 * f64::from(step.min(90))], 1);
        }
        take(&run);
    }
    assert!(texts.len() > 12, "{texts:?}");
    for text in texts {
        let (before, care) = text.split_once(" Take care: ").unwrap_or_else(|| panic!("no cautions: {text}"));
        // "pH 5.5" and "2.0 °C" are no ends of sentences.
        let sentences = |part: &str| part.split(". ").map(str::to_owned).collect::<Vec<_>>();
        let said = sentences(before);
        assert!(said.len() <= 7, "{}: {text}", said.len());
        for sentence in said[1..].iter().chain(&sentences(care)) {
            assert!(sentence.split_whitespace().count() <= 25, "{sentence}");
        }
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

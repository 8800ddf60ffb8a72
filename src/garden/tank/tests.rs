//! A tank's rules by the core's own door: readings and log in, alarms out.

mod chemistry;
mod new_fish;
mod temperature;
mod thermometers;

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use crate::alarms::{Kind, State};
use crate::garden::log::{LogEntry, LogEvent, WaterTest};
use crate::garden::record::{AlarmChange, Batch};
use crate::garden::view::{Figure, TankView};
use crate::garden::{Acclimatising, BagGiven, Clock, Core, TankGiven};
use crate::model::{Condition, Id, Sample, SensorIx};

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
fn stocking_and_feed_are_told() {
    let run = Run::new(&[], "fish_grams = 100\nfeed_g_day = 60", 600);
    let grown = run.figure("Fish when they are grown");
    // 12 x 0.5 kg in 0.5 m3.
    assert_eq!(grown.number, Some(12.0));
    assert!(run.figure("Feed a day").value.starts_with("12 to 24 g; they are given 60 g, too much"));
    assert!(run.figure("Published for silver perch").value.contains("2 to 37 °C (FishBase)"));
}

fn test_of(ammonia: f64, ph: Option<f64>, temperature_c: Option<f64>) -> LogEvent {
    LogEvent::WaterTest(WaterTest { ammonia_mg_l: Some(ammonia), ph, temperature_c, ..WaterTest::default() })
}

fn said(run: &Run, kind: Kind) -> &str {
    &run.last(kind).record.said.text
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

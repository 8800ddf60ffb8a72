//! Every payload holds the number and the time that it was made of.
use garden_simulator::{Payload, SCENARIOS, Scenario, School, Simulation};

use crate::common::school;

/// Number and, where the layout has one, Unix time of a payload.
fn read(payload: &Payload, bytes: &[u8]) -> (f64, Option<i64>) {
    let text = std::str::from_utf8(bytes).unwrap();
    match payload {
        Payload::Number => (text.parse().unwrap(), None),
        Payload::Json { value, time, battery } => {
            let document: serde_json::Value = serde_json::from_str(text).unwrap();
            let at = |path: &[String]| document.pointer(&format!("/{}", path.join("/"))).unwrap();
            let time = time.as_deref().map(|t| at(t).as_i64().unwrap());
            assert!(battery.as_deref().is_none_or(|b| at(b).as_f64().is_some_and(|state| state > 0.0)));
            (at(value).as_f64().unwrap(), time)
        }
        Payload::Senml { name, battery } => {
            let pack: serde_json::Value = serde_json::from_str(text).unwrap();
            let records = pack.as_array().unwrap();
            assert_eq!(records.len(), 1 + usize::from(battery.is_some()));
            if let Some(battery) = battery {
                assert_eq!(records[1]["n"].as_str(), Some(battery.as_str()));
                assert!(records[1]["v"].as_f64().unwrap() > 0.0);
            }
            assert_eq!(records[0]["n"].as_str(), Some(name.as_str()));
            (records[0]["v"].as_f64().unwrap(), records[0]["bt"].as_i64())
        }
        Payload::LineProtocol { measurement, field, battery } => {
            let mut parts = text.split(' ');
            let (head, fields, time) = (parts.next().unwrap(), parts.next().unwrap(), parts.next().unwrap());
            assert_eq!(parts.next(), None);
            assert!(head.starts_with(&format!("{measurement},sensor=")), "{text}");
            let (fields, state) = match battery {
                Some(battery) => fields.split_once(&format!(",{battery}=")).unwrap(),
                None => (fields, "1"),
            };
            assert!(state.parse::<f64>().unwrap() > 0.0);
            let value = fields.strip_prefix(&format!("{field}=")).unwrap();
            let nanoseconds: i64 = time.parse().unwrap();
            assert_eq!(nanoseconds % 1_000_000_000, 0);
            (value.parse().unwrap(), Some(nanoseconds / 1_000_000_000))
        }
    }
}

#[test]
fn payloads_read_back_to_what_was_sent() {
    let school = school();
    for (name, _) in SCENARIOS {
        let scenario = Scenario::named(name).unwrap();
        for e in Simulation::new(&school, &scenario, 1) {
            let sensor = school.sensors.iter().find(|s| s.id == e.sensor).unwrap();
            let (raw, time) = read(&sensor.payload, &e.payload);
            assert!((raw - e.raw).abs() < 1e-12 && raw.is_finite(), "{e:?}");
            assert_eq!(time, Some(e.at.as_second()), "{e:?}");
            assert_eq!(e.topic, sensor.topic);
        }
    }
}

const EXTRA: &str = r#"
[[sensor]]
id = "herb-count"
measures = "soil-moisture"
bed = "herb-bed"
depth_cm = 10
topic = "x/number"
payload = "number"
every_s = 600
calibration = { polynomial = [0.8, -0.0002], valid = [0, 4000] }

[[sensor]]
id = "named"
measures = "soil-moisture"
bed = "herb-bed"
depth_cm = 25
topic = "x/senml"
payload = { senml = { name = "urn:herb/25" } }
every_s = 600

[[sensor]]
id = "running-gauge"
measures = "rain"
topic = "x/rain"
payload = { line-protocol = { measurement = "rain gauge", field = "tips" } }
every_s = 600
calibration = { mm_per_tip = 0.2, counts = "running", wraps_at = 50 }

[[sensor]]
id = "meter"
measures = "water-flow"
bed = "herb-bed"
topic = "x/flow"
payload = { json = { value = "/a/0/v", time = "/a/0/t" } }
every_s = 600

[[sensor]]
id = "oxygen"
measures = "dissolved-oxygen"
tank = "perch-tank"
topic = "x/oxygen"
payload = "number"
every_s = 600
"#;

#[test]
fn every_other_layout_and_calibration_is_served_too() {
    let school = School::parse(&(include_str!("../garden.toml").to_owned() + EXTRA)).unwrap();
    let scenario = Scenario::named("ordinary-month").unwrap();
    let mut simulation = Simulation::new(&school, &scenario, 1);
    let emissions: Vec<_> = simulation.by_ref().collect();
    let truth = simulation.truth();
    let raws =
        |id: &str| -> Vec<f64> { emissions.iter().filter(|e| e.sensor == id).map(|e| e.raw).collect() };
    for id in ["herb-count", "named", "running-gauge", "meter", "oxygen"] {
        assert!(raws(id).len() > 4000, "{id}: {}", raws(id).len());
    }
    // Water content of the polynomial, by hand at the ends of what a bed does.
    assert!(raws("herb-count").iter().all(|c| (0.05..0.45).contains(&(0.8 - 0.0002 * c))));
    assert!(raws("oxygen").iter().all(|mg_l| (5.0..11.0).contains(mg_l)));
    // A message may be lost at the very end, with the last few litres.
    let litres: f64 = truth.waterings.iter().filter(|w| w.bed == "herb-bed").map(|w| w.litres).sum();
    assert!((raws("meter").iter().sum::<f64>() - litres).abs() < 0.02 * litres);
    // Counted up again over roll-overs and restarts, never more than it rained.
    let counts = raws("running-gauge");
    assert!(counts.iter().all(|c| (0.0..50.0).contains(c) && c.fract().abs() < 1e-12));
    assert!(counts.windows(2).any(|w| w[1] < w[0]), "no roll-over in {} mm", truth.rain.len());
}

/// What the gauge's messages add up to is what fell, but for a bucket that is
/// not full and a lost tail.
#[test]
fn tips_add_up_to_the_rain() {
    for seed in 1..=5 {
        let (emissions, truth) = crate::common::play("ordinary-month", seed);
        let rain_mm: f64 = truth.rain.iter().map(|d| d.mm).sum();
        let tips: f64 = emissions.iter().filter(|e| e.sensor == "yard-gauge").map(|e| e.raw).sum();
        assert!(rain_mm >= 0.2 * tips - 1e-9, "seed {seed}");
        assert!(rain_mm - 0.2 * tips < 0.6 + 0.02 * rain_mm, "seed {seed}: {rain_mm} mm, {tips} tips");
    }
}

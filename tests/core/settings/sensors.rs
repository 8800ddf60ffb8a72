//! Gateways and batteries in a garden's file: what is read, and each fault at its
//! line and key.

use trug::alarms::Kind;
use trug::decode::PayloadFormat;
use trug::garden::plan::Garden;
use trug::settings::{Fault, from_text};

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";

const GARDEN: &str = r#"[site]
id = "saltbush-gully"
name = "Saltbush Gully Primary School"
time_zone = "Australia/Adelaide"
latitude_deg = -34.93
elevation_m = 95
[[bed]]
id = "bed"
area_m2 = 7.2
soil = "loamy sand"
crop = "cabbage"
[[gateway]]
id = "shed"
name = "Shed gateway"
[[sensor]]
id = "a"
measures = "soil-moisture"
bed = "bed"
depth_cm = 15
topic = "a"
gateway = "shed"
payload = { json = { value = "/raw", battery = "/battery" } }
battery_low = 3.4
every_s = 600
[[sensor]]
id = "b"
measures = "soil-moisture"
bed = "bed"
depth_cm = 30
topic = "b"
payload = "number"
every_s = 600
"#;

fn read(garden: &str) -> Result<Garden, Vec<Fault>> {
    match from_text(("trug.toml", TRUG), &[("garden.toml", garden)], std::iter::empty()) {
        Ok(settings) => Ok(settings.gardens.into_iter().next().expect("a garden")),
        Err(faults) => Err(faults.as_slice().to_vec()),
    }
}

fn replaced(from: &str, to: &str) -> String {
    assert_eq!(GARDEN.matches(from).count(), 1, "{from}");
    GARDEN.replace(from, to)
}

fn garden(text: &str) -> Garden {
    read(text).unwrap_or_else(|faults| panic!("{faults:#?}"))
}

#[test]
fn gateways_and_batteries_are_read() {
    let plan = garden(GARDEN);
    assert_eq!((plan.gateways[0].id.as_str(), plan.gateways[0].name.as_str()), ("shed", "Shed gateway"));
    assert_eq!(plan.sensors.iter().map(|s| s.gateway).collect::<Vec<_>>(), [Some(0), None]);
    let battery = plan.sensors[0].battery.as_deref().expect("a battery");
    assert_eq!(format!("{battery:?}"), "Battery { low: 3.4, empty: None, unit: None }");
    assert!(plan.sensors[1].battery.is_none());
    let PayloadFormat::Json { battery, .. } = &*plan.sensors[0].payload else { panic!("JSON") };
    assert_eq!(battery.as_ref().map(|pointer| pointer.as_str()), Some("/battery"));

    let plan = garden(&replaced("battery_low = 3.4", "battery_low = 3400\nbattery_empty = 0"));
    let battery = plan.sensors[0].battery.as_deref().expect("a battery");
    assert_eq!(format!("{battery:?}"), "Battery { low: 3400.0, empty: Some(0.0), unit: None }");
    for (unit, shown) in [("V", " V"), ("mV", " mV"), ("%", " %")] {
        let plan =
            garden(&replaced("battery_low = 3.4", &format!("battery_low = 3.4\nbattery_unit = \"{unit}\"")));
        let battery = plan.sensors[0].battery.as_deref().expect("a battery");
        assert_eq!(battery.unit.map(|unit| unit.shown()), Some(shown));
    }
    // Another unit is none, and none goes with a payload that has no battery.
    let faults = read(&replaced("battery_low = 3.4", "battery_low = 3.4\nbattery_unit = \"litres\""))
        .expect_err("a fault");
    assert!(format!("{faults:?}").contains("battery_unit"), "{faults:?}");
    let faults =
        read(&GARDEN.replace("topic = \"b\"", "topic = \"b\"\nbattery_unit = \"V\"")).expect_err("a fault");
    assert!(format!("{faults:?}").contains("has no battery"), "{faults:?}");
}

#[test]
fn a_gateway_without_a_section_is_called_by_its_id() {
    let text = replaced("[[gateway]]\nid = \"shed\"\nname = \"Shed gateway\"\n", "");
    let text = text.replace("topic = \"b\"", "topic = \"b\"\ngateway = \"shed\"");
    let plan = garden(&text);
    assert_eq!(plan.gateways.len(), 1);
    assert_eq!(plan.gateways[0].name, "shed");
    assert_eq!(plan.sensors.iter().map(|s| s.gateway).collect::<Vec<_>>(), [Some(0), Some(0)]);
    // So is one whose section gives no name.
    let plan = garden(&replaced("name = \"Shed gateway\"\n", ""));
    assert_eq!(plan.gateways[0].name, "shed");
}

#[test]
fn other_payloads_may_report_a_battery_too() {
    let json = r#"{ json = { value = "/raw", battery = "/battery" } }"#;
    let payload =
        |written: &str| PayloadFormat::clone(&garden(&replaced(json, written)).sensors.remove(0).payload);
    assert_eq!(
        payload(r#"{ senml = { battery = "batt" } }"#),
        PayloadFormat::Senml { name: None, battery: Some("batt".to_owned()) }
    );
    assert_eq!(
        payload(r#"{ line-protocol = { field = "m", battery = "volts" } }"#),
        PayloadFormat::LineProtocol {
            measurement: None,
            field: Some("m".to_owned()),
            battery: Some("volts".to_owned())
        }
    );
}

#[test]
fn the_rules_of_sensors_take_a_gardens_own_delays() {
    let plan = garden(&format!(
        "{GARDEN}[alarms.gateway-silent]\non_delay_s = 60\n[alarms.sensor-fault]\noff_delay_s = 90\n\
         [alarms.battery-low]\ndeadband = 0.1\noff_delay_s = 0\n"
    ));
    assert_eq!(
        (plan.rules[Kind::GatewaySilent].delays.on_s, plan.rules[Kind::SensorFault].delays.off_s),
        (60, 90)
    );
    assert_eq!(
        format!("{:?}", plan.rules[Kind::BatteryLow].delays),
        "Delays { deadband: 0.1, on_s: 0, off_s: 0 }"
    );
    let usual = garden(GARDEN).rules[Kind::BatteryLow].delays;
    assert_eq!(format!("{usual:?}"), "Delays { deadband: 0.05, on_s: 0, off_s: 86400 }");
}

#[test]
fn faults_of_gateways_and_batteries_are_told_at_their_line() {
    let json = r#"{ json = { value = "/raw", battery = "/battery" } }"#;
    let (id, low, name) = ("id = \"shed\"", "battery_low = 3.4\n", "name = \"Shed gateway\"");
    for (from, to, line, key, words) in [
        ("gateway = \"shed\"", "gateway = \"shad\"", 21, "sensor[a].gateway", "nearest:  shed"),
        ("gateway = \"shed\"", "gateway = \"The Shed\"", 21, "sensor[a].gateway", "nearest:  the-shed"),
        ("gateway = \"shed\"", "gateway = 7", 21, "sensor[a].gateway", "lower-case letters"),
        ("gateway = \"shed\"", "gateway = \"saltbush-gully\"", 21, "sensor[a].gateway", "not the site's own"),
        (id, "id = \"saltbush-gully\"", 13, "gateway[saltbush-gully].id", "not the site's own"),
        (id, "id = \"Shed\"", 13, "gateway[Shed].id", "nearest:  shed"),
        (id, "", 12, "gateway[#1].id", "given:    nothing"),
        (name, "name = \"\"", 14, "gateway[shed].name", "1 to 100 characters"),
        (name, "nane = \"Shed gateway\"", 14, "gateway[shed].nane", "nearest:  name"),
        (name, "[[gateway]]\nid = \"shed\"", 15, "gateway[shed].id", "an id of its own for each gateway"),
        (name, "[[gateway]]\nid = \"hall\"", 15, "gateway[hall].id", "a gateway that no sensor names"),
        (low, "", 15, "sensor[a].battery_low", "the payload reports a battery"),
        (low, "battery_low = 0\n", 23, "sensor[a].battery_low", "above 0"),
        (low, "battery_low = nan\n", 23, "sensor[a].battery_low", "given:    nan"),
        (low, "battery_low = \"3.4\"\n", 23, "sensor[a].battery_low", "\"3.4\""),
        (low, "battery_low = 3.4\nbattery_empty = 3.4\n", 24, "sensor[a].battery_empty", "below battery_low"),
        (low, "battery_low = 3.4\nbattery_empty = -1\n", 24, "sensor[a].battery_empty", "from 0"),
        (low, "battery_lo = 3.4\n", 23, "sensor[a].battery_lo", "nearest:  battery_low"),
        (json, "\"number\"", 23, "sensor[a].battery_low", "a payload that has no battery"),
        (
            json,
            r#"{ json = { value = "/raw", battery = "battery" } }"#,
            22,
            "sensor[a].payload.json.battery",
            "nearest:  /battery",
        ),
        (json, r#"{ senml = { battery = "" } }"#, 22, "sensor[a].payload.senml.battery", "a SenML record"),
        (json, r#"{ senml = { batt = "x" } }"#, 22, "sensor[a].payload.senml.batt", "nearest:  battery"),
        (
            json,
            r#"{ line-protocol = { battery = 7 } }"#,
            22,
            "sensor[a].payload.line-protocol.battery",
            "the name of a field",
        ),
    ] {
        let text = replaced(from, to);
        let faults = read(&text).expect_err(to);
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert!(
            faults.iter().any(|f| f.line == Some(line) && f.key == key && f.to_string().contains(words)),
            "{to}: {told:#?}"
        );
    }
}

/// A slip in one place is told once.
#[test]
fn one_fault_is_one_fault() {
    for (from, to) in [
        ("name = \"Shed gateway\"", "name = \"\""),
        ("gateway = \"shed\"", "gateway = \"shed\"\nbattery_empty = 9"),
        ("battery_low = 3.4\n", ""),
        (r#"battery = "/battery""#, r#"battery = "battery""#),
    ] {
        let faults = read(&replaced(from, to)).expect_err(to);
        assert_eq!(faults.len(), 1, "{to}: {faults:#?}");
    }
}

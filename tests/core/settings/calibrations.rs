//! Calibrations by a sensor's own equation, as they are written in a garden's
//! file: each form is read, each fault is told alone at its line.

use jiff::Timestamp;
use trug::calibration::{Calibrated, Calibrator, DatedCalibration};
use trug::decode::PayloadFormat;
use trug::garden::plan::Sensor;
use trug::settings::{Faults, from_text};

const TRUG: &str = r#"[broker]
url = "mqtt://127.0.0.1:1883"
client_id = "trug"
[store]
path = "var/trug.db"
[page]
listen = "127.0.0.1:8470"
"#;

const GARDEN: &str = r#"[site]
id = "saltbush-gully"
name = "Saltbush Gully Primary School"
time_zone = "Australia/Adelaide"
latitude_deg = -34.93
elevation_m = 95
[[bed]]
id = "kitchen-bed"
area_m2 = 7.2
soil = "loamy sand"
crop = "cabbage"
[[tank]]
id = "perch-tank"
volume_l = 500
species = "silver perch"
[[sensor]]
id = "kitchen-15cm"
measures = "soil-moisture"
bed = "kitchen-bed"
depth_cm = 15
topic = "a/moisture"
payload = "number"
every_s = 600
MOISTURE
[[sensor]]
id = "perch-water"
measures = "water-temperature"
tank = "perch-tank"
topic = "a/water"
every_s = 300
WATER
"#;

/// Line 24 is the soil sensor's, line 31 the tank's.
fn sensors(moisture: &str, water: &str) -> Result<Vec<(PayloadFormat, Vec<DatedCalibration>)>, Faults> {
    read(GARDEN, moisture, water)
}

fn read(
    garden: &str,
    moisture: &str,
    water: &str,
) -> Result<Vec<(PayloadFormat, Vec<DatedCalibration>)>, Faults> {
    let water =
        if water.contains("payload") { water.to_owned() } else { format!("{water}\npayload = \"number\"") };
    let text = garden.replace("MOISTURE", moisture).replace("WATER", &water);
    let settings = from_text(("trug.toml", TRUG), &[("garden.toml", &text)], std::iter::empty())?;
    let parts = |s: &Sensor| (PayloadFormat::clone(&s.payload), s.calibrations.to_vec());
    Ok(settings.gardens[0].sensors.iter().map(parts).collect())
}

fn value(held: &[DatedCalibration], raw: f64) -> Option<f64> {
    match Calibrator::new().value(held, Timestamp::from_second(1_776_403_800).unwrap(), raw) {
        Calibrated::Value(value) => Some(value),
        Calibrated::OutOfRange(_) => None,
        Calibrated::NotYet => panic!("{raw}"),
    }
}

/// The tables of `tests/published` hold the equations; this holds their way in.
#[test]
fn every_temperature_sensor_is_read_and_answers() {
    for (written, raw, expected_c) in [
        (r#"calibration = "pt100""#, 107.7935, 20.0),
        (r#"calibration = "pt1000""#, 1077.935, 20.0),
        ("calibration = { platinum_r0_ohm = 100, from = 2026-01-01 }", 107.7935, 20.0),
        ("calibration = { steinhart_hart = [0.001129148, 0.000234125, 8.76741e-08] }", 10_000.0, 24.9997),
        ("calibration = { thermistor = { r25_ohm = 10000, beta_k = 3950 } }", 20_000.0, 10.1765),
        (
            "calibration = { thermistor = { r25_ohm = 10000, beta_k = 3950, series_ohm = 10000, full_scale = 3 } }",
            2.0,
            10.1765,
        ),
        (
            "calibration = { thermistor = { steinhart_hart = [0.001129148, 0.000234125, 8.76741e-08], \
             series_ohm = 10000, full_scale = 4096, sensor_to = \"supply\" } }",
            2048.0,
            24.9997,
        ),
        (r#"calibration = "one-wire""#, 401.0, 25.0625),
        ("calibration = { one_wire = true }", 65_528.0, -0.5),
        (r#"payload = "one-wire""#, 401.0, 25.0625),
    ] {
        let sensors = sensors("calibration = \"topp\"", written).unwrap_or_else(|f| panic!("{written}\n{f}"));
        let got = value(&sensors[1].1, raw).unwrap_or_else(|| panic!("{written}: no value"));
        assert!((got - expected_c).abs() < 1e-4, "{written}: {got}");
        for broken in [-1e9, f64::NAN, 1e12] {
            assert_eq!(value(&sensors[1].1, broken), None, "{written}: {broken}");
        }
    }
}

#[test]
fn the_power_on_value_of_a_one_wire_thermometer_is_no_reading() {
    let sensors = sensors("", r#"payload = "one-wire""#).unwrap();
    assert_eq!(sensors[1].0, PayloadFormat::OneWire);
    assert_eq!(value(&sensors[1].1, 1360.0), None);
    assert_eq!(value(&sensors[1].1, 1359.0), Some(84.9375));
}

#[test]
fn a_granular_matrix_sensor_takes_its_soil_from_the_bed() {
    // Loamy sand of the bed: field capacity 0.15, wilting point 0.065.
    let of_bed = sensors("calibration = { granular_matrix = { saturation = 0.46 } }", "").unwrap();
    let own = "calibration = { granular_matrix = { saturation = 0.46, field_capacity = 0.15, \
               wilting_point = 0.065, soil_temp_c = 24 } }";
    let own = sensors(own, "").unwrap();
    assert_eq!(of_bed[0].1, own[0].1);
    // 3 kohm at 24 °C is 20.147 kPa: wetter than field capacity.
    let got = value(&of_bed[0].1, 3000.0).unwrap();
    assert!((got - (0.46 - 0.31 * 20.1467 / 33.0)).abs() < 1e-5, "{got}");
    let cold =
        sensors("calibration = { granular_matrix = { saturation = 0.46, soil_temp_c = 10 } }", "").unwrap();
    assert!(value(&cold[0].1, 3000.0).unwrap() > got, "the same resistance in cold soil is less tension");
    // A bed that says what its soil holds at saturation needs no key at all.
    let garden = GARDEN.replace("soil = \"loamy sand\"", "soil = \"loamy sand\"\nsaturation = 0.46");
    let by_bed = read(&garden, "calibration = { granular_matrix = {} }", "").unwrap();
    assert_eq!(by_bed[0].1, of_bed[0].1);
    for raw in [0.0, 100.0, 30_000.0, f64::INFINITY] {
        assert_eq!(value(&of_bed[0].1, raw), None, "{raw}");
    }
}

#[test]
fn each_fault_is_told_alone_at_its_line() {
    let moisture = |written: &str| (format!("calibration = {written}"), String::new(), 24);
    let water = |written: &str| (String::new(), format!("calibration = {written}"), 31);
    let cases = [
        (moisture(r#""pt100""#), "calibration", "measures no temperature"),
        (
            moisture("{ thermistor = { r25_ohm = 1e4, beta_k = 3950 } }"),
            "calibration.thermistor",
            "no temperature",
        ),
        (moisture(r#""one-wire""#), "calibration", "measures no temperature"),
        (moisture("{ granular_matrix = {} }"), "calibration.granular_matrix.saturation", "pores"),
        (moisture("{ granular_matrix = { saturation = 0.1 } }"), "calibration.granular_matrix", "0.15"),
        (
            moisture("{ granular_matrix = { saturation = 0.46, soil_temp_c = 60 } }"),
            "calibration.granular_matrix.soil_temp_c",
            "from 0 to 40",
        ),
        (
            moisture("{ granular_matrix = { saturation = 0.46, series_ohm = 7500 } }"),
            "calibration.granular_matrix.full_scale",
            "together",
        ),
        (
            water("{ granular_matrix = { saturation = 0.46 } }"),
            "calibration.granular_matrix",
            "soil-moisture",
        ),
        (water(r#""pt10""#), "calibration", "nearest:  pt100"),
        (water("{ platinum_r0_ohm = 0 }"), "calibration.platinum_r0_ohm", "from 10 to 10000"),
        (water("{ thermistor = { r25_ohm = 10000 } }"), "calibration.thermistor", "beta_k"),
        (
            water("{ thermistor = { r25_ohm = 10000, beta_k = 39.5 } }"),
            "calibration.thermistor.beta_k",
            "1000",
        ),
        (water("{ steinhart_hart = [1, 2] }"), "calibration.steinhart_hart", "three numbers"),
        (
            water("{ steinhart_hart = [8.76741e-08, 0.000234125, 0.001129148] }"),
            "calibration.steinhart_hart",
            "no resistance that falls",
        ),
        (
            water(
                "{ thermistor = { r25_ohm = 1e4, beta_k = 3950, series_ohm = 1e4, full_scale = 4095, sensor_to = \"earth\" } }",
            ),
            "calibration.thermistor.sensor_to",
            "ground or supply",
        ),
        (
            water("{ thermistor = { r25_ohm = 1e4, beta_k = 3950, sensor_to = \"ground\" } }"),
            "calibration.thermistor.sensor_to",
            "only beside",
        ),
        (water("{ one_wire = false }"), "calibration.one_wire", "true"),
        (water(r#"{ pt100 = true }"#), "calibration", "exactly one of"),
    ];
    for ((moisture, water, line), key, words) in cases {
        let faults = sensors(&moisture, &water).unwrap_err();
        let told: Vec<_> =
            faults.as_slice().iter().filter(|f| !f.given.contains("a key that is not known")).collect();
        let key = if line == 24 {
            format!("sensor[kitchen-15cm].{key}")
        } else {
            format!("sensor[perch-water].{key}")
        };
        assert!(
            told.len() == 1
                && told[0].line == Some(line)
                && told[0].key == key
                && told[0].to_string().contains(words),
            "{moisture}{water}: {key} on line {line} with {words:?} expected, not:\n{faults}"
        );
    }
    let moisture = sensors(
        "",
        "payload = \"one-wire\"\n[[sensor]]\nid = \"b\"\nmeasures = \"ph\"\ntopic = \"a/b\"\n\
                                every_s = 60\npayload = \"one-wire\"",
    );
    assert!(moisture.unwrap_err().to_string().contains("sensor[b].payload"));
}

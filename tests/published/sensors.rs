//! Sensors whose resistance or register comes to a value by an
//! equation of their own.

use jiff::Timestamp;
use trug::calibration::granular_matrix::{SOIL_C, tension_kpa};
use trug::calibration::one_wire::crc8;
use trug::calibration::{
    Calibrated, Calibration, Calibrator, DatedCalibration, Divider, Law, Platinum, Side, Thermistor,
};

use crate::harness::{Checks, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![
        granular_matrix(),
        one_wire_crc(),
        one_wire_register(),
        thermistor_beta(),
        steinhart_hart("thermistor_steinhart_hart.csv", None),
        // The constants are printed to ten digits and the points to whole
        // degrees: what they were made from comes back to a thousandth.
        steinhart_hart("thermistor_three_points.csv", Some(0.001)),
        platinum(),
        platinum_inverse(),
    ]
}

/// The value by the way that readings go.
fn value(calibration: Calibration, raw: f64) -> f64 {
    let held = [DatedCalibration { from: None, calibration }];
    match Calibrator::new().value(&held, Timestamp::UNIX_EPOCH, raw) {
        Calibrated::Value(value) => value,
        other => panic!("{raw}: {other:?}"),
    }
}

fn granular_matrix() -> Checks {
    let mut checks = Checks::of("granular_matrix.csv");
    for row in table(checks.table) {
        let soil_c = row.number("soil_temp_c");
        assert!((SOIL_C.0..=SOIL_C.1).contains(&soil_c));
        checks.printed(&row, "suction_kpa", tension_kpa(row.number("resistance_kohm"), soil_c));
    }
    checks
}

fn one_wire_crc() -> Checks {
    let mut checks = Checks::of("one_wire_crc.csv");
    for row in table(checks.table) {
        let byte = |hex: &str| u8::from_str_radix(hex, 16).unwrap();
        let bytes: Vec<u8> = row.text("bytes_hex").split(' ').map(byte).collect();
        checks.same(&row, row.text("bytes_hex"), &crc8(&bytes), &byte(row.text("crc_hex")));
    }
    checks
}

fn one_wire_register() -> Checks {
    let mut checks = Checks::of("one_wire_register.csv");
    for row in table(checks.table) {
        let unsigned = u16::from_str_radix(row.text("raw_hex_msb_lsb"), 16).unwrap();
        let expected = row.number("temp_c");
        let signed = unsigned.cast_signed();
        for raw in [f64::from(unsigned), f64::from(signed)] {
            checks.near(&row, "register", value(Calibration::one_wire(), raw), expected, 0.0);
        }
    }
    checks
}

fn thermistor_beta() -> Checks {
    let mut checks = Checks::of("thermistor_beta.csv");
    for row in table(checks.table) {
        let law = Law::beta(row.number("r25_ohm"), row.number("beta_k")).unwrap();
        let ohm = row.number("resistance_ohm");
        checks.printed(&row, "temp_c", value(Calibration::thermistor(Thermistor::new(law, None)), ohm));
        // The same resistance as the count of a divider.
        for (side, count) in [(Side::Ground, ohm / (ohm + 10_000.0)), (Side::Supply, 10_000.0 / (ohm + 10_000.0))]
        {
            let divider = Divider::new(10_000.0, 4095.0, side).unwrap();
            let calibration = Calibration::thermistor(Thermistor::new(law, Some(divider)));
            checks.printed(&row, "temp_c", value(calibration, count * 4095.0));
        }
    }
    checks
}

fn steinhart_hart(name: &'static str, tolerance: Option<f64>) -> Checks {
    let mut checks = Checks::of(name);
    for row in table(checks.table) {
        let law = Law::steinhart_hart(row.number("a"), row.number("b"), row.number("c")).unwrap();
        let thermistor = Calibration::thermistor(Thermistor::new(law, None));
        let got = value(thermistor, row.number("resistance_ohm"));
        let tolerance = tolerance.unwrap_or_else(|| row.tolerance("temp_c"));
        checks.near(&row, "temp_c", got, row.number("temp_c"), tolerance);
    }
    checks
}

fn platinum() -> Checks {
    let mut checks = Checks::of("iec_60751.csv");
    for row in table(checks.table) {
        let t_c = row.number("temp_c");
        for (r0_ohm, times) in [(100.0, 1.0), (1000.0, 10.0)] {
            let sensor = Platinum::new(r0_ohm).unwrap();
            let ohm = sensor.resistance_ohm(t_c);
            checks.printed(&row, "resistance_ohm", ohm / times);
            checks.printed(&row, "table_ohm", ohm / times);
            // Back from the printed resistance: half its last digit in degrees.
            let printed = row.number("table_ohm") * times;
            let per_ohm = 1.0 / (sensor.resistance_ohm(t_c + 0.5) - sensor.resistance_ohm(t_c - 0.5));
            let got = value(Calibration::platinum(sensor), printed);
            checks.near(&row, "temp_c", got, t_c, 0.005 * times * per_ohm);
        }
    }
    checks
}

fn platinum_inverse() -> Checks {
    let mut checks = Checks::of("iec_60751_inverse.csv");
    for row in table(checks.table) {
        let sensor = Platinum::new(100.0).unwrap();
        checks.printed(&row, "temp_c", value(Calibration::platinum(sensor), row.number("resistance_ohm")));
    }
    checks
}

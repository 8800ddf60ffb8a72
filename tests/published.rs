//! Checks against published standards and tables.
//!
//! Each table of `tests/published/` is checked by one function. Its last column
//! names the source, and says where a row is from memory: such a row is a
//! starting point that is kept the same everywhere, not a proof. The tolerance
//! is half a unit in the last digit that the source prints, or nothing at all.
//!
//! `cargo test --test published -- --nocapture` prints, for each table, its
//! source, how many checks were made, the largest error and the tolerance.

#![allow(clippy::unwrap_used, reason = "a check fails by panicking")]

use jiff::Timestamp;
use serde_json::Value as Json;
use trug::calibration::{Calibrated, Calibration, Calibrator, DatedCalibration, topp};
use trug::intake::payload::senml::{self, Value};
use trug::intake::payload::{DecodeError, JsonPointer, PayloadFormat, decode};
use trug::quality::{Flag, Flat, Limits, Rate, Spike, SpikeMethod, Test, Watch, aggregate, spike};
use trug::soil;

/// The rows of a table as header and cell.
fn table(name: &str) -> Vec<Row> {
    let path = format!("{}/tests/published/{name}", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::Reader::from_path(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let rows: Vec<Row> = reader.deserialize().map(|row| Row(row.unwrap())).collect();
    assert!(!rows.is_empty(), "{path} is empty");
    rows
}

struct Row(std::collections::BTreeMap<String, String>);

impl Row {
    fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column} in {:?}", self.0))
    }

    fn number(&self, column: &str) -> f64 {
        self.text(column).parse().unwrap_or_else(|e| panic!("{column} of {:?}: {e}", self.0))
    }

    fn json(&self, column: &str) -> Json {
        serde_json::from_str(self.text(column)).unwrap_or_else(|e| panic!("{column} of {:?}: {e}", self.0))
    }

    /// Half a unit in the last digit that is printed.
    fn tolerance(&self, column: &str) -> f64 {
        let decimals = self.text(column).split_once('.').map_or(0, |(_, d)| d.len());
        0.5 * 10_f64.powi(-i32::try_from(decimals).unwrap())
    }
}

/// What was checked, to be printed at the end.
struct Checks {
    table: &'static str,
    sources: std::collections::BTreeMap<String, usize>,
    largest: f64,
    tolerance: f64,
}

impl Checks {
    fn of(table: &'static str) -> Self {
        Self { table, sources: std::collections::BTreeMap::new(), largest: 0.0, tolerance: 0.0 }
    }

    fn near(&mut self, row: &Row, what: &str, got: f64, expected: f64, tolerance: f64) {
        let error = (got - expected).abs();
        assert!(
            error <= tolerance,
            "{}: {what}: got {got}, printed {expected}, tolerance {tolerance} ({})",
            self.table,
            row.text("source")
        );
        self.largest = self.largest.max(error);
        self.tolerance = self.tolerance.max(tolerance);
        self.count(row);
    }

    fn same<T: PartialEq + std::fmt::Debug>(&mut self, row: &Row, what: &str, got: &T, expected: &T) {
        assert_eq!(got, expected, "{}: {what} ({})", self.table, row.text("source"));
        self.count(row);
    }

    fn count(&mut self, row: &Row) {
        *self.sources.entry(row.text("source").to_owned()).or_default() += 1;
    }

    fn print(self) {
        let Self { table, sources, largest, tolerance } = self;
        assert!(!sources.is_empty(), "{table}: nothing was checked");
        println!("{table}: largest error {largest:.1e}, tolerance {tolerance:.1e}");
        for (source, checks) in sources {
            println!("  {checks:4} checks: {source}");
        }
    }
}

#[test]
fn topp_1980() {
    let mut checks = Checks::of("topp_1980.csv");
    let held = [DatedCalibration { from: None, calibration: Calibration::topp() }];
    for row in table(checks.table) {
        let ka = row.number("permittivity_dimensionless");
        let expected = row.number("vwc_m3_m3");
        let tolerance = row.tolerance("vwc_m3_m3");
        checks.near(&row, "equation 7", topp::water_content(ka), expected, tolerance);
        match Calibrator::new().value(&held, Timestamp::UNIX_EPOCH, ka) {
            Calibrated::Value(value) => checks.near(&row, "calibration", value, expected, tolerance),
            // The table starts at 2, below the range of the fit.
            other => assert!(ka < topp::FITTED.0, "permittivity {ka}: {other:?}"),
        }
    }
    checks.print();
}

#[test]
fn json_pointers_of_rfc_6901() {
    const DOCUMENT: &str =
        r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;
    let mut checks = Checks::of("rfc6901_pointers.csv");
    for row in table(checks.table) {
        let written = row.text("pointer");
        let mut samples = Vec::new();
        let outcome = JsonPointer::parse(written).map(|value| {
            let format = PayloadFormat::Json { value, time: None };
            decode(&format, DOCUMENT.as_bytes(), Timestamp::UNIX_EPOCH, &mut samples)
        });
        if row.text("value_json").is_empty() {
            let missed = matches!(outcome, Err(_) | Ok(Err(DecodeError::Missed { .. })));
            checks.same(&row, written, &missed, &true);
            continue;
        }
        let outcome = outcome.unwrap_or_else(|e| panic!("{written}: {e}"));
        match row.json("value_json") {
            Json::Number(expected) => {
                outcome.unwrap_or_else(|e| panic!("{written}: {e}"));
                checks.near(&row, written, samples[0].raw, expected.as_f64().unwrap(), 0.0);
            }
            // Only numbers are taken, but the refusal says what was found.
            other => {
                let expected = match &other {
                    Json::String(text) => text,
                    Json::Array(_) => "an array",
                    _ => panic!("{written}: {other}"),
                };
                let Err(DecodeError::NotANumberAt { given, .. }) = outcome else {
                    panic!("{written}: {outcome:?}")
                };
                checks.same(&row, written, &given.to_string(), &format!("\"{expected}\""));
            }
        }
    }
    checks.print();
}

#[test]
fn senml_packs_of_rfc_8428() {
    let mut checks = Checks::of("rfc8428_packs.csv");
    for row in table(checks.table) {
        let id = row.text("id");
        let now = Timestamp::from_second(row.text("now_s").parse().unwrap()).unwrap();
        let resolved = senml::resolve(row.text("pack_json").as_bytes(), now).unwrap();
        let Json::Array(expected) = row.json("resolved_json") else { panic!("{id}") };
        checks.same(&row, id, &resolved.len(), &expected.len());
        for (got, expected) in resolved.iter().zip(&expected) {
            checks.same(&row, id, &Some(&*got.name), &expected["n"].as_str());
            checks.same(&row, id, &got.unit.as_deref(), &expected["u"].as_str());
            checks.near(&row, id, seconds(got.at), expected["t"].as_f64().unwrap(), 0.0);
            match &got.value {
                Value::Number(v) => checks.near(&row, id, *v, expected["v"].as_f64().unwrap(), 0.0),
                Value::Text(vs) => checks.same(&row, id, &Some(&**vs), &expected["vs"].as_str()),
                Value::Truth(vb) => checks.same(&row, id, &Some(*vb), &expected["vb"].as_bool()),
                Value::Data(vd) => checks.same(&row, id, &Some(&**vd), &expected["vd"].as_str()),
                Value::SumOnly => panic!("{id}: a sum"),
            }
        }
    }
    checks.print();
}

#[test]
fn senml_names_of_rfc_8428() {
    let mut checks = Checks::of("rfc8428_names.csv");
    for row in table(checks.table) {
        let name = row.text("name");
        let pack = format!(r#"[{{"n":"{name}","v":1}}]"#);
        let taken = senml::resolve(pack.as_bytes(), Timestamp::UNIX_EPOCH).is_ok();
        checks.same(&row, name, &taken, &(row.text("valid") == "yes"));
    }
    checks.print();
}

#[test]
fn senml_times_of_rfc_8428() {
    const NOW_S: i64 = 1_776_403_800;
    let now = Timestamp::from_second(NOW_S).unwrap();
    let mut checks = Checks::of("rfc8428_times.csv");
    for row in table(checks.table) {
        let (bt, t) = (row.text("bt_s"), row.text("t_s"));
        let pack = format!(r#"[{{"bt":{bt},"t":{t},"n":"x","v":1}}]"#);
        let resolved = senml::resolve(pack.as_bytes(), now).unwrap();
        let from_s = match row.text("interpretation") {
            "relative to now" => seconds(now),
            "absolute" => 0.0,
            other => panic!("{other}"),
        };
        // The table prints milliseconds at most.
        checks.near(&row, &pack, seconds(resolved[0].at), from_s + row.number("sum_s"), 0.0005);
    }
    checks.print();
}

/// To the microsecond.
fn seconds(at: Timestamp) -> f64 {
    let (s, us) = (at.as_second(), at.subsec_microsecond());
    format!("{s}.{us:06}").parse().unwrap()
}

/// Limits that nothing fails.
const OPEN: Limits = Limits {
    gross_fail: (f64::NEG_INFINITY, f64::INFINITY),
    gross_suspect: None,
    spike: None,
    rate: None,
    flat: None,
    gap_s: f64::INFINITY,
};

fn flag(number: &Json) -> Flag {
    let number = u8::try_from(number.as_u64().unwrap()).unwrap();
    Flag::from_number(number).unwrap_or_else(|| panic!("{number} is no flag"))
}

fn flags(list: &Json) -> Vec<Flag> {
    list.as_array().unwrap().iter().map(flag).collect()
}

fn pair(list: &Json) -> Option<(f64, f64)> {
    Some((list[0].as_f64()?, list[1].as_f64()?))
}

/// The flags of readings `step_s` apart, as they stand after the last of them.
fn streamed(limits: &Limits, test: Test, step_s: f64, values: &[Option<f64>]) -> Vec<Flag> {
    let mut watch = Watch::new();
    let mut flags: Vec<Flag> = Vec::new();
    let mut at_s = 1_776_403_800.0;
    for value in values {
        let at = Timestamp::from_millisecond(format!("{:.0}", at_s * 1000.0).parse().unwrap()).unwrap();
        let judged = watch.judge(limits, at, *value);
        if let (Some((_, _, tests)), Some(last)) = (judged.previous, flags.last_mut()) {
            *last = tests.get(test);
        }
        flags.push(judged.tests.get(test));
        at_s += step_s;
    }
    flags
}

/// Where the batch says "pass" of a point between two others, the record keeps
/// "not evaluated": a spike that is none is not written a second time.
fn with_passes_written(mut streamed: Vec<Flag>) -> Vec<Flag> {
    let last = streamed.len() - 1;
    for flag in &mut streamed[1..last] {
        if *flag == Flag::NotEvaluated {
            *flag = Flag::Pass;
        }
    }
    streamed
}

#[test]
fn quality_flags_of_ioos_qc() {
    let mut checks = Checks::of("ioos_qc_vectors.csv");
    for row in table(checks.table) {
        let (test, parameters, expected) =
            (row.text("test"), row.json("parameters"), flags(&row.json("flags")));
        let input = row.json("input");
        let values: Vec<Option<f64>> = input.as_array().unwrap().iter().map(Json::as_f64).collect();
        let number = |name: &str| parameters[name].as_f64();
        let step_s = number("step_s").unwrap_or(600.0);
        match test {
            "gross_range" => {
                let gross_fail = pair(&parameters["fail_span"]).unwrap();
                let limits = Limits { gross_fail, gross_suspect: pair(&parameters["suspect_span"]), ..OPEN };
                checks.same(&row, test, &streamed(&limits, Test::GrossRange, step_s, &values), &expected);
            }
            "spike" => {
                let method = match parameters["method"].as_str() {
                    Some("differential") => SpikeMethod::Differential,
                    None => SpikeMethod::Average,
                    Some(other) => panic!("{other}"),
                };
                let thresholds = Spike {
                    suspect: number("suspect_threshold").unwrap(),
                    fail: number("fail_threshold").unwrap(),
                    method,
                };
                let values: Vec<f64> = values.iter().map(|v| v.unwrap()).collect();
                let mut batch = vec![Flag::NotEvaluated];
                batch.extend(values.windows(3).map(|w| spike(&thresholds, w[0], w[1], w[2])));
                batch.push(Flag::NotEvaluated);
                checks.same(&row, "spike in batch", &batch, &expected);

                let limits = Limits { spike: Some(thresholds), ..OPEN };
                let values: Vec<_> = values.into_iter().map(Some).collect();
                let streamed = streamed(&limits, Test::Spike, step_s, &values);
                checks.same(&row, "spike, streamed", &with_passes_written(streamed), &expected);
            }
            "rate_of_change" => {
                let rate = Rate {
                    suspect_per_s: number("threshold").unwrap(),
                    fail_per_s: number("fail_threshold"),
                    over_s: 0.0,
                };
                let limits = Limits { rate: Some(rate), ..OPEN };
                checks.same(&row, test, &streamed(&limits, Test::RateOfChange, step_s, &values), &expected);
            }
            "flat_line" => {
                let flat = Flat {
                    tolerance: number("tolerance").unwrap(),
                    suspect_s: number("suspect_threshold").unwrap(),
                    fail_s: number("fail_threshold").unwrap(),
                };
                let limits = Limits { flat: Some(flat), ..OPEN };
                checks.same(&row, test, &streamed(&limits, Test::FlatLine, step_s, &values), &expected);
            }
            "time_gap" => {
                let limits = Limits { gap_s: number("fail_span_h").unwrap() * 3600.0, ..OPEN };
                let mut watch = Watch::new();
                let got: Vec<Flag> = input
                    .as_array()
                    .unwrap()
                    .iter()
                    .map(|s| Timestamp::from_second(1_776_403_800 + s.as_i64().unwrap()).unwrap())
                    .map(|at| watch.judge(&limits, at, Some(1.0)).tests.get(Test::Gap))
                    .collect();
                checks.same(&row, test, &got, &expected);
            }
            "aggregate" => {
                let vectors: Vec<Vec<Flag>> =
                    parameters["vectors"].as_array().unwrap().iter().map(flags).collect();
                let got: Vec<Flag> =
                    (0..expected.len()).map(|i| aggregate(vectors.iter().map(|v| v[i]))).collect();
                checks.same(&row, test, &got, &expected);
            }
            other => panic!("{other}: no such test"),
        }
    }
    checks.print();
}

/// Sand was read in a quotation of the table; the other rows are from memory,
/// so this shows that they were copied well and not that they are right.
#[test]
fn soil_textures_of_fao_56() {
    let mut checks = Checks::of("fao56_table19.csv");
    let rows = table(checks.table);
    assert_eq!(rows.len(), soil::TEXTURES.len());
    for row in rows {
        let name = row.text("texture");
        let texture = soil::texture(name).unwrap_or_else(|| panic!("no texture {name}"));
        for (column, got) in [
            ("fc_min_m3_m3", texture.field_capacity.0),
            ("fc_max_m3_m3", texture.field_capacity.1),
            ("wp_min_m3_m3", texture.wilting_point.0),
            ("wp_max_m3_m3", texture.wilting_point.1),
        ] {
            // The table prints two decimals.
            checks.near(&row, &format!("{name} {column}"), got, row.number(column), 0.005);
        }
    }
    checks.print();
}

#[test]
fn crops_of_fao_56() {
    let mut checks = Checks::of("fao56_table22.csv");
    let rows = table(checks.table);
    assert_eq!(rows.len(), soil::CROPS.len());
    for row in rows {
        let name = row.text("crop");
        let crop = soil::crop(name).unwrap_or_else(|| panic!("no crop {name}"));
        for (column, got) in [
            ("zr_min_m", crop.root_depth_m.0),
            ("zr_max_m", crop.root_depth_m.1),
            ("p_fraction_at_etc5", crop.depletion_fraction),
        ] {
            checks.near(&row, &format!("{name} {column}"), got, row.number(column), row.tolerance(column));
        }
    }
    checks.print();
}

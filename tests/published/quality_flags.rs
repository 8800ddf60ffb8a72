//! Quality flags.

use jiff::Timestamp;
use serde_json::Value as Json;
use trug::quality::{Flag, Flat, Limits, Rate, Spike, SpikeMethod, Test, Watch, aggregate, spike};

use crate::harness::{Checks, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![quality_flags_of_ioos_qc()]
}

/// Limits that nothing fails.
const OPEN: Limits = Limits {
    gross_fail: (f64::NEG_INFINITY, f64::INFINITY),
    gross_suspect: None,
    spike: None,
    rate: None,
    flat: None,
    gap_s: f64::INFINITY,
    dip_reach_s: 0.0,
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

fn quality_flags_of_ioos_qc() -> Checks {
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
                    longest_s: None,
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
    checks
}

//! Payload formats: JSON Pointer and SenML.

use jiff::Timestamp;
use serde_json::Value as Json;
use trug::decode::senml;
use trug::decode::senml::Value;
use trug::decode::{DecodeError, JsonPointer, PayloadFormat, decode};

use crate::harness::{Checks, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![json_pointers_of_rfc_6901(), senml_packs_of_rfc_8428(), senml_names_of_rfc_8428(), senml_times_of_rfc_8428()]
}

fn json_pointers_of_rfc_6901() -> Checks {
    const DOCUMENT: &str =
        r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;
    let mut checks = Checks::of("rfc6901_pointers.csv");
    for row in table(checks.table) {
        let written = row.text("pointer");
        let mut samples = Vec::new();
        let outcome = JsonPointer::parse(written).map(|value| {
            let format = PayloadFormat::Json { value, time: None, battery: None };
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
    checks
}

fn senml_packs_of_rfc_8428() -> Checks {
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
    checks
}

fn senml_names_of_rfc_8428() -> Checks {
    let mut checks = Checks::of("rfc8428_names.csv");
    for row in table(checks.table) {
        let name = row.text("name");
        let pack = format!(r#"[{{"n":"{name}","v":1}}]"#);
        let taken = senml::resolve(pack.as_bytes(), Timestamp::UNIX_EPOCH).is_ok();
        checks.same(&row, name, &taken, &(row.text("valid") == "yes"));
    }
    checks
}

fn senml_times_of_rfc_8428() -> Checks {
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
    checks
}

/// To the microsecond.
fn seconds(at: Timestamp) -> f64 {
    let (s, us) = (at.as_second(), at.subsec_microsecond());
    format!("{s}.{us:06}").parse().unwrap()
}

//! In which ways a message can be read: what its number is found by.

use jiff::Timestamp;
use serde_json::Value;

use crate::decode::{JsonPointer, PayloadFormat, decode};
use crate::settings::quoted_text;
use crate::text::labels;

/// Numbers of a message that are offered.
const CHOICES_MAX: usize = 24;
/// How deep a JSON text is looked through.
const DEPTH_MAX: usize = 4;
/// Keys under which devices give their time.
const TIME_KEYS: [&str; 5] = ["t", "time", "timestamp", "ts", "at"];

/// One way to read a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct PayloadChoice {
    /// The value of `payload` in the garden's file.
    pub(super) written: String,
    /// What it takes: "raw: 2345".
    pub(super) words: String,
}

/// Every way in which a message's number can be read, the likeliest first. Each was tried on
/// the message.
pub(super) fn choices(payload: &[u8], now: Timestamp) -> Vec<PayloadChoice> {
    let mut found = Vec::new();
    let mut offer = |format: PayloadFormat, written: String, name: &str| {
        let mut samples = Vec::new();
        let readable = decode(&format, payload, now, &mut samples).is_ok();
        if let (true, Some(sample)) = (readable && found.len() < CHOICES_MAX, samples.last()) {
            let words = format!("{}: {}", labels::shown(name, 60), labels::written(sample.raw));
            found.push(PayloadChoice { written, words });
        }
    };
    offer(PayloadFormat::Number, quoted_text("number"), "the number alone");
    if let Ok(json) = serde_json::from_slice::<Value>(payload) {
        let names = senml_names(&json);
        offer(PayloadFormat::Senml { name: None, battery: None }, quoted_text("senml"), "SenML");
        for name in &names {
            let written = format!("{{ senml = {{ name = {} }} }}", quoted_text(name));
            offer(PayloadFormat::Senml { name: Some(name.clone()), battery: None }, written, name);
        }
        if names.is_empty() {
            let time = time_pointer(&json);
            let mut pointers = Vec::new();
            numbers_in(&json, &mut String::new(), 0, &mut pointers);
            for pointer in pointers.iter().filter(|it| time.as_ref() != Some(*it)) {
                let Ok(value) = JsonPointer::parse(pointer) else { continue };
                let name = pointer.trim_start_matches('/');
                let timed = time.as_ref().and_then(|it| JsonPointer::parse(it).ok());
                let at = time.as_ref().map_or_else(String::new, |it| format!(", time = {}", quoted_text(it)));
                let written = format!("{{ json = {{ value = {}{at} }} }}", quoted_text(pointer));
                offer(PayloadFormat::Json { value, time: timed, battery: None }, written, name);
            }
        }
    } else {
        let line =
            |field: Option<String>| PayloadFormat::LineProtocol { measurement: None, field, battery: None };
        offer(line(None), quoted_text("line-protocol"), "line protocol");
        for field in fields_of_line(payload) {
            let written = format!("{{ line-protocol = {{ field = {} }} }}", quoted_text(&field));
            offer(line(Some(field.clone())), written, &field);
        }
    }
    found
}

/// The names of a SenML pack's records (RFC 8428), each once.
fn senml_names(json: &Value) -> Vec<String> {
    let Value::Array(records) = json else { return Vec::new() };
    let mut base = String::new();
    let mut names = Vec::new();
    for record in records {
        if let Some(given) = record.get("bn").and_then(Value::as_str) {
            given.clone_into(&mut base);
        }
        if !record.is_object() || record.get("v").is_none() {
            continue;
        }
        let name = format!("{base}{}", record.get("n").and_then(Value::as_str).unwrap_or_default());
        if !name.is_empty() && !names.contains(&name) {
            names.push(name);
        }
    }
    names
}

/// Where a device's time stands, if it can be read as one.
fn time_pointer(json: &Value) -> Option<String> {
    /// Seconds since 1970 from the year 2001 on.
    const SECONDS_LEAST: f64 = 1e9;
    TIME_KEYS.iter().find_map(|key| {
        let given = json.get(key)?;
        let is_time = given.as_f64().is_some_and(|it| it >= SECONDS_LEAST)
            || given.as_str().is_some_and(|it| it.parse::<Timestamp>().is_ok());
        is_time.then(|| format!("/{key}"))
    })
}

/// JSON Pointers to every number, in the order of the text.
fn numbers_in(json: &Value, path: &mut String, depth: usize, found: &mut Vec<String>) {
    if depth > DEPTH_MAX || found.len() >= CHOICES_MAX {
        return;
    }
    let mut inner = |key: &str, value: &Value| {
        let before = path.len();
        path.push('/');
        path.push_str(&key.replace('~', "~0").replace('/', "~1"));
        numbers_in(value, path, depth + 1, found);
        path.truncate(before);
    };
    match json {
        Value::Number(_) | Value::String(_) => found.push(path.clone()),
        Value::Object(map) => map.iter().for_each(|(key, value)| inner(key, value)),
        Value::Array(list) => {
            for (at, value) in list.iter().enumerate().take(CHOICES_MAX) {
                inner(&at.to_string(), value);
            }
        }
        Value::Null | Value::Bool(_) => {}
    }
}

/// The names of the fields of the first line, as far as they hold nothing escaped.
fn fields_of_line(payload: &[u8]) -> Vec<String> {
    let text = String::from_utf8_lossy(payload);
    let fields = text.lines().next().and_then(|line| line.split(' ').nth(1)).unwrap_or_default();
    fields
        .split(',')
        .filter_map(|field| Some(field.split_once('=')?.0))
        .filter(|name| !name.is_empty() && !name.contains(['\\', '"']))
        .map(str::to_owned)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(payload: &str) -> Vec<String> {
        let now = "2026-04-17T05:30:00Z".parse().expect("a moment");
        choices(payload.as_bytes(), now).into_iter().map(|it| it.written).collect()
    }

    #[test]
    fn a_message_is_read_in_every_way_that_holds() {
        for (payload, expected) in [
            ("2345", vec!["\"number\"", "{ json = { value = \"\" } }"]),
            (
                r#"{"raw":2345,"t":1776403800,"battery":3.6}"#,
                vec![
                    "{ json = { value = \"/battery\", time = \"/t\" } }",
                    "{ json = { value = \"/raw\", time = \"/t\" } }",
                ],
            ),
            (r#"{"a":{"b/c":[1,"x"]}}"#, vec!["{ json = { value = \"/a/b~1c/0\" } }"]),
            (r#"[{"n":"pea-15cm","v":2345}]"#, vec!["\"senml\"", "{ senml = { name = \"pea-15cm\" } }"]),
            (
                r#"[{"bn":"pea-","n":"15cm","v":2345},{"n":"40cm","v":1}]"#,
                vec!["{ senml = { name = \"pea-15cm\" } }", "{ senml = { name = \"pea-40cm\" } }"],
            ),
            (
                "soil,bed=pea moisture=0.21,temp=12 1776403800000000000",
                vec![
                    "{ line-protocol = { field = \"moisture\" } }",
                    "{ line-protocol = { field = \"temp\" } }",
                ],
            ),
            ("on", vec![]),
            ("", vec![]),
            ("{\"on\":true}", vec![]),
        ] {
            assert_eq!(written(payload), expected, "{payload}");
        }
    }

    proptest::proptest! {
        #![proptest_config(proptest::test_runner::Config { failure_persistence: None, ..Default::default() })]
        #[test]
        fn no_bytes_stop_it(payload in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..80)) {
            choices(&payload, Timestamp::UNIX_EPOCH);
        }
    }
}

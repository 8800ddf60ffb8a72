//! Writing a reading the way a sensor's payload is set up.

use serde_json::{Map, Number, Value, json};

use crate::school::Payload;

/// The JSON layout with the number, the time and the battery at RFC 6901 pointers.
/// `None` when a pointer is malformed or one lies inside another.
pub(crate) fn json_at(value: &str, time: Option<&str>, battery: Option<&str>) -> Option<Payload> {
    let value = tokens(value)?;
    let time = match time {
        Some(pointer) => Some(tokens(pointer)?),
        None => None,
    };
    let battery = match battery {
        Some(pointer) => Some(tokens(pointer)?),
        None => None,
    };
    let ways: Vec<&Vec<String>> = std::iter::once(&value).chain(&time).chain(&battery).collect();
    let in_the_way = |(i, a): (usize, &&Vec<String>)| {
        ways.iter().enumerate().any(|(j, b)| i != j && a.starts_with(b.as_slice()))
    };
    if ways.iter().enumerate().any(in_the_way) {
        return None;
    }
    Some(Payload::Json { value, time, battery })
}

/// Reference tokens of a pointer: `~1` stands for `/` and `~0` for `~`.
fn tokens(pointer: &str) -> Option<Vec<String>> {
    if pointer.is_empty() {
        return Some(Vec::new());
    }
    let rest = pointer.strip_prefix('/')?;
    Some(rest.split('/').map(|token| token.replace("~1", "/").replace("~0", "~")).collect())
}

/// The message for the number `raw` taken at `at_s` (Unix seconds), with the
/// battery's `state` where the layout has a place for it.
pub(crate) fn write(payload: &Payload, sensor: &str, raw: f64, at_s: i64, state: Option<f64>) -> Vec<u8> {
    match payload {
        Payload::Number => raw.to_string().into_bytes(),
        Payload::Json { value, time, battery } => {
            let mut document = Value::Null;
            put(&mut document, value, number(raw));
            if let Some(time) = time {
                put(&mut document, time, json!(at_s));
            }
            if let (Some(battery), Some(state)) = (battery, state) {
                put(&mut document, battery, number(state));
            }
            document.to_string().into_bytes()
        }
        Payload::Senml { name, battery } => {
            let mut pack = vec![json!({ "n": name, "bt": at_s, "v": number(raw) })];
            if let (Some(battery), Some(state)) = (battery, state) {
                pack.push(json!({ "n": battery, "v": number(state) }));
            }
            Value::Array(pack).to_string().into_bytes()
        }
        Payload::LineProtocol { measurement, field, battery } => {
            let escaped = |name: &str| escape(name, &[',', ' ', '=']);
            let battery = match (battery, state) {
                (Some(battery), Some(state)) => format!(",{}={state}", escaped(battery)),
                (None, _) | (_, None) => String::new(),
            };
            format!(
                "{},sensor={} {}={raw}{battery} {at_s}000000000",
                escape(measurement, &[',', ' ']),
                escaped(sensor),
                escaped(field),
            )
            .into_bytes()
        }
    }
}

/// A whole number without a decimal point, as small devices write it.
fn number(raw: f64) -> Value {
    if raw.fract() == 0.0 && raw.abs() < 9e15 {
        // Exact: checked to be whole and far inside the range of i64.
        json!(raw as i64)
    } else {
        Number::from_f64(raw).map_or(Value::Null, Value::Number)
    }
}

/// Puts `leaf` at `path`, with objects along the way. A pointer's array index
/// finds an object's member of that name just as well.
fn put(document: &mut Value, path: &[String], leaf: Value) {
    let Some((token, rest)) = path.split_first() else {
        *document = leaf;
        return;
    };
    if !document.is_object() {
        *document = Value::Object(Map::new());
    }
    if let Value::Object(members) = document {
        put(members.entry(token.clone()).or_insert(Value::Null), rest, leaf);
    }
}

/// Backslashes before the characters that end a name in line protocol.
fn escape(name: &str, special: &[char]) -> String {
    let mut escaped = String::with_capacity(name.len());
    for c in name.chars() {
        if special.contains(&c) {
            escaped.push('\\');
        }
        escaped.push(c);
    }
    escaped
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(payload: &Payload, raw: f64) -> String {
        String::from_utf8(write(payload, "bed-1", raw, 1_774_612_800, Some(3.6))).unwrap()
    }

    #[test]
    fn every_layout_carries_number_and_time() {
        assert_eq!(text(&Payload::Number, 21.25), "21.25");
        let json = json_at("/raw", Some("/t"), None).unwrap();
        assert_eq!(text(&json, 1834.0), r#"{"raw":1834,"t":1774612800}"#);
        let senml = Payload::Senml { name: "bed-1".to_owned(), battery: None };
        assert_eq!(text(&senml, 3.0), r#"[{"bt":1774612800,"n":"bed-1","v":3}]"#);
        let line = Payload::LineProtocol {
            measurement: "soil moisture".into(),
            field: "value".into(),
            battery: None,
        };
        assert_eq!(text(&line, 1834.0), r"soil\ moisture,sensor=bed-1 value=1834 1774612800000000000");
    }

    #[test]
    fn a_battery_stands_beside_the_number() {
        let json = json_at("/raw", None, Some("/b/v")).unwrap();
        assert_eq!(text(&json, 1834.0), r#"{"b":{"v":3.6},"raw":1834}"#);
        let senml = Payload::Senml { name: "bed-1".to_owned(), battery: Some("batt".to_owned()) };
        let pack = r#"[{"bt":1774612800,"n":"bed-1","v":3},{"n":"batt","v":3.6}]"#;
        assert_eq!(text(&senml, 3.0), pack);
        let battery = Some("volts".to_owned());
        let line = Payload::LineProtocol { measurement: "soil".into(), field: "value".into(), battery };
        assert_eq!(text(&line, 1.0), "soil,sensor=bed-1 value=1,volts=3.6 1774612800000000000");
        assert!(json_at("/a", None, Some("/a")).is_none());
    }

    /// Escapes of RFC 6901 section 4, read back by serde_json's own pointer.
    #[test]
    fn pointers_lead_to_what_was_written() {
        for (value, time) in [("/a~1b/c~0d", "/t"), ("/x/0/v", "/x/0/t"), ("/~01", "/ ")] {
            let layout = json_at(value, Some(time), None).unwrap();
            let written: Value = serde_json::from_slice(&write(&layout, "s", 7.5, 12, None)).unwrap();
            assert_eq!(written.pointer(value).and_then(Value::as_f64), Some(7.5));
            assert_eq!(written.pointer(time).and_then(Value::as_i64), Some(12));
        }
    }

    #[test]
    fn pointers_in_each_others_way_are_refused() {
        assert!(json_at("/a", Some("/a/b"), None).is_none());
        assert!(json_at("/a/b", Some("/a"), None).is_none());
        assert!(json_at("a", None, None).is_none());
        assert!(json_at("", None, None).is_some());
    }
}

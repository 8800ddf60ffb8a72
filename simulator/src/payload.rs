//! Writing a reading the way a sensor's payload is set up.

use serde_json::{Map, Number, Value, json};

use crate::school::Payload;

/// The JSON layout with the number and the time at two RFC 6901 pointers.
/// `None` when a pointer is malformed or one lies inside the other.
pub(crate) fn json_at(value: &str, time: Option<&str>) -> Option<Payload> {
    let value = tokens(value)?;
    let time = match time {
        Some(pointer) => Some(tokens(pointer)?),
        None => None,
    };
    if let Some(time) = &time
        && (time.starts_with(&value) || value.starts_with(time))
    {
        return None;
    }
    Some(Payload::Json { value, time })
}

/// Reference tokens of a pointer: `~1` stands for `/` and `~0` for `~`.
fn tokens(pointer: &str) -> Option<Vec<String>> {
    if pointer.is_empty() {
        return Some(Vec::new());
    }
    let rest = pointer.strip_prefix('/')?;
    Some(rest.split('/').map(|token| token.replace("~1", "/").replace("~0", "~")).collect())
}

/// The message for the number `raw` taken at `at_s` (Unix seconds).
pub(crate) fn write(payload: &Payload, sensor: &str, raw: f64, at_s: i64) -> Vec<u8> {
    match payload {
        Payload::Number => raw.to_string().into_bytes(),
        Payload::Json { value, time } => {
            let mut document = Value::Null;
            put(&mut document, value, number(raw));
            if let Some(time) = time {
                put(&mut document, time, json!(at_s));
            }
            document.to_string().into_bytes()
        }
        Payload::Senml { name } => {
            json!([{ "n": name, "bt": at_s, "v": number(raw) }]).to_string().into_bytes()
        }
        Payload::LineProtocol { measurement, field } => format!(
            "{},sensor={} {}={raw} {at_s}000000000",
            escape(measurement, &[',', ' ']),
            escape(sensor, &[',', ' ', '=']),
            escape(field, &[',', ' ', '=']),
        )
        .into_bytes(),
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
        String::from_utf8(write(payload, "bed-1", raw, 1_774_612_800)).unwrap()
    }

    #[test]
    fn every_layout_carries_number_and_time() {
        assert_eq!(text(&Payload::Number, 21.25), "21.25");
        let json = json_at("/raw", Some("/t")).unwrap();
        assert_eq!(text(&json, 1834.0), r#"{"raw":1834,"t":1774612800}"#);
        let senml = Payload::Senml { name: "bed-1".to_owned() };
        assert_eq!(text(&senml, 3.0), r#"[{"bt":1774612800,"n":"bed-1","v":3}]"#);
        let line = Payload::LineProtocol { measurement: "soil moisture".into(), field: "value".into() };
        assert_eq!(text(&line, 1834.0), r"soil\ moisture,sensor=bed-1 value=1834 1774612800000000000");
    }

    /// Escapes of RFC 6901 section 4, read back by serde_json's own pointer.
    #[test]
    fn pointers_lead_to_what_was_written() {
        for (value, time) in [("/a~1b/c~0d", "/t"), ("/x/0/v", "/x/0/t"), ("/~01", "/ ")] {
            let layout = json_at(value, Some(time)).unwrap();
            let written: Value = serde_json::from_slice(&write(&layout, "s", 7.5, 12)).unwrap();
            assert_eq!(written.pointer(value).and_then(Value::as_f64), Some(7.5));
            assert_eq!(written.pointer(time).and_then(Value::as_i64), Some(12));
        }
    }

    #[test]
    fn pointers_in_each_others_way_are_refused() {
        assert!(json_at("/a", Some("/a/b")).is_none());
        assert!(json_at("/a/b", Some("/a")).is_none());
        assert!(json_at("a", None).is_none());
        assert!(json_at("", None).is_some());
    }
}

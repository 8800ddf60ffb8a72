//! One number, a time and a battery's state, out of any JSON text.
//!
//! The text is read once and only along the way of the pointers: nothing is
//! built of the rest. Nesting on the way is bounded by serde_json's own limit
//! (128); what is off the way is skipped without recursion. Where an object has
//! one name twice, the last one counts.

use std::borrow::Cow;
use std::fmt;

use jiff::Timestamp;
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};

use crate::decode::json_pointer::{JsonPointer, Token};
use crate::decode::number;
use crate::decode::number::NumberFault;
use crate::decode::{DecodeError, Excerpt, time};
use crate::model::Sample;

/// Reads one sample.
pub(super) fn decode(
    value: &JsonPointer,
    time: Option<&JsonPointer>,
    battery: Option<&JsonPointer>,
    payload: &[u8],
) -> Result<Sample, DecodeError> {
    let mut found = [Found::Nothing, Found::Nothing, Found::Nothing];
    let ways = [Some(value.tokens()), time.map(JsonPointer::tokens), battery.map(JsonPointer::tokens)];
    let mut reader = serde_json::Deserializer::from_slice(payload);
    let walk = Walk { ways: &ways, found: &mut found, on_way: ALL, depth: 0 };
    walk.deserialize(&mut reader)
        .and_then(|()| reader.end())
        .map_err(|e| DecodeError::NotJson { given: Excerpt::of_bytes(payload), problem: e.to_string() })?;

    let [raw, at, state] = found;
    Ok(Sample {
        raw: raw_number(&raw, value, payload)?,
        at: match time {
            Some(pointer) => own_time(&at, pointer, payload)?,
            None => None,
        },
        battery: battery_state(&state),
    })
}

/// What is no finite number says nothing.
fn battery_state(found: &Found<'_>) -> Option<f64> {
    match found {
        Found::Text(text) => number::finite(text).ok(),
        _ => found.number(),
    }
    .filter(|state| state.is_finite())
}

fn missed(payload: &[u8], pointer: &JsonPointer, what: &'static str) -> DecodeError {
    DecodeError::Missed { given: Excerpt::of_bytes(payload), pointer: Excerpt::of(pointer.as_str()), what }
}

fn raw_number(found: &Found<'_>, pointer: &JsonPointer, payload: &[u8]) -> Result<f64, DecodeError> {
    if let Some(number) = found.number() {
        return Ok(number);
    }
    match found {
        Found::Nothing => Err(missed(payload, pointer, "value")),
        Found::Text(text) => number::finite(text).map_err(|fault| match fault {
            NumberFault::TooLarge => DecodeError::TooLarge { given: Excerpt::of(text) },
            NumberFault::NotDecimal => not_a_number(found, pointer),
        }),
        _ => Err(not_a_number(found, pointer)),
    }
}

fn not_a_number(found: &Found<'_>, pointer: &JsonPointer) -> DecodeError {
    DecodeError::NotANumberAt { given: found.excerpt(), pointer: Excerpt::of(pointer.as_str()) }
}

/// `null` is a device that says that it does not know the time.
fn own_time(
    found: &Found<'_>,
    pointer: &JsonPointer,
    payload: &[u8],
) -> Result<Option<Timestamp>, DecodeError> {
    let refused =
        || DecodeError::NotATimeAt { given: found.excerpt(), pointer: Excerpt::of(pointer.as_str()) };
    match found {
        Found::Null => Ok(None),
        Found::Unsigned(number) => Ok(Some(time::from_unix_whole(i128::from(*number)))),
        Found::Signed(number) => Ok(Some(time::from_unix_whole(i128::from(*number)))),
        Found::Float(number) => Ok(Some(time::from_unix(*number))),
        Found::Text(text) => match text.trim().parse::<Timestamp>() {
            Ok(at) => Ok(Some(at)),
            Err(_) if text.trim().parse::<jiff::civil::DateTime>().is_ok() => {
                Err(DecodeError::TimeWithoutOffset {
                    given: Excerpt::of(text),
                    pointer: Excerpt::of(pointer.as_str()),
                })
            }
            Err(_) => Err(refused()),
        },
        Found::Nothing => Err(missed(payload, pointer, "time")),
        Found::Other(_) => Err(refused()),
    }
}

/// What stands at the end of a pointer.
enum Found<'de> {
    Nothing,
    Null,
    Unsigned(u64),
    Signed(i64),
    Float(f64),
    Text(Cow<'de, str>),
    Other(&'static str),
}

impl Found<'_> {
    /// The number that it is, not as text. Above 2^53 a whole number loses its last digits.
    fn number(&self) -> Option<f64> {
        match self {
            Self::Unsigned(number) => Some(*number as f64),
            Self::Signed(number) => Some(*number as f64),
            Self::Float(number) => Some(*number),
            Self::Nothing | Self::Null | Self::Text(_) | Self::Other(_) => None,
        }
    }

    fn excerpt(&self) -> Excerpt {
        match self {
            Self::Nothing => Excerpt::of("nothing"),
            Self::Null => Excerpt::of("null"),
            Self::Unsigned(number) => Excerpt::of(&number.to_string()),
            Self::Signed(number) => Excerpt::of(&number.to_string()),
            Self::Float(number) => Excerpt::of(&number.to_string()),
            Self::Text(text) => Excerpt::of(text),
            Self::Other(kind) => Excerpt::of(kind),
        }
    }
}

/// Bits of [`Walk::on_way`]: the pointers of value, time and battery.
const ALL: u8 = 0b111;

/// Reads the node that `depth` steps have led to.
struct Walk<'w, 'de> {
    ways: &'w [Option<&'w [Token]>; 3],
    found: &'w mut [Found<'de>; 3],
    /// The pointers that lead to or through this node.
    on_way: u8,
    depth: usize,
}

impl<'w, 'de> Walk<'w, 'de> {
    /// The pointers whose next step fits.
    fn going_on(&self, fits: impl Fn(&Token) -> bool) -> u8 {
        let mut mask = 0;
        for (i, way) in self.ways.iter().enumerate() {
            let bit = 1 << i;
            if self.on_way & bit != 0 && way.and_then(|w| w.get(self.depth)).is_some_and(&fits) {
                mask |= bit;
            }
        }
        mask
    }

    /// Hands what stands here to the pointers that end here.
    fn put(&mut self, make: impl Fn() -> Found<'de>) {
        for (i, way) in self.ways.iter().enumerate() {
            if self.on_way & (1 << i) != 0 && way.is_some_and(|w| w.len() == self.depth) {
                self.found[i] = make();
            }
        }
    }

    fn step(&mut self, mask: u8) -> Walk<'_, 'de> {
        for (i, found) in self.found.iter_mut().enumerate() {
            if mask & (1 << i) != 0 {
                // An earlier member of the same name counts for nothing.
                *found = Found::Nothing;
            }
        }
        Walk { ways: self.ways, found: self.found, on_way: mask, depth: self.depth + 1 }
    }
}

impl<'de> DeserializeSeed<'de> for Walk<'_, 'de> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Walk<'_, 'de> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(mut self) -> Result<(), E> {
        self.put(|| Found::Null);
        Ok(())
    }

    fn visit_bool<E>(mut self, v: bool) -> Result<(), E> {
        self.put(|| Found::Other(if v { "true" } else { "false" }));
        Ok(())
    }

    fn visit_u64<E>(mut self, v: u64) -> Result<(), E> {
        self.put(|| Found::Unsigned(v));
        Ok(())
    }

    fn visit_i64<E>(mut self, v: i64) -> Result<(), E> {
        self.put(|| Found::Signed(v));
        Ok(())
    }

    fn visit_f64<E>(mut self, v: f64) -> Result<(), E> {
        self.put(|| Found::Float(v));
        Ok(())
    }

    fn visit_borrowed_str<E>(mut self, v: &'de str) -> Result<(), E> {
        self.put(|| Found::Text(Cow::Borrowed(v)));
        Ok(())
    }

    fn visit_str<E>(mut self, v: &str) -> Result<(), E> {
        self.put(|| Found::Text(Cow::Owned(v.to_owned())));
        Ok(())
    }

    fn visit_map<A: MapAccess<'de>>(mut self, mut map: A) -> Result<(), A::Error> {
        self.put(|| Found::Other("an object"));
        while let Some(mask) = map.next_key_seed(Key(&self))? {
            if mask == 0 {
                map.next_value::<IgnoredAny>()?;
            } else {
                map.next_value_seed(self.step(mask))?;
            }
        }
        Ok(())
    }

    fn visit_seq<A: SeqAccess<'de>>(mut self, mut seq: A) -> Result<(), A::Error> {
        self.put(|| Found::Other("an array"));
        for place in 0.. {
            let mask = self.going_on(|token| token.index == Some(place));
            let more = if mask == 0 {
                seq.next_element::<IgnoredAny>()?.is_some()
            } else {
                seq.next_element_seed(self.step(mask))?.is_some()
            };
            if !more {
                break;
            }
        }
        Ok(())
    }
}

/// Reads a member's name and says which pointers go on through it.
struct Key<'k, 'w, 'de>(&'k Walk<'w, 'de>);

impl<'de> DeserializeSeed<'de> for Key<'_, '_, '_> {
    type Value = u8;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<u8, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl Visitor<'_> for Key<'_, '_, '_> {
    type Value = u8;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a member's name")
    }

    fn visit_str<E>(self, name: &str) -> Result<u8, E> {
        Ok(self.0.going_on(|token| &*token.name == name))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(value: &str, time: Option<&str>, payload: &str) -> Result<Sample, String> {
        let value = JsonPointer::parse(value).unwrap();
        let time = time.map(|t| JsonPointer::parse(t).unwrap());
        decode(&value, time.as_ref(), None, payload.as_bytes()).map_err(|e| e.to_string())
    }

    fn raw(value: &str, payload: &str) -> Result<f64, String> {
        read(value, None, payload).map(|s| s.raw)
    }

    #[test]
    fn a_number_is_found_wherever_it_stands() {
        for (value, payload, expected) in [
            ("/raw", r#"{"id":"p1","raw":2345,"v":[1,2]}"#, 2345.0),
            ("/v/1", r#"{"raw":2345,"v":[1,2.5]}"#, 2.5),
            ("/a/b/0/c", r#"{"a":{"x":{},"b":[{"c":-1e3}]}}"#, -1000.0),
            ("", "7", 7.0),
            ("/0", " [ 7 ] ", 7.0),
            ("/raw", r#"{"raw":" 12.5 "}"#, 12.5),
            ("/ra\u{e9}", r#"{"ra\u00e9":1}"#, 1.0),
            ("/1", r#"{"1":5}"#, 5.0),
            // The last of two members with one name counts.
            ("/a", r#"{"a":1,"a":2}"#, 2.0),
            ("/a/b", r#"{"a":{"b":1},"a":{"b":3}}"#, 3.0),
        ] {
            assert_eq!(raw(value, payload), Ok(expected), "{value} {payload}");
        }
    }

    #[test]
    fn what_holds_no_number_is_refused_by_name() {
        for (value, payload, phrase) in [
            ("/raw", r#"{"row":1}"#, "nothing at \"/raw\", where the value should be"),
            ("/a/b", r#"{"a":{"b":1},"a":{}}"#, "nothing at"),
            ("/a/b", r#"{"a":{"b":1},"a":4}"#, "nothing at"),
            ("/v/2", r#"{"v":[1,2]}"#, "nothing at"),
            ("/v/-", r#"{"v":[1,2]}"#, "nothing at"),
            ("/raw", r#"{"raw":true}"#, "has \"true\" at \"/raw\": a number"),
            ("/raw", r#"{"raw":null}"#, "has \"null\""),
            ("/raw", r#"{"raw":[1]}"#, "has \"an array\""),
            ("/raw", r#"{"raw":{"x":1}}"#, "has \"an object\""),
            ("/raw", r#"{"raw":"NaN"}"#, "has \"NaN\""),
            ("/raw", r#"{"raw":"dry"}"#, "has \"dry\""),
            ("/raw", r#"{"raw":"1e999"}"#, "too large"),
            ("/raw", r#"{"raw":1e999}"#, "not JSON (number out of range"),
            ("/raw", r#"{"raw":NaN}"#, "not JSON"),
            ("/raw", r#"{"raw":Infinity}"#, "not JSON"),
            ("/raw", r#"{"raw":1"#, "not JSON"),
            ("/raw", r#"{"raw":1} x"#, "not JSON"),
            ("/raw", r#"{"raw":01}"#, "not JSON"),
            ("/raw", "", "not JSON"),
            ("/raw", "\u{feff}{\"raw\":1}", "not JSON"),
        ] {
            let refused = raw(value, payload).unwrap_err();
            assert!(refused.contains(phrase), "{value} {payload}: {refused}");
        }
    }

    #[test]
    fn a_time_is_a_number_or_a_text_with_its_offset() {
        let expected: Timestamp = "2026-04-17T05:30:00Z".parse().unwrap();
        for given in [
            "1776403800",
            "1776403800.0",
            "1776403800000",
            "1.7764038e12",
            "1776403800000000",
            "1776403800000000000",
            "\"2026-04-17T05:30:00Z\"",
            "\"2026-04-17T15:00:00+09:30\"",
            "\"2026-04-17t05:30:00.000z\"",
        ] {
            let payload = format!(r#"{{"raw":1,"t":{given}}}"#);
            assert_eq!(read("/raw", Some("/t"), &payload).map(|s| s.at), Ok(Some(expected)), "{given}");
        }
        assert_eq!(read("/raw", Some("/t"), r#"{"t":null,"raw":1}"#).map(|s| s.at), Ok(None));
        // It is kept as given, though it cannot be true.
        let never_set = read("/raw", Some("/t"), r#"{"raw":1,"t":12}"#).unwrap().at;
        assert_eq!(never_set, Some(Timestamp::from_second(12).unwrap()));
    }

    #[test]
    fn other_times_are_refused_by_name() {
        for (given, phrase) in [
            ("\"2026-04-17T05:30:00\"", "no offset from UTC"),
            ("\"2026-04-17\"", "at \"/t\""),
            ("\"yesterday\"", "\"yesterday\" at \"/t\": seconds or milliseconds"),
            ("\"1776403800\"", "seconds or milliseconds"),
            ("\"2026-02-30T05:30:00Z\"", "2026-02-30"),
            ("true", "\"true\""),
            ("[1]", "an array"),
        ] {
            let payload = format!(r#"{{"raw":1,"t":{given}}}"#);
            let refused = read("/raw", Some("/t"), &payload).unwrap_err();
            assert!(refused.contains(phrase), "{given}: {refused}");
        }
        let refused = read("/raw", Some("/t"), r#"{"raw":1}"#).unwrap_err();
        assert!(refused.contains("nothing at \"/t\", where the time should be"), "{refused}");
    }

    #[test]
    fn a_battery_is_read_where_it_stands_and_never_refuses_a_payload() {
        let (value, battery) = (JsonPointer::parse("/raw").unwrap(), JsonPointer::parse("/b/v").unwrap());
        for (given, expected) in [
            ("{\"v\":3.61}", Some(3.61)),
            ("{\"v\":87}", Some(87.0)),
            ("{\"v\":-1}", Some(-1.0)),
            ("{\"v\":\" 3.5 \"}", Some(3.5)),
            ("{\"v\":\"NaN\"}", None),
            ("{\"v\":\"inf\"}", None),
            ("{\"v\":\"1e999\"}", None),
            ("{\"v\":\"full\"}", None),
            ("{\"v\":null}", None),
            ("{\"v\":true}", None),
            ("{\"v\":[3.6]}", None),
            ("{}", None),
            ("7", None),
        ] {
            let payload = format!(r#"{{"b":{given},"raw":1}}"#);
            let sample = decode(&value, None, Some(&battery), payload.as_bytes()).unwrap();
            assert_eq!((sample.raw.to_bits(), sample.battery), (1.0f64.to_bits(), expected), "{given}");
        }
    }

    #[test]
    fn one_place_can_be_value_and_time_and_one_way_can_pass_through_the_other() {
        let both = read("/t", Some("/t"), r#"{"t":1776403800}"#).unwrap();
        assert_eq!(both.raw.to_bits(), 1_776_403_800_f64.to_bits());
        assert!(both.at.is_some());
        let refused = read("/a", Some("/a/t"), r#"{"a":{"t":1}}"#).unwrap_err();
        assert!(refused.contains("an object"), "{refused}");
    }
}

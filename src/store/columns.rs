//! Between the domain's types and the columns' integers and texts.

use std::borrow::Cow;
use std::fmt;

use jiff::Timestamp;
use serde::de::{MapAccess, Visitor};
use serde::ser::SerializeMap;

use crate::alarms::Values;
use crate::model::TimeFrom;
use crate::quality::Flag;
use crate::why::{Step, Why};

/// Whole milliseconds since 1970-01-01 UTC.
pub(super) fn millis(at: Timestamp) -> i64 {
    at.as_millisecond()
}

/// The time of a column, where it is one.
pub(super) fn timestamp(millis: i64) -> Option<Timestamp> {
    // By seconds and nanoseconds: the last second of time is refused in milliseconds.
    let nanos = i32::try_from(millis.rem_euclid(1000)).ok()? * 1_000_000;
    Timestamp::new(millis.div_euclid(1000), nanos).ok()
}

/// The flag of a published number.
pub(super) fn flag(number: i64) -> Option<Flag> {
    u8::try_from(number).ok().and_then(Flag::from_number)
}

/// The column of whose clock it was.
pub(super) fn time_from_number(from: TimeFrom) -> i64 {
    match from {
        TimeFrom::Device => 0,
        TimeFrom::Arrival => 1,
    }
}

/// Whose clock a column says it was.
pub(super) fn time_from(number: i64) -> Option<TimeFrom> {
    match number {
        0 => Some(TimeFrom::Device),
        1 => Some(TimeFrom::Arrival),
        _ => None,
    }
}

/// At most `max` bytes of a text, cut between characters.
pub(super) fn cut(text: &str, max: usize) -> &str {
    &text[..text.floor_char_boundary(max)]
}

/// At most `max` characters of a text.
pub(super) fn cut_chars(text: &str, max: usize) -> &str {
    text.char_indices().nth(max).map_or(text, |(end, _)| &text[..end])
}

/// At most `max` bytes.
pub(super) fn cut_bytes(bytes: &[u8], max: usize) -> &[u8] {
    &bytes[..bytes.len().min(max)]
}

/// Named numbers as a JSON object that keeps their order. A number that is not
/// finite becomes null.
pub(super) fn numbers_to_json(numbers: &Values) -> String {
    serde_json::to_string(&Numbers(numbers)).expect("names and numbers always have a JSON form")
}

/// The reverse of [`numbers_to_json`]; nulls are left out.
pub(super) fn numbers_from_json(text: &str) -> Result<Values, serde_json::Error> {
    serde_json::from_str::<OwnedNumbers>(text).map(|numbers| numbers.0)
}

/// The steps behind a number as a JSON list.
pub(super) fn why_to_json(why: &[Step]) -> String {
    let steps: Vec<StepRow<'_>> = why
        .iter()
        .map(|step| StepRow {
            gives: Cow::Borrowed(&step.gives),
            form: Cow::Borrowed(&step.form),
            with: Cow::Borrowed(&step.with),
            source: Cow::Borrowed(&step.source),
            check: Cow::Borrowed(&step.check),
        })
        .collect();
    serde_json::to_string(&steps).expect("a list of texts always has a JSON form")
}

/// The reverse of [`why_to_json`].
pub(super) fn why_from_json(text: &str) -> Result<Why, serde_json::Error> {
    let steps: Vec<StepRow<'_>> = serde_json::from_str(text)?;
    let owned = |text: Cow<'_, str>| Cow::Owned(text.into_owned());
    Ok(steps
        .into_iter()
        .map(|row| Step {
            gives: owned(row.gives),
            form: owned(row.form),
            with: row.with.into_owned(),
            source: owned(row.source),
            check: owned(row.check),
        })
        .collect())
}

#[derive(serde::Serialize, serde::Deserialize)]
struct StepRow<'a> {
    gives: Cow<'a, str>,
    form: Cow<'a, str>,
    with: Cow<'a, str>,
    source: Cow<'a, str>,
    check: Cow<'a, str>,
}

struct Numbers<'a>(&'a Values);

impl serde::Serialize for Numbers<'_> {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (name, number) in self.0 {
            map.serialize_entry(name, number)?;
        }
        map.end()
    }
}

struct OwnedNumbers(Values);

impl<'de> serde::Deserialize<'de> for OwnedNumbers {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct InOrder;
        impl<'de> Visitor<'de> for InOrder {
            type Value = OwnedNumbers;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object of numbers")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut numbers = Vec::new();
                while let Some((name, number)) = map.next_entry::<String, Option<f64>>()? {
                    numbers.extend(number.map(|number| (Cow::Owned(name), number)));
                }
                Ok(OwnedNumbers(numbers))
            }
        }
        deserializer.deserialize_map(InOrder)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn named_numbers_keep_their_order_and_lose_what_is_no_number() {
        let text =
            numbers_to_json(&vec![("zinc".into(), 1.5), ("area".into(), -2.0), ("nothing".into(), f64::NAN)]);
        assert_eq!(text, r#"{"zinc":1.5,"area":-2.0,"nothing":null}"#);
        assert_eq!(
            numbers_from_json(&text).unwrap(),
            [("zinc".into(), 1.5), ("area".into(), -2.0)] as [(Cow<str>, f64); 2]
        );
    }

    #[test]
    fn equations_come_back_as_they_went() {
        let why = vec![Step {
            gives: "depletion".into(),
            form: "Dr = 1000 (FC - theta) Zr".into(),
            with: "1000 x (0.150 - 0.091) x 0.50 m = 29.5 \"mm\"".to_owned(),
            source: "FAO-56".into(),
            check: "plain arithmetic".into(),
        }];
        assert_eq!(why_from_json(&why_to_json(&why)).unwrap(), why);
        assert_eq!(why_from_json("[]").unwrap(), []);
        assert!(why_from_json("{}").is_err());
    }

    #[test]
    fn every_flag_and_clock_comes_back() {
        for it in Flag::ALL {
            assert_eq!(flag(i64::from(it.number())), Some(it));
        }
        assert_eq!(flag(5), None);
        assert_eq!(flag(257), None);
        for it in [TimeFrom::Device, TimeFrom::Arrival] {
            assert_eq!(time_from(time_from_number(it)), Some(it));
        }
        assert_eq!(time_from(2), None);
    }

    #[test]
    fn a_text_is_cut_between_characters() {
        assert_eq!(cut("kräuter", 3), "kr");
        assert_eq!(cut("kräuter", 4), "krä");
        assert_eq!(cut("bed", 10), "bed");
    }
}

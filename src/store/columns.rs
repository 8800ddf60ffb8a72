//! Between the domain's types and the columns' integers and texts.

use std::borrow::Cow;
use std::fmt;

use jiff::Timestamp;
use rusqlite::Row;
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, Type, ValueRef};
use serde::de::{MapAccess, Visitor};
use serde::ser::SerializeMap;

use crate::alarms::{AlarmKey, Kind, Priority, State, Values};
use crate::garden::plan::Channel;
use crate::model::{Id, TimeFrom};
use crate::quality::Flag;
use crate::telling::WaitFor;
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

/// What in a column this program cannot understand.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
struct Unreadable(String);

fn unreadable(found: String) -> FromSqlError {
    FromSqlError::Other(Box::new(Unreadable(found)))
}

/// The error of a column of text in which `found` cannot be understood.
pub(super) fn refused(column: usize, found: String) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, Type::Text, Box::new(Unreadable(found)))
}

/// What cannot be understood, where that is the error, and no fault of SQLite's.
pub(super) fn not_understood(error: &rusqlite::Error) -> Option<String> {
    match error {
        rusqlite::Error::FromSqlConversionFailure(_, _, source) => {
            source.downcast_ref::<Unreadable>().map(ToString::to_string)
        }
        _ => None,
    }
}

/// The value of a column, if `read` understands it; `what` names it for people.
pub(super) fn named<T>(
    value: ValueRef<'_>,
    what: &str,
    read: impl Fn(&str) -> Option<T>,
) -> FromSqlResult<T> {
    let name = value.as_str()?;
    read(name).ok_or_else(|| unreadable(format!("the {what} {name:?}")))
}

/// A time in a column: whole milliseconds since 1970-01-01 UTC.
pub(super) struct Moment(pub(super) Timestamp);

impl FromSql for Moment {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        let millis = value.as_i64()?;
        timestamp(millis).map(Self).ok_or_else(|| unreadable(format!("the time {millis}")))
    }
}

/// The time of a column.
pub(super) fn time(row: &Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    row.get(column).map(|Moment(at)| at)
}

/// The time of a column that may be empty.
pub(super) fn optional_time(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<Timestamp>> {
    Ok(row.get::<_, Option<Moment>>(column)?.map(|Moment(at)| at))
}

/// The alarm of the three columns site, kind and place.
pub(super) fn alarm_key(row: &Row<'_>, first: usize) -> rusqlite::Result<AlarmKey> {
    Ok(AlarmKey { site: row.get(first)?, kind: row.get(first + 1)?, place: row.get(first + 2)? })
}

/// The value of a JSON text in a column; `what` names it for people.
pub(super) fn json<T, E>(
    row: &Row<'_>,
    column: usize,
    what: &str,
    read: impl Fn(&str) -> Result<T, E>,
) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    read(&text).map_err(|_| refused(column, format!("the {what} {text:?}")))
}

impl FromSql for Id {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        value.as_str().map(Self::new)
    }
}

impl FromSql for Kind {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        named(value, "kind", Self::from_name)
    }
}

impl FromSql for State {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        named(value, "state", Self::from_name)
    }
}

impl FromSql for Priority {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        named(value, "priority", Self::from_name)
    }
}

impl FromSql for Channel {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        named(value, "channel", Self::from_name)
    }
}

impl FromSql for WaitFor {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        named(value, "wait", Self::from_name)
    }
}

impl FromSql for Flag {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        let number = value.as_i64()?;
        let flag = u8::try_from(number).ok().and_then(Self::from_number);
        flag.ok_or_else(|| unreadable(format!("the flag {number}")))
    }
}

impl FromSql for TimeFrom {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        match value.as_i64()? {
            0 => Ok(Self::Device),
            1 => Ok(Self::Arrival),
            number => Err(unreadable(format!("whose clock it was: {number}"))),
        }
    }
}

/// What an integer of a column means, as if it stood in that column of a row.
pub(super) fn meaning<T: FromSql>(column: usize, number: i64) -> rusqlite::Result<T> {
    T::column_result(ValueRef::Integer(number)).map_err(|error| match error {
        FromSqlError::OutOfRange(number) => rusqlite::Error::IntegralValueOutOfRange(column, number),
        FromSqlError::Other(source) => {
            rusqlite::Error::FromSqlConversionFailure(column, Type::Integer, source)
        }
        error => rusqlite::Error::FromSqlConversionFailure(column, Type::Integer, Box::new(error)),
    })
}

/// The column of whose clock it was.
pub(super) fn time_from_number(from: TimeFrom) -> i64 {
    match from {
        TimeFrom::Device => 0,
        TimeFrom::Arrival => 1,
    }
}

/// A list of texts as JSON.
pub(super) fn list_to_json(list: &[String]) -> String {
    serde_json::to_string(list).expect("a list of texts always has a JSON form")
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
    serde_json::to_string(&StoredNumbers(numbers)).expect("names and numbers always have a JSON form")
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

struct StoredNumbers<'a>(&'a Values);

impl serde::Serialize for StoredNumbers<'_> {
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
            let number = ValueRef::Integer(i64::from(it.number()));
            assert_eq!(Flag::column_result(number).unwrap(), it);
        }
        for none in [5, 257] {
            let error = Flag::column_result(ValueRef::Integer(none)).unwrap_err();
            assert!(error.to_string().ends_with(&format!("the flag {none}")), "{error}");
        }
        for it in [TimeFrom::Device, TimeFrom::Arrival] {
            let number = ValueRef::Integer(time_from_number(it));
            assert_eq!(TimeFrom::column_result(number).unwrap(), it);
        }
        assert!(TimeFrom::column_result(ValueRef::Integer(2)).is_err());
    }

    #[test]
    fn a_text_is_cut_between_characters() {
        assert_eq!(cut("kräuter", 3), "kr");
        assert_eq!(cut("kräuter", 4), "krä");
        assert_eq!(cut("bed", 10), "bed");
    }
}

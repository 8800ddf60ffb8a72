//! A reading as a line of line protocol, for time-series servers.
//!
//! | part | name | what |
//! | --- | --- | --- |
//! | measurement | `garden_reading` | |
//! | tag | `site` | the site's id |
//! | tag | `place` | the bed's or tank's id, `site` for the whole site |
//! | tag | `sensor` | the sensor's id |
//! | tag | `quantity` | what it measures, such as `soil-moisture` |
//! | field | `value`, float | the calibrated value; left out where there is none |
//! | field | `raw`, float | what the sensor sent |
//! | field | `flag`, integer | the QARTOD flag: 1, 2, 3, 4 or 9 |
//! | time | | nanoseconds since 1970-01-01 UTC |
//!
//! A server keeps one point for each set of tags and time, so writing a line twice
//! changes nothing there.
//!
//! The builder of the library that writes the lines checks nothing, so everything
//! is cleaned first.

use influxdb_line_protocol::LineProtocolBuilder;
use jiff::Timestamp;

use crate::quality::Flag;

/// The measurement of every line.
pub const MEASUREMENT: &str = "garden_reading";

/// What a line says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReadingLine<'a> {
    pub site: &'a str,
    pub place: &'a str,
    pub sensor: &'a str,
    pub quantity: &'a str,
    pub at: Timestamp,
    pub raw: f64,
    pub value: Option<f64>,
    pub flag: Flag,
}

/// Why a reading cannot be a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LineError {
    #[error("its raw number is not finite")]
    NotFinite,
    #[error("its time is outside the years 1677 to 2262 that line protocol can say")]
    Time,
}

/// Appends a line to `lines`, with its line end. Nothing is appended on an error.
///
/// # Errors
///
/// When the raw number is not finite, or the time does not fit 64 bits of
/// nanoseconds.
pub fn append(lines: &mut Vec<u8>, line: &ReadingLine<'_>) -> Result<(), LineError> {
    if !line.raw.is_finite() {
        return Err(LineError::NotFinite);
    }
    let nanos = i64::try_from(line.at.as_nanosecond()).map_err(|_| LineError::Time)?;
    // The two lowest numbers and the highest one stand for something else in servers.
    if !(i64::MIN + 2..i64::MAX).contains(&nanos) {
        return Err(LineError::Time);
    }
    let builder = LineProtocolBuilder::new_with(std::mem::take(lines))
        .measurement(MEASUREMENT)
        .tag("site", &tag(line.site))
        .tag("place", &tag(line.place))
        .tag("sensor", &tag(line.sensor))
        .tag("quantity", &tag(line.quantity))
        .field("raw", line.raw)
        .field("flag", i64::from(line.flag.number()));
    let builder = match line.value.filter(|value| value.is_finite()) {
        Some(value) => builder.field("value", value),
        None => builder,
    };
    *lines = builder.timestamp(nanos).close_line().build();
    Ok(())
}

/// A tag's value without what would break the line: a control character or a
/// backslash becomes `_`, and an empty one becomes `none`.
pub(super) fn tag(text: &str) -> std::borrow::Cow<'_, str> {
    let bad = |c: char| c.is_control() || c == '\\';
    if text.is_empty() {
        "none".into()
    } else if text.contains(bad) {
        text.replace(bad, "_").into()
    } else {
        text.into()
    }
}

#[cfg(test)]
mod tests {
    use influxdb_line_protocol::{FieldValue, parse_lines};
    use proptest::prelude::*;

    use super::*;

    fn line(at: i128) -> ReadingLine<'static> {
        ReadingLine {
            site: "saltbush-gully",
            place: "kitchen-bed",
            sensor: "kitchen-15cm",
            quantity: "soil-moisture",
            at: Timestamp::from_nanosecond(at).unwrap(),
            raw: 1450.0,
            value: Some(0.145),
            flag: Flag::Pass,
        }
    }

    /// The form is that of the line protocol reference of InfluxDB 1.x:
    /// `measurement,tag=value field=float,field=integeri nanoseconds`.
    #[test]
    fn a_line_is_written_as_documented() {
        let mut lines = Vec::new();
        append(&mut lines, &line(1_776_403_800_250_000_000)).unwrap();
        let missing = ReadingLine { value: None, flag: Flag::Missing, ..line(1) };
        append(&mut lines, &missing).unwrap();
        assert_eq!(
            String::from_utf8(lines).unwrap(),
            "garden_reading,site=saltbush-gully,place=kitchen-bed,sensor=kitchen-15cm,quantity=soil-moisture \
             raw=1450,flag=1i,value=0.145 1776403800250000000\n\
             garden_reading,site=saltbush-gully,place=kitchen-bed,sensor=kitchen-15cm,quantity=soil-moisture \
             raw=1450,flag=9i 1\n"
        );
    }

    #[test]
    fn what_cannot_be_said_is_refused_and_leaves_nothing() {
        let mut lines = b"before\n".to_vec();
        let infinite = ReadingLine { raw: f64::INFINITY, ..line(0) };
        assert_eq!(append(&mut lines, &infinite), Err(LineError::NotFinite));
        let far = ReadingLine { at: Timestamp::MAX, ..line(0) };
        assert_eq!(append(&mut lines, &far), Err(LineError::Time));
        for nanos in [i64::MIN, i64::MIN + 1, i64::MAX] {
            assert_eq!(append(&mut lines, &line(nanos.into())), Err(LineError::Time), "{nanos}");
        }
        assert_eq!(lines, b"before\n");
    }

    proptest! {
        /// Whatever the names are, a line reads back as one line with its numbers.
        #[test]
        fn every_line_reads_back(
            names in proptest::array::uniform4(any::<String>()),
            raw in any::<f64>().prop_filter("finite", |raw| raw.is_finite()),
            value in proptest::option::of(any::<f64>()),
            nanos in i64::MIN + 2..i64::MAX,
        ) {
            let [site, place, sensor, quantity] = &names;
            let mut lines = Vec::new();
            append(&mut lines, &ReadingLine { site, place, sensor, quantity, raw, value, ..line(nanos.into()) }).unwrap();
            let text = String::from_utf8(lines).unwrap();
            prop_assert_eq!(text.matches('\n').count(), 1);
            let read: Vec<_> = parse_lines(&text).collect::<Result<_, _>>().unwrap();
            prop_assert_eq!(read.len(), 1);
            let read = &read[0];
            prop_assert_eq!(read.timestamp, Some(nanos));
            let Some(FieldValue::F64(back)) = read.field_value("raw") else { panic!("no raw: {text}") };
            prop_assert_eq!(back.to_bits(), raw.to_bits());
            match (read.field_value("value"), value.filter(|value| value.is_finite())) {
                (Some(FieldValue::F64(back)), Some(value)) => prop_assert_eq!(back.to_bits(), value.to_bits()),
                (None, None) => {}
                other => panic!("{other:?}"),
            }
            let tags = read.series.tag_set.as_ref().unwrap();
            prop_assert_eq!(tags.len(), 4);
            for (tag, name) in tags.iter().zip(&names) {
                prop_assert_eq!(tag.1.to_string(), super::tag(name));
            }
        }
    }
}

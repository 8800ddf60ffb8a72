//! Line protocol: `measurement,tags fields time`.
//!
//! One message is one sensor's, so several lines must be of one series. Whole
//! numbers above 2^53 lose their last digits. A field that stands twice in a
//! line counts by its last value.

use influxdb_line_protocol::{FieldValue, ParsedLine, parse_lines};

use crate::decode::{DecodeError, Excerpt, time};
use crate::model::Sample;

/// The numbers of one field, in the order of the lines.
pub(super) fn decode(
    measurement: Option<&str>,
    field: Option<&str>,
    battery: Option<&str>,
    payload: &[u8],
    samples: &mut Vec<Sample>,
) -> Result<(), DecodeError> {
    let text = std::str::from_utf8(payload)
        .map_err(|_| DecodeError::NotText { given: Excerpt::of_bytes(payload) })?;
    // The parser takes a carriage return for a part of the last field.
    let text = text.trim_end_matches(['\r', '\n']);

    // The first line that was taken and the place of its field.
    let mut first: Option<(ParsedLine<'_>, Option<usize>)> = None;
    let mut passed_over = PassedOver::default();
    let before = samples.len();
    for line in parse_lines(text) {
        let line = line.map_err(|e| DecodeError::NotLineProtocol {
            given: Excerpt::of(text),
            problem: e.to_string().chars().filter(|c| !c.is_control()).take(Excerpt::CHARS_MAX).collect(),
        })?;
        if let Some(wanted) = measurement
            && line.series.measurement != wanted
        {
            passed_over.note(&line.series.measurement);
            continue;
        }
        let place = field_place(&line, field, battery)?;
        if let Some((earlier, earlier_place)) = &first {
            if !one_series(earlier, &line) {
                let found = [earlier.series.to_string(), line.series.to_string()];
                return Err(DecodeError::SeveralSeries { found: Excerpt::list(found.iter().map(|s| &**s)) });
            }
            if let (None, Some(a), Some(b)) = (field, *earlier_place, place)
                && earlier.field_set[a].0 != line.field_set[b].0
            {
                let found = [&*earlier.field_set[a].0, &*line.field_set[b].0];
                return Err(DecodeError::WhichField { found: Excerpt::list(found) });
            }
        }
        if let Some(place) = place {
            let (key, value) = &line.field_set[place];
            let raw = number(value).ok_or_else(|| not_a_number(key, value))?;
            let state = battery.and_then(|name| {
                line.field_set.iter().rev().find(|(key, _)| *key == name).and_then(|(_, value)| number(value))
            });
            let at = line.timestamp.map(|ns| time::from_ns(i128::from(ns)));
            samples.push(Sample { at, raw, battery: state });
        }
        if first.is_none() {
            first = Some((line, place));
        }
    }

    if samples.len() > before {
        return Ok(());
    }
    Err(match (first, measurement) {
        (Some((line, _)), _) => DecodeError::NoSuchField {
            wanted: Excerpt::of(field.unwrap_or_default()),
            found: fields_of(&line),
        },
        (None, Some(wanted)) if !passed_over.0.is_empty() => DecodeError::NoSuchMeasurement {
            wanted: Excerpt::of(wanted),
            found: Excerpt::list(passed_over.0.iter().map(|s| &**s)),
        },
        (None, _) => DecodeError::NoLine { given: Excerpt::of(text) },
    })
}

/// Measurements that were passed over, for the error's text.
#[derive(Default)]
struct PassedOver(Vec<String>);

impl PassedOver {
    const MAX: usize = 8;

    fn note(&mut self, name: &str) {
        if self.0.len() < Self::MAX && !self.0.iter().any(|s| s == name) {
            self.0.push(name.to_owned());
        }
    }
}

fn one_series<'a>(a: &ParsedLine<'a>, b: &ParsedLine<'a>) -> bool {
    a.series.measurement == b.series.measurement && a.series.tag_set == b.series.tag_set
}

/// Where the field to take stands in the line. `None`: the field that was asked
/// for is not in this line, though it may be in another.
fn field_place(
    line: &ParsedLine<'_>,
    wanted: Option<&str>,
    battery: Option<&str>,
) -> Result<Option<usize>, DecodeError> {
    let last = |name: &str| line.field_set.iter().rposition(|(key, _)| *key == name);
    if let Some(name) = wanted {
        return Ok(last(name));
    }
    // The battery's field is no reading.
    let reading = |i: &usize| battery.is_none_or(|name| line.field_set[*i].0 != name);
    if let Some(place) = last("value").filter(reading).or_else(|| last("raw").filter(reading)) {
        return Ok(Some(place));
    }
    let mut numbers =
        (0..line.field_set.len()).filter(reading).filter(|i| number(&line.field_set[*i].1).is_some());
    match (numbers.next(), numbers.next()) {
        (Some(one), None) => Ok(Some(one)),
        (None, _) if line.field_set.len() == 1 && reading(&0) => Ok(Some(0)),
        _ => Err(DecodeError::WhichField { found: fields_of(line) }),
    }
}

/// A finite number, if the value is one.
fn number(value: &FieldValue<'_>) -> Option<f64> {
    match value {
        FieldValue::I64(v) => Some(*v as f64),
        FieldValue::U64(v) => Some(*v as f64),
        FieldValue::F64(v) => v.is_finite().then_some(*v),
        FieldValue::String(_) | FieldValue::Boolean(_) => None,
    }
}

fn not_a_number(key: &str, value: &FieldValue<'_>) -> DecodeError {
    DecodeError::FieldNotANumber { field: Excerpt::of(key), given: Excerpt::of(&value.to_string()) }
}

fn fields_of(line: &ParsedLine<'_>) -> Excerpt {
    Excerpt::list(line.field_set.iter().map(|(key, _)| key.as_str()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(measurement: Option<&str>, field: Option<&str>, lines: &str) -> Result<Vec<f64>, String> {
        let mut samples = Vec::new();
        decode(measurement, field, None, lines.as_bytes(), &mut samples).map_err(|e| e.to_string())?;
        Ok(samples.into_iter().map(|s| s.raw).collect())
    }

    #[test]
    fn the_field_is_the_named_one_or_the_obvious_one() {
        for (field, lines, expected) in [
            (Some("b"), "soil a=1,b=2i,c=3", 2.0),
            (None, "soil a=1,raw=5u,value=7", 7.0),
            (None, "soil a=1,raw=5u", 5.0),
            (None, "soil,probe=k15 m=2345.5,note=\"dry\",ok=t", 2345.5),
            (None, "soil m=-1.5e3\r\n", -1500.0),
            (None, "# a comment\nsoil m=1", 1.0),
            (Some("b"), "soil b=1,b=2", 2.0),
            (Some("b c"), "soil b\\ c=4", 4.0),
        ] {
            assert_eq!(read(None, field, lines), Ok(vec![expected]), "{lines}");
        }
    }

    #[test]
    fn each_line_reports_the_battery_of_its_field() {
        let read = |battery: &str, lines: &str| {
            let mut samples = Vec::new();
            decode(None, None, Some(battery), lines.as_bytes(), &mut samples).map_err(|e| e.to_string())?;
            Ok::<_, String>(samples.into_iter().map(|s| (s.raw, s.battery)).collect::<Vec<_>>())
        };
        // The battery's field is not taken for the reading.
        assert_eq!(read("volts", "soil m=5,volts=3.5"), Ok(vec![(5.0, Some(3.5))]));
        assert_eq!(
            read("volts", "soil volts=3500i,m=5\nsoil m=6"),
            Ok(vec![(5.0, Some(3500.0)), (6.0, None)])
        );
        assert_eq!(read("volts", "soil m=5,volts=\"low\""), Ok(vec![(5.0, None)]));
        assert_eq!(read("volts", "soil m=5,volts=1e999"), Ok(vec![(5.0, None)]));
        assert!(read("volts", "soil volts=3.5").is_err(), "there is no reading");
        assert!(read("x", "soil volts=3.5,m=5").is_err(), "which one is the reading");
    }

    #[test]
    fn times_are_nanoseconds() {
        let mut samples = Vec::new();
        let lines = b"soil raw=1 1776403800000000001\nsoil raw=2\nsoil raw=3 -5";
        decode(None, None, None, lines, &mut samples).unwrap();
        let times: Vec<_> = samples.iter().map(|s| s.at.map(|at| at.as_nanosecond())).collect();
        assert_eq!(times, [Some(1_776_403_800_000_000_001), None, Some(-5)]);
    }

    #[test]
    fn lines_of_other_measurements_are_passed_over_by_name_only() {
        let lines = "soil raw=1\nair raw=20\nsoil raw=2";
        assert_eq!(read(Some("soil"), None, lines), Ok(vec![1.0, 2.0]));
        for (measurement, field, lines, phrase) in [
            (None, None, lines, "several series (\"soil, air\")"),
            (None, None, "soil,p=a raw=1\nsoil,p=b raw=2", "several series (\"soil,p=a, soil,p=b\")"),
            (Some("rain"), None, lines, "no line of measurement \"rain\", but of: \"soil, air\""),
            (None, Some("x"), lines, "several series"),
            (None, Some("x"), "soil raw=1,t=2", "no field \"x\", but: \"raw, t\""),
            (None, None, "soil a=1,b=2", "(\"a, b\"): name one"),
            (None, None, "soil a=1\nsoil b=2", "(\"a, b\"): name one"),
            (None, None, "soil a=t", "field \"a\" is \"true\""),
            (None, None, "soil raw=\"5\"", "field \"raw\" is \"5\""),
            (None, None, "soil raw=1e999", "field \"raw\" is \"inf\""),
            (None, None, "soil raw=NaN", "not line protocol"),
            (None, None, "soil raw=inf", "not line protocol"),
            (None, None, "soil raw=99999999999999999999i", "not line protocol"),
            (None, None, "soil raw=1 99999999999999999999", "not line protocol"),
            (None, None, "soil raw=1\nsoil raw=", "not line protocol"),
            (None, None, "soil", "not line protocol"),
            (None, None, "", "holds no line"),
            (None, None, "# only a comment", "holds no line"),
        ] {
            let refused = read(measurement, field, lines).unwrap_err();
            assert!(refused.contains(phrase), "{lines}: {refused}");
        }
    }
}

//! Series selectors and the lines of `/api/v1/export`, as VictoriaMetrics documents them. It
//! makes a metric of its own of each field, `garden_reading_raw`, and gives back single
//! samples, each series in blocks.
//!
//! It keeps numbers as decimals of about twelve digits, so a reading comes back rounded to
//! these.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::{ReadBackFault, ReadBackQuestion, ServerSamples, flag, quoted};
use crate::deliver::line::MEASUREMENT;

pub(super) fn fields(question: &ReadBackQuestion<'_>) -> Vec<(&'static str, String)> {
    let site = quoted(question.site, '"');
    let selectors = question.sensors.iter().map(|sensor| {
        let sensor = quoted(sensor, '"');
        ("match[]", format!("{{__name__=~\"{MEASUREMENT}_(raw|value|flag)\",site={site},sensor={sensor}}}"))
    });
    // Both ends belong to what it gives back; seconds, of which the last is looked at whole.
    let seconds = [("start", question.from.as_second()), ("end", question.to.as_second() + 1)];
    selectors.chain(seconds.map(|(name, second)| (name, second.to_string()))).collect()
}

#[derive(Deserialize)]
struct ExportBlock {
    metric: BTreeMap<String, String>,
    values: Vec<Option<f64>>,
    timestamps: Vec<i64>,
}

pub(super) fn samples(bytes: &[u8]) -> Result<ServerSamples, ReadBackFault> {
    let mut samples = ServerSamples::default();
    for line in bytes.split(|byte| *byte == b'\n').filter(|line| !line.trim_ascii().is_empty()) {
        let ExportBlock { metric, values, timestamps } = serde_json::from_slice(line)
            .map_err(|fault| ReadBackFault::Refused(format!("no lines of samples: {fault}")))?;
        let label = |name: &str| metric.get(name).map_or("", String::as_str);
        let field = label("__name__").strip_prefix(MEASUREMENT).unwrap_or_default();
        let of = samples.of(label("sensor"), label("quantity"));
        for (at, value) in timestamps.into_iter().zip(values) {
            let sample = of.entry(at).or_default();
            match field {
                "_raw" => sample.raw = value,
                "_value" => sample.value = value,
                "_flag" => sample.flag = value.and_then(flag),
                _ => {}
            }
        }
    }
    Ok(samples)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_question_is_a_selector_for_each_sensor_and_a_time() {
        let t = |ms: i64| jiff::Timestamp::from_millisecond(ms).expect("in range");
        let question = ReadBackQuestion {
            site: "saltbush-gully",
            sensors: &["kitchen-15cm", "a\"} or {x=\"y"],
            from: t(1_776_403_800_250),
            to: t(1_776_403_900_000),
        };
        let asked: Vec<(&str, String)> = fields(&question);
        let expected = [
            (
                "match[]",
                r#"{__name__=~"garden_reading_(raw|value|flag)",site="saltbush-gully",sensor="kitchen-15cm"}"#,
            ),
            (
                "match[]",
                r#"{__name__=~"garden_reading_(raw|value|flag)",site="saltbush-gully",sensor="a\"} or {x=\"y"}"#,
            ),
            ("start", "1776403800"),
            ("end", "1776403901"),
        ];
        assert_eq!(asked, expected.map(|(name, text)| (name, text.to_owned())));
    }

    #[test]
    fn fields_of_one_time_are_one_reading() {
        let line = |name: &str, values: &str| {
            format!(
                r#"{{"metric":{{"__name__":"garden_reading_{name}","sensor":"probe","quantity":"rain","db":"garden"}},"values":[{values}],"timestamps":[5,7]}}"#
            )
        };
        let text = [line("flag", "1,9"), line("raw", "0.5,2"), line("value", "0.25,null")].join("\n");
        let found = samples(text.as_bytes()).expect("lines of samples");
        let of = &found.0[&("probe".to_owned(), "rain".to_owned())];
        let parts = |at: i64| (of[&at].raw, of[&at].value, of[&at].flag);
        assert_eq!(parts(5), (Some(0.5), Some(0.25), Some(1)));
        assert_eq!(parts(7), (Some(2.0), None, Some(9)));
        assert!(matches!(samples(b"<html>"), Err(ReadBackFault::Refused(_))));
        assert_eq!(samples(b"\n"), Ok(ServerSamples::default()));
    }
}

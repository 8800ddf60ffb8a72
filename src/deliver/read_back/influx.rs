//! Questions in InfluxQL and their answers in JSON, as InfluxDB 1.x documents them for
//! `/query`. Version 2.x serves the same for a bucket that is mapped to a database.
//!
//! Names of tags and fields are identifiers in double quotes, ids are strings in single ones.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::{ReadBackFault, ReadBackQuestion, ServerSample, ServerSamples, flag, quoted};
use crate::deliver::line::MEASUREMENT;

/// The columns that are asked for, after the time.
const COLUMNS: [&str; 4] = ["time", "raw", "value", "flag"];

pub(super) fn fields(question: &ReadBackQuestion<'_>) -> Vec<(&'static str, String)> {
    let sensors: Vec<String> =
        question.sensors.iter().map(|sensor| format!("\"sensor\" = {}", quoted(sensor, '\''))).collect();
    let statement = format!(
        "select \"raw\", \"value\", \"flag\" from \"{MEASUREMENT}\" where \"site\" = {} and ({}) \
         and time >= {}ms and time < {}ms group by \"sensor\", \"quantity\"",
        quoted(question.site, '\''),
        sensors.join(" or "),
        question.from.as_millisecond(),
        question.to.as_millisecond(),
    );
    vec![("epoch", "ms".to_owned()), ("q", statement)]
}

#[derive(Deserialize)]
struct InfluxAnswer {
    #[serde(default)]
    results: Vec<InfluxResult>,
    error: Option<String>,
}

#[derive(Deserialize)]
struct InfluxResult {
    #[serde(default)]
    series: Vec<InfluxSeries>,
    error: Option<String>,
    #[serde(default)]
    partial: bool,
}

#[derive(Deserialize)]
struct InfluxSeries {
    #[serde(default)]
    tags: BTreeMap<String, String>,
    columns: Vec<String>,
    #[serde(default)]
    values: Vec<InfluxRow>,
    #[serde(default)]
    partial: bool,
}

/// Milliseconds, raw, value, flag.
#[derive(Deserialize)]
struct InfluxRow(i64, Option<f64>, Option<f64>, Option<f64>);

pub(super) fn samples(bytes: &[u8]) -> Result<ServerSamples, ReadBackFault> {
    let answer: InfluxAnswer = serde_json::from_slice(bytes)
        .map_err(|fault| ReadBackFault::Refused(format!("no answer of InfluxQL's: {fault}")))?;
    if let Some(words) = answer.error {
        return Err(ReadBackFault::Refused(words));
    }
    let mut samples = ServerSamples::default();
    for result in answer.results {
        if let Some(words) = result.error {
            return Err(ReadBackFault::Refused(words));
        }
        // A server may cut answers off at a number of rows.
        if result.partial || result.series.iter().any(|series| series.partial) {
            return Err(ReadBackFault::TooMuch);
        }
        for series in result.series {
            if series.columns != COLUMNS {
                return Err(ReadBackFault::Refused(format!("columns {}", series.columns.join(", "))));
            }
            let tag = |name: &str| series.tags.get(name).map_or("", String::as_str);
            let of = samples.of(tag("sensor"), tag("quantity"));
            for InfluxRow(at, raw, value, number) in series.values {
                of.insert(at, ServerSample { raw, value, flag: number.and_then(flag) });
            }
        }
    }
    Ok(samples)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_question_names_the_measurement_the_tags_and_the_time() {
        let t = |ms: i64| jiff::Timestamp::from_millisecond(ms).expect("in range");
        let question = ReadBackQuestion {
            site: "saltbush-gully",
            sensors: &["kitchen-15cm", "it's"],
            from: t(1_776_403_800_250),
            to: t(1_776_403_900_000),
        };
        let asked = fields(&question);
        assert_eq!(asked[0], ("epoch", "ms".to_owned()));
        assert_eq!(
            asked[1].1,
            "select \"raw\", \"value\", \"flag\" from \"garden_reading\" where \"site\" = 'saltbush-gully' and \
             (\"sensor\" = 'kitchen-15cm' or \"sensor\" = 'it\\'s') and time >= 1776403800250ms and \
             time < 1776403900000ms group by \"sensor\", \"quantity\""
        );
    }

    #[test]
    fn what_is_no_whole_answer_is_said() {
        let refused = |text: &str| match samples(text.as_bytes()) {
            Err(ReadBackFault::Refused(words)) => words,
            other => panic!("{text}: {other:?}"),
        };
        assert_eq!(
            refused(r#"{"results":[{"statement_id":0,"error":"database not found: x"}]}"#),
            "database not found: x"
        );
        assert_eq!(refused(r#"{"error":"unable to parse"}"#), "unable to parse");
        refused("<html>a proxy's page</html>");
        refused(r#"{"results":[{"series":[{"columns":["time","mean"],"values":[]}]}]}"#);
        for cut in [r#""partial":true"#, r#""series":[{"columns":[],"partial":true}]"#] {
            let answer = format!(r#"{{"results":[{{{cut}}}]}}"#);
            assert_eq!(samples(answer.as_bytes()), Err(ReadBackFault::TooMuch), "{answer}");
        }
        assert_eq!(samples(br#"{"results":[{"statement_id":0}]}"#), Ok(ServerSamples::default()));
    }
}

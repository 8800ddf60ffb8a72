//! The text is read back by a strict reader, written from the grammar and the rules of the
//! OpenMetrics specification, version 1.0.0
//! (<https://prometheus.io/docs/specs/om/open_metrics_spec/>).

use std::collections::{BTreeMap, BTreeSet};

use super::*;
use crate::garden::system::health::DiskHealth;

#[test]
fn the_format_is_negotiated() {
    for (accept, open) in [
        (vec![], false),
        (vec!["*/*"], false),
        (vec!["text/plain"], false),
        (vec!["application/openmetrics-text; version=1.0.0; charset=utf-8"], true),
        (vec!["application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5,*/*;q=0.1"], true),
        (vec!["text/plain", "Application/OpenMetrics-Text;q=0.9"], false),
        (vec!["text/plain;q=0.3", "application/openmetrics-text;q=0.3"], true),
        (vec!["application/openmetrics-text;q=0"], false),
        (vec!["application/openmetrics-text;q=much"], false),
    ] {
        assert_eq!(prefers_open_metrics(accept.iter().copied()), open, "{accept:?}");
    }
}

fn full() -> (DaemonFigures, StoreFigures, Vec<QueueHealth>) {
    let now = now();
    let daemon = DaemonFigures {
        stored: 12_345_678_901,
        broker: Some(BrokerHealth::Listening { heard: now }),
        disk: Some(DiskHealth { free_bytes: 1, total_bytes: 2, grown_bytes_a_day: None }),
        store_bytes: Some(64_000_000_000),
        ..DaemonFigures::default()
    };
    let alarm = |site: &str, kind: &str| (site.to_owned(), kind.to_owned(), "unacknowledged".to_owned(), 2);
    let store = StoreFigures {
        publications_dropped: 3,
        alarms: vec![alarm("gully", "dry-bed"), alarm("gully", "ph"), alarm("odd \"site\"\\\nname", "ph")],
        ..StoreFigures::default()
    };
    let queue = |name: &str, rows| QueueHealth {
        name: name.to_owned(),
        rows,
        oldest: Timestamp::from_millisecond(now.as_millisecond() - 1500).ok(),
        ..QueueHealth::default()
    };
    (daemon, store, vec![queue("school", 7), queue("district", 0)])
}

fn now() -> Timestamp {
    Timestamp::from_millisecond(1_776_403_800_250).expect("a time of this century")
}

#[test]
fn the_text_keeps_the_rules_of_open_metrics() {
    let (daemon, store, queues) = full();
    let samples = read_open_metrics(&exposition(&daemon, &store, &queues, now(), true));
    let value = |sample: &str| samples.get(sample).copied();
    assert_eq!(value("trug_readings_stored_total"), Some(12_345_678_901.0));
    assert_eq!(value("trug_publications_dropped_total"), Some(3.0));
    assert_eq!(value("trug_forward_lag_seconds{server=school}"), Some(1.5));
    assert_eq!(value("trug_broker_last_message_timestamp_seconds"), Some(1_776_403_800.25));
    assert_eq!(
        value("trug_alarms{kind=ph,site=odd \"site\"\\\nname,state=unacknowledged}"),
        Some(2.0),
        "{samples:?}"
    );
    // A daemon that has done nothing yet.
    let (daemon, store) = (DaemonFigures::default(), StoreFigures::default());
    let samples = read_open_metrics(&exposition(&daemon, &store, &[], now(), true));
    assert_eq!(samples.get("trug_readings_stored_total"), Some(&0.0));
}

#[test]
fn the_older_text_names_its_samples_and_has_no_end_mark() {
    let (daemon, store, queues) = full();
    let text = exposition(&daemon, &store, &queues, now(), false);
    assert!(text.contains("# TYPE trug_readings_stored_total counter\n"), "{text}");
    assert!(text.contains("# TYPE trug_build_info gauge\n"), "{text}");
    assert!(!text.contains("# UNIT") && !text.contains("# EOF"), "{text}");
}

#[test]
fn the_reader_of_this_test_is_strict() {
    let good = "# TYPE a_seconds gauge\n# UNIT a_seconds seconds\na_seconds{b=\"c\"} 1\n# EOF\n";
    assert_eq!(read_open_metrics(good).len(), 1);
    for bad in [
        "",
        "# EOF",
        "# TYPE a gauge\na 1\n",
        "# EOF\n\n",
        "# TYPE a gauge\n\na 1\n# EOF\n",
        "# TYPE a counter\na 1\n# EOF\n",
        "# TYPE a counter\na_total -1\n# EOF\n",
        "# TYPE a_total counter\na_total_total 1\n# EOF\n",
        "# TYPE a gauge\n# UNIT a seconds\na 1\n# EOF\n",
        "# TYPE a gauge\na 1\na 2\n# EOF\n",
        "# TYPE a gauge\na 1\n# TYPE b gauge\nb 1\n# TYPE a gauge\n# EOF\n",
        "# TYPE a gauge\n# HELP a b\n# HELP a b\na 1\n# EOF\n",
        "# TYPE a gauge\na{b=\"c\",b=\"d\"} 1\n# EOF\n",
        "# TYPE a gauge\na{b=\"c} 1\n# EOF\n",
        "# TYPE a gauge\na  1\n# EOF\n",
        "# TYPE a gauge\na one\n# EOF\n",
        "# TYPE a info\na_info{b=\"c\"} 2\n# EOF\n",
        "b 1\n# EOF\n",
    ] {
        let read = std::panic::catch_unwind(|| read_open_metrics(bad));
        assert!(read.is_err(), "{bad:?} was taken");
    }
}

/// Families, with the rules that a text of counters, gauges and infos has to keep. Returns the
/// samples by name and sorted labels.
///
/// # Panics
/// Where the text breaks a rule.
fn read_open_metrics(text: &str) -> BTreeMap<String, f64> {
    assert!(text.ends_with("# EOF\n"), "it ends with the end mark and one line feed");
    let mut samples = BTreeMap::new();
    let (mut families, mut family) = (BTreeSet::new(), None::<(String, String, BTreeSet<String>)>);
    let lines: Vec<&str> = text.strip_suffix("# EOF\n").unwrap_or_default().lines().collect();
    for line in lines {
        assert!(!line.is_empty() && line != "# EOF" && !line.contains('\r'), "no line is empty: {line:?}");
        if let Some(said) = line.strip_prefix("# ") {
            let (what, rest) = said.split_once(' ').expect("a word after the mark");
            let (name, value) = rest.split_once(' ').expect("a family's name and a value");
            assert!(is_name(name), "{name}");
            if family.as_ref().is_none_or(|(known, ..)| known != name) {
                assert!(families.insert(name.to_owned()), "the family {name} is in one piece");
                family = Some((name.to_owned(), String::new(), BTreeSet::new()));
            }
            let (_, kind, seen) = family.as_mut().expect("just set");
            assert!(seen.insert(what.to_owned()), "one {what} for {name}");
            match what {
                "TYPE" => {
                    assert!(["counter", "gauge", "info"].contains(&value), "{line}");
                    assert!(!["_total", "_info", "_created"].iter().any(|end| name.ends_with(end)), "{line}");
                    value.clone_into(kind);
                }
                "UNIT" => {
                    assert!(name.ends_with(&format!("_{value}")), "the name ends with its unit: {line}")
                }
                "HELP" => {
                    let ok = value.replace("\\\\", "").replace("\\n", "").replace("\\\"", "");
                    assert!(!ok.contains('\\') && !ok.contains('"'), "escaped: {line}");
                }
                other => panic!("{other} is no word of the format"),
            }
            continue;
        }
        let (name, kind, seen) = family.as_ref().expect("a family before its samples");
        assert!(seen.contains("TYPE"), "{line}");
        let end = line.find([' ', '{']).expect("a name and a value");
        let expected = match kind.as_str() {
            "counter" => format!("{name}_total"),
            "info" => format!("{name}_info"),
            _ => name.clone(),
        };
        assert_eq!(line[..end], expected, "the sample is named after its family");
        let (labels, rest) = read_labels(&line[end..]);
        let number = rest.strip_prefix(' ').expect("one space before the number");
        assert!(!number.contains(' '), "no time stamp here: {line}");
        let value: f64 = number.parse().unwrap_or_else(|_| panic!("{number} is no number"));
        assert!(
            value.is_finite()
                && (kind != "counter" || value >= 0.0)
                && (kind != "info" || value.to_bits() == 1.0_f64.to_bits())
        );
        let labels: Vec<String> = labels.into_iter().map(|(key, value)| format!("{key}={value}")).collect();
        let key = if labels.is_empty() { expected } else { format!("{expected}{{{}}}", labels.join(",")) };
        assert!(samples.insert(key, value).is_none(), "one sample for each set of labels: {line}");
    }
    samples
}

fn is_name(name: &str) -> bool {
    let mut letters = name.chars();
    letters.next().is_some_and(|c| c.is_ascii_alphabetic() || c == '_' || c == ':')
        && letters.all(|c| c.is_ascii_alphanumeric() || c == '_' || c == ':')
}

/// Labels in braces, and what follows them.
fn read_labels(text: &str) -> (BTreeMap<String, String>, &str) {
    let mut labels = BTreeMap::new();
    let Some(mut rest) = text.strip_prefix('{') else { return (labels, text) };
    loop {
        let (key, after) = rest.split_once("=\"").expect("a label and its value");
        assert!(is_name(key) && !key.contains(':'), "{key}");
        let (mut value, mut letters, mut closed) = (String::new(), after.char_indices(), None);
        while let Some((at, letter)) = letters.next() {
            match letter {
                '"' => {
                    closed = Some(at);
                    break;
                }
                '\\' => value.push(match letters.next().map(|(_, escaped)| escaped) {
                    Some('n') => '\n',
                    Some(other @ ('\\' | '"')) => other,
                    other => panic!("{other:?} is not escaped so"),
                }),
                other => value.push(other),
            }
        }
        assert!(labels.insert(key.to_owned(), value).is_none(), "one value for {key}");
        rest = &after[closed.expect("the value is closed") + 1..];
        match rest.strip_prefix(',') {
            Some(more) => rest = more,
            None => return (labels, rest.strip_prefix('}').expect("the labels are closed")),
        }
    }
}

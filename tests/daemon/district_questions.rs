//! The questions of a district in deploy/README.md, asked of real engines as they stand there.

use std::path::Path;

use jiff::{SignedDuration, Timestamp};
use serde_json::Value as Json;
use trug::deliver::line::{ReadingLine, append};
use trug::quality::Flag;

use crate::support::influx::Influx;
use crate::support::victoria::Victoria;

/// The lines of the page that begin with one of these words, in their order.
fn questions(begins: &[&str]) -> Vec<String> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/README.md");
    let text = std::fs::read_to_string(path).expect("the page");
    let lines = text.lines().filter_map(|line| line.strip_prefix("      "));
    lines.filter(|line| begins.iter().any(|it| line.starts_with(it))).map(str::to_owned).collect()
}

/// Two gardens: a moist bed and a dry one, a cool tank and a warm one, one bad reading. The newest
/// are of an hour and of two hours before `now`.
fn lines(now: Timestamp) -> String {
    let mut lines = Vec::new();
    let mut add = |site, place, sensor, quantity, hours: i64, value: f64, flag| {
        let at = now - SignedDuration::from_hours(hours);
        append(
            &mut lines,
            &ReadingLine { site, place, sensor, quantity, at, raw: value, value: Some(value), flag },
        )
        .expect("a line");
    };
    add("creek-road", "bed", "probe", "soil-moisture", 3, 0.30, Flag::Pass);
    add("creek-road", "bed", "probe", "soil-moisture", 1, 0.20, Flag::Pass);
    add("hill-top", "bed", "probe", "soil-moisture", 2, 0.10, Flag::Pass);
    add("creek-road", "pond", "thermometer", "water-temperature", 5, 21.0, Flag::Pass);
    add("creek-road", "pond", "thermometer", "water-temperature", 4, 23.5, Flag::Pass);
    add("hill-top", "pond", "thermometer", "water-temperature", 4, 18.0, Flag::Pass);
    add("hill-top", "pond", "thermometer", "water-temperature", 3, 85.0, Flag::Fail);
    // Of last week: in the last question alone.
    add("far-away", "bed", "probe", "soil-moisture", 72, 0.40, Flag::Pass);
    String::from_utf8(lines).expect("text")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[expect(clippy::disallowed_methods, reason = "the engines' own clock is the computer's")]
async fn influxql() {
    let asked = questions(&["SELECT "]);
    assert_eq!(asked.len(), 4, "{asked:?}");
    let (influx, now) = (Influx::start(0).await, Timestamp::now());
    influx.write(&lines(now)).await;
    let mut found = Vec::new();
    for question in &asked {
        let answer: Json = influx.query(question).await;
        let series =
            answer["results"][0]["series"].as_array().unwrap_or_else(|| panic!("{question}: {answer}"));
        let one = |it: &Json| {
            let tags = ["place", "sensor", "site"].into_iter().filter_map(|tag| it["tags"][tag].as_str());
            let value = it["values"][0][1].as_f64().expect("a number");
            format!("{} {value:.2}", tags.collect::<Vec<_>>().join(" "))
        };
        let mut rows: Vec<String> = series.iter().map(one).collect();
        rows.sort();
        found.push(rows);
    }
    assert_eq!(found[0], ["creek-road 0.25", "hill-top 0.10"]);
    assert_eq!(found[1], ["pond creek-road 23.50", "pond hill-top 18.00"]);
    assert_eq!(found[2], ["thermometer hill-top 1.00"]);
    assert_eq!(found[3].len(), 3, "{:?}", found[3]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[expect(clippy::disallowed_methods, reason = "the engines' own clock is the computer's")]
async fn metricsql() {
    let asked = questions(&["avg(", "max(", "sum("]);
    assert_eq!(asked.len(), 4, "{asked:?}");
    let (victoria, now) = (Victoria::start(), Timestamp::now());
    victoria.write(&lines(now)).await;
    let mut found = Vec::new();
    for question in &asked {
        let answer = victoria.query(question).await;
        let series = answer["data"]["result"].as_array().unwrap_or_else(|| panic!("{question}: {answer}"));
        let one = |it: &Json| {
            let tags = ["place", "sensor", "site"].into_iter().filter_map(|tag| it["metric"][tag].as_str());
            let value: f64 = it["value"][1].as_str().expect("a number").parse().expect("a number");
            (tags.collect::<Vec<_>>().join(" "), value)
        };
        let mut rows: Vec<(String, f64)> = series.iter().map(one).collect();
        rows.sort_by(|one, other| one.0.cmp(&other.0));
        found.push(rows);
    }
    let near = |(name, value): &(String, f64), wanted: (&str, f64)| {
        name == wanted.0 && (value - wanted.1).abs() < 1e-9
    };
    assert!(near(&found[0][0], ("creek-road", 0.25)) && near(&found[0][1], ("hill-top", 0.10)), "{found:?}");
    // Bad readings count here.
    assert!(
        near(&found[1][0], ("pond creek-road", 23.5)) && near(&found[1][1], ("pond hill-top", 85.0)),
        "{found:?}"
    );
    assert!(found[2].len() == 1 && near(&found[2][0], ("thermometer hill-top", 1.0)), "{found:?}");
    let hour_ago = (now - SignedDuration::from_hours(1)).as_second() as f64;
    assert!(found[3][0].0 == "creek-road" && (found[3][0].1 - hour_ago).abs() < 2.0, "{found:?}");
    assert_eq!(found[3].len(), 3, "{found:?}");
}

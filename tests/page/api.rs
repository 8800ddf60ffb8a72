//! The interface over real HTTP and a real store.

use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::sync::Arc;

use crate::support::garden::{only, school};
use crate::support::http::{Answer, Served};
use crate::support::views::{self, Fixed};
use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;
use serde_json::Value;
use tempfile::TempDir;
use trug::garden::plan::Garden;
use trug::garden::record::{Batch, Reading};
use trug::model::{SensorIx, TimeFrom};
use trug::page::RecordReader;
use trug::page::access::Rules;
use trug::quality::{Flag, Tests};
use trug::store::{Reader, Store};

/// A store of a school, a page over it, and who writes to it.
struct Stage {
    store: Store,
    path: PathBuf,
    garden: Garden,
    folder: TempDir,
}

impl Stage {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("trug.db");
        let garden = school();
        let store = Store::open(&path, std::slice::from_ref(&garden)).expect("a new store");
        Self { store, path, garden, folder }
    }

    fn write(&mut self, readings: Vec<Reading>) {
        self.store.commit(&only(&Batch { readings, ..Batch::default() })).expect("the store can be written");
    }

    fn serve(&self, origins: &[&str]) -> Served {
        let record = RecordReader::new(
            Reader::open(&self.path).expect("the store can be read"),
            [Arc::new(self.garden.clone())].into(),
        );
        let mut view = views::well();
        view.id = self.garden.site.id.clone();
        let origins = origins.iter().map(|it| (*it).to_owned()).collect();
        let rules = Rules { origins, ..Rules::default() };
        Served::over_ruled(Fixed::of(vec![view]), record, rules, None)
    }

    fn readings(&self, sensor: u32) -> String {
        let (site, sensor) = (&self.garden.site.id, &self.garden.sensors[sensor as usize].id);
        format!("/api/v1/sites/{site}/sensors/{sensor}/readings")
    }
}

const START: &str = "2026-03-31T13:30:00Z";

fn moment(second: i64) -> Timestamp {
    START.parse::<Timestamp>().expect("a time") + SignedDuration::from_secs(second)
}

fn reading(sensor: u32, second: i64, value: f64, flag: Flag) -> Reading {
    Reading {
        sensor: SensorIx(sensor),
        at: moment(second),
        raw: value * 10.0,
        value: Some(value),
        flag,
        tests: Tests::NOT_EVALUATED,
        time_from: TimeFrom::Device,
        late: false,
    }
}

fn json(answer: &Answer) -> Value {
    serde_json::from_str(&body(answer)).unwrap_or_else(|e| panic!("{e}: {}", answer.body))
}

/// The body, with the frames of chunked transfer taken off (RFC 9112, section 7.1).
fn body(answer: &Answer) -> String {
    if answer.header("transfer-encoding") != Some("chunked") {
        return answer.body.clone();
    }
    let (mut rest, mut whole) = (answer.body.as_str(), String::new());
    loop {
        let (size, after) = rest.split_once("\r\n").expect("the size of a chunk");
        let size = usize::from_str_radix(size, 16).expect("a number in base 16");
        if size == 0 {
            return whole;
        }
        whole.push_str(&after[..size]);
        rest = &after[size + 2..];
    }
}

fn ask(served: &Served, method: &str, path: &str, headers: &str) -> Answer {
    served.ask(&format!("{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{headers}\r\n"))
}

fn problem(answer: &Answer, status: u16) -> Value {
    assert_eq!(answer.status, status, "{}", answer.body);
    assert_eq!(answer.header("content-type"), Some("application/problem+json"));
    let problem = json(answer);
    assert_eq!(problem["status"], status);
    problem
}

#[test]
fn pages_hold_each_reading_once_while_others_are_written() {
    let mut stage = Stage::new();
    let minutes = 3000_i64;
    for sensor in [0, 1] {
        stage.write((0..minutes).map(|i| reading(sensor, i * 60, i as f64, Flag::Pass)).collect());
    }
    let served = stage.serve(&[]);
    let mut next = Some(format!("{}?limit=700", stage.readings(0)));
    let (mut got, mut pages, mut written) = (Vec::new(), 0, minutes);
    while let Some(path) = next {
        let answer = served.get(&path);
        assert_eq!(answer.status, 200, "{}", answer.body);
        let page = json(&answer);
        let rows = page["readings"].as_array().expect("rows");
        assert!(rows.len() <= 700);
        got.extend(rows.iter().map(|row| row["value"].as_f64().expect("a value")));
        next = page["next"].as_str().map(str::to_owned);
        assert_eq!(answer.header("link").is_some(), next.is_some());
        pages += 1;
        // New ones at the end come too, as long as there is a next page; late ones at
        // times already passed do not.
        if pages <= 2 {
            stage.write(vec![reading(0, written * 60, written as f64, Flag::Pass)]);
            stage.write(vec![reading(0, 30 + pages, -1.0, Flag::Pass)]);
            written += 1;
        }
    }
    let expected: Vec<f64> = (0..written).map(|i| i as f64).collect();
    assert_eq!(got, expected);
    assert_eq!(pages, 5);
}

#[test]
fn hours_are_those_of_the_sites_clock_and_pages_are_the_whole() {
    let mut stage = Stage::new();
    stage.write((0..200).map(|i| reading(0, i * 1800, i as f64, Flag::Pass)).collect());
    stage.write(vec![reading(0, 60, 9e9, Flag::Fail), reading(0, 61, 9e9, Flag::Suspect)]);
    let served = stage.serve(&[]);
    let path = format!("{}?step=hour&from=2026-04-01&to=2026-04-03", stage.readings(0));
    let whole = json(&served.get(&path));
    let whole = whole["bins"].as_array().expect("bins");
    // Adelaide's summer time ends on 5 April: midnight is 13:30 UTC.
    assert_eq!(whole.len(), 72);
    assert_eq!(whole[0]["start"], "2026-03-31T13:30:00Z");
    assert_eq!(
        (&whole[0]["readings"], &whole[0]["good"], &whole[0]["suspect"], &whole[0]["bad"]),
        (&Value::from(4), &Value::from(2), &Value::from(1), &Value::from(1))
    );
    assert_eq!((&whole[0]["mean"], &whole[0]["max"]), (&Value::from(0.5), &Value::from(1.0)));
    assert!(whole[0]["total"].is_null());
    let (mut parts, mut next) = (Vec::new(), Some(format!("{path}&limit=7")));
    while let Some(path) = next {
        let page = json(&served.get(&path));
        parts.extend(page["bins"].as_array().expect("bins").clone());
        next = page["next"].as_str().map(str::to_owned);
    }
    assert_eq!(&parts, whole);
    let day = json(&served.get(&format!("{}?step=day", stage.readings(0))));
    assert_eq!(day["bins"][0]["end"], "2026-04-01T13:30:00Z");
    assert_eq!(day["bins"][0]["readings"], 50);
}

#[test]
fn an_answer_that_has_not_changed_is_not_sent_again() {
    let mut stage = Stage::new();
    stage.write(vec![reading(0, 0, 1.0, Flag::Pass)]);
    let served = stage.serve(&[]);
    let path = stage.readings(0);
    let first = served.get(&path);
    let tag = first.header("etag").expect("a tag").to_owned();
    assert!(tag.starts_with('"') && tag.ends_with('"'), "{tag} is a strong tag");
    for given in [tag.clone(), format!("W/{tag}"), format!("\"other\", {tag}"), "*".to_owned()] {
        let again = ask(&served, "GET", &path, &format!("If-None-Match: {given}\r\n"));
        assert_eq!((again.status, again.body.as_str()), (304, ""), "{given}");
        assert_eq!(again.header("etag"), Some(tag.as_str()));
    }
    let head = ask(&served, "HEAD", &path, "");
    assert_eq!((head.status, head.body.as_str()), (200, ""));
    assert_eq!(head.header("etag"), Some(tag.as_str()));
    stage.write(vec![reading(0, 60, 2.0, Flag::Pass)]);
    let changed = ask(&served, "GET", &path, &format!("If-None-Match: {tag}\r\n"));
    assert_eq!(changed.status, 200);
    assert_ne!(changed.header("etag"), Some(tag.as_str()));
}

#[test]
fn csv_has_the_rows_that_trug_export_writes() {
    use trug::commands::export::{self, Export};
    let mut stage = Stage::new();
    stage.write((0..5000).map(|i| reading(0, i * 60, i as f64 / 8.0, Flag::Pass)).collect());
    let served = stage.serve(&[]);
    let reader = Reader::open(&stage.path).expect("the store can be read");
    let gardens = [stage.garden.clone()];
    for step in trug::history::BinWidth::ALL {
        let it = Export { sensors: vec![stage.garden.sensors[0].id.to_string()], step, ..Export::default() };
        let mut expected = Vec::new();
        export::run(&reader, &gardens, &it, &mut expected).expect("an export");
        let expected = String::from_utf8(expected).expect("UTF-8");
        assert!(expected.lines().count() > 3);
        let query = format!("?step={}", step.name());
        let by_name = served.get(&format!("{}.csv{query}", stage.readings(0)));
        assert!(body(&by_name) == expected, "{step:?}: {}", &by_name.body[..by_name.body.len().min(300)]);
        assert!(by_name.header("content-type").is_some_and(|it| it.starts_with("text/csv")));
        let by_form = ask(&served, "GET", &format!("{}{query}", stage.readings(0)), "Accept: text/csv\r\n");
        assert!(body(&by_form) == expected, "{step:?}: {}", &by_form.body[..by_form.body.len().min(300)]);
    }
    drop(stage.folder);
}

/// Whoever takes nothing holds a few parts back, not the record: the thread that reads
/// it waits, and goes when the caller goes, so that its place is free again.
#[test]
fn a_caller_that_takes_nothing_costs_little_and_may_go() {
    let mut stage = Stage::new();
    for part in 0..40 {
        stage.write((0..5000).map(|i| reading(0, (part * 5000 + i) * 60, i as f64, Flag::Pass)).collect());
    }
    let served = stage.serve(&[]);
    let request = format!("GET {}.csv HTTP/1.1\r\nHost: localhost\r\n\r\n", stage.readings(0));
    let slow: Vec<_> = (0..4)
        .map(|_| {
            let mut stream = served.connect();
            stream.write_all(request.as_bytes()).expect("the request can be sent");
            let mut stream = BufReader::with_capacity(16, stream);
            let mut line = String::new();
            stream.read_line(&mut line).expect("the stream has begun");
            assert!(line.contains("200"), "{line}");
            stream
        })
        .collect();
    // All places are taken by streams that stand: none has come to its end, since
    // 200000 rows of about 90 bytes are far more than what sockets and parts hold.
    let refused = problem(&served.get(&format!("{}.csv", stage.readings(0))), 503);
    assert!(refused["detail"].as_str().is_some_and(|it| it.contains("streams")), "{refused}");
    drop(slow);
    let whole = loop {
        let answer = served.get(&format!("{}.csv", stage.readings(0)));
        if answer.status == 200 {
            break answer;
        }
    };
    assert_eq!(body(&whole).lines().count(), 200_001);
}

#[test]
fn faults_say_what_was_given_and_what_is_accepted() {
    let mut stage = Stage::new();
    stage.write(vec![reading(0, 0, 1.0, Flag::Pass), reading(0, 400 * 86_400, 1.0, Flag::Pass)]);
    let served = stage.serve(&[]);
    let readings = stage.readings(0);
    for (query, part, accepted) in [
        ("colour=red", "query", "from, to, step, limit, after"),
        ("from=yesterday", "from", "a date (2026-04-17)"),
        ("from=2026-04-02&to=2026-04-01", "to", "after that of from"),
        ("step=week", "step", "raw, hour, day"),
        ("limit=0", "limit", "from 1 to 5000"),
        ("limit=5001", "limit", "from 1 to 5000"),
        ("limit=%2B5", "limit", "from 1 to 5000"),
        ("after=nonsense", "after", "an earlier answer"),
        ("step=hour&after=ci4xLjE", "after", "an earlier answer"),
        ("limit=5&limit=6", "limit", "once"),
    ] {
        let problem = problem(&served.get(&format!("{readings}?{query}")), 400);
        assert_eq!(problem["part"], part, "{query}");
        assert!(problem["accepted"].as_str().is_some_and(|it| it.contains(accepted)), "{query}: {problem}");
        assert!(problem["given"].is_string(), "{query}: {problem}");
    }
    let too_long = problem(&served.get(&format!("{readings}.csv")), 400);
    assert!(too_long["accepted"].as_str().is_some_and(|it| it.contains("366 days")), "{too_long}");
    assert_eq!(served.get(&format!("{readings}.csv?to=2026-12-31")).status, 200);
    let known = problem(&served.get("/api/v1/sites/nowhere"), 404);
    assert_eq!(known["accepted"], stage.garden.site.id.as_str());
    problem(&served.get(&readings.replace("/readings", "x/readings")), 404);
    problem(&served.get("/api/v1/songs"), 404);
    problem(&served.get("/api"), 404);
    problem(&served.get(&format!("{readings}?from={}", "9".repeat(1100))), 414);
    problem(&ask(&served, "GET", &readings, "Accept: text/html\r\n"), 406);
    for method in ["POST", "PUT", "DELETE", "OPTIONS", "TRACE"] {
        let answer = ask(&served, method, "/api/v1/sites", "Content-Length: 0\r\n");
        problem(&answer, 405);
        assert_eq!(answer.header("allow"), Some("GET, HEAD"), "{method}");
    }
    let away = Served::new(Fixed { unavailable: true, ..Fixed::of(vec![views::well()]) }, None);
    let answer = away.get("/api/v1/sites");
    problem(&answer, 503);
    assert!(answer.header("retry-after").is_some());
    let broken = Served::new(Fixed { panics: true, ..Fixed::of(vec![views::well()]) }, None);
    problem(&broken.get("/api/v1/sites"), 500);
}

/// A plus sign in a query stands for a space, and people write offsets as they are.
#[test]
fn an_offset_may_be_written_as_it_is() {
    let mut stage = Stage::new();
    stage.write((0..10).map(|i| reading(0, i * 60, i as f64, Flag::Pass)).collect());
    let served = stage.serve(&[]);
    for from in [
        "2026-04-01T00:05:00+10:30",
        "2026-04-01T00:05:00%2B10:30",
        "2026-03-31T13:35:00Z",
        "2026-04-01T00:05",
    ] {
        let page = json(&served.get(&format!("{}?from={from}", stage.readings(0))));
        assert_eq!(page["readings"].as_array().map(Vec::len), Some(5), "{from}");
    }
}

#[test]
fn pages_of_other_origins_read_only_where_they_are_named() {
    let stage = Stage::new();
    let ours = "https://class.school.example";
    let origin = |it: &str| format!("Origin: {it}\r\n");
    let preflight = format!("{}Access-Control-Request-Method: GET\r\n", origin(ours));
    let closed = stage.serve(&[]);
    let answer = ask(&closed, "GET", "/api/v1/sites", &origin(ours));
    assert_eq!((answer.status, answer.header("access-control-allow-origin")), (200, None));
    assert_eq!(ask(&closed, "OPTIONS", "/api/v1/sites", &preflight).status, 405);
    let open = stage.serve(&[ours]);
    let answer = ask(&open, "GET", "/api/v1/sites", &origin(ours));
    assert_eq!(answer.header("access-control-allow-origin"), Some(ours));
    assert_eq!(answer.header("access-control-allow-credentials"), None);
    let asked = ask(&open, "OPTIONS", "/api/v1/sites", &preflight);
    assert_eq!((asked.status, asked.header("access-control-allow-methods")), (204, Some("GET, HEAD")));
    for other in ["https://other.example", "null", "https://class.school.example.evil.example"] {
        let answer = ask(&open, "GET", "/api/v1/sites", &origin(other));
        assert_eq!(answer.header("access-control-allow-origin"), None, "{other}");
    }
    // Pages for people stay closed.
    let page = ask(&open, "GET", "/", &origin(ours));
    assert_eq!(page.header("access-control-allow-origin"), None);
}

#[test]
fn every_address_of_the_description_answers() {
    let mut stage = Stage::new();
    stage.write(vec![reading(0, 0, 1.0, Flag::Pass)]);
    let served = stage.serve(&[]);
    let description = json(&served.get("/api/v1/openapi.json"));
    let paths = description["paths"].as_object().expect("paths");
    assert!(paths.len() >= 9);
    for path in paths.keys() {
        let path = path
            .replace("{site}", stage.garden.site.id.as_str())
            .replace("{sensor}", stage.garden.sensors[0].id.as_str());
        let answer = served.get(&path);
        assert_eq!(answer.status, 200, "{path}: {}", answer.body);
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
    }
}

#[test]
fn any_path_and_query_has_a_described_answer() {
    let mut stage = Stage::new();
    stage.write(vec![reading(0, 0, 1.0, Flag::Pass)]);
    let served = stage.serve(&[]);
    let part = prop_oneof![
        Just(stage.garden.site.id.to_string()),
        Just(stage.garden.sensors[0].id.to_string()),
        prop::sample::select(vec![
            "sites",
            "sensors",
            "readings",
            "readings.csv",
            "alarms",
            "history",
            "log"
        ])
        .prop_map(str::to_owned),
        "[!-~]{0,12}",
        "(%[0-9a-fA-F]{2}){1,4}",
    ];
    let name = prop::sample::select(vec!["from", "to", "step", "limit", "after", "x", ""]);
    let value = prop_oneof![
        "[!-~]{0,20}",
        "(%[0-9a-fA-F]{2}){1,4}",
        "-?[0-9]{1,6}-[0-9]{1,2}-[0-9]{1,2}(T[0-9]{1,2}:[0-9]{2}Z?)?",
        "[0-9]{1,25}",
        Just("hour".to_owned()),
    ];
    let query = prop::collection::vec((name, value), 0..4);
    let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig {
        cases: 400,
        failure_persistence: None,
        ..ProptestConfig::default()
    });
    runner
        .run(&(prop::collection::vec(part, 0..7), query), |(parts, query)| {
            let clean = |text: &str| text.replace(['#', '?', '/', '\\'], "");
            let path: Vec<String> = parts.iter().map(|part| clean(part)).collect();
            let query: Vec<String> =
                query.iter().map(|(name, value)| format!("{name}={}", clean(value))).collect();
            let target = format!("/api/v1/{}?{}", path.join("/"), query.join("&"));
            let answer = served.get(&target);
            prop_assert!(
                [200, 400, 404, 406, 414].contains(&answer.status),
                "{} for {target}",
                answer.status
            );
            if answer.status != 200 {
                // A request line that is none is refused before it comes to us.
                let ours = answer.header("content-type") == Some("application/problem+json");
                prop_assert!(
                    ours || (answer.status == 400 && answer.body.is_empty()),
                    "{target}: {}",
                    answer.body
                );
            }
            Ok(())
        })
        .expect("every answer is described");
}

#[test]
fn an_alarm_and_an_entry_of_the_log_come_in_utc() {
    use trug::garden::log::{LogEntry, LogEvent};
    let mut stage = Stage::new();
    let site = stage.garden.site.id.clone();
    stage.write(vec![reading(0, 0, 1.0, Flag::Pass)]);
    let change =
        crate::support::garden::dry_bed(0, trug::alarms::State::Normal, trug::alarms::State::Unacknowledged);
    stage.store.commit(&only(&Batch { changes: vec![change], ..Batch::default() })).expect("written");
    let entry = LogEntry {
        site: site.clone(),
        place: None,
        at: moment(60),
        what: LogEvent::Watered { litres: Some(60.0) },
        note: "the tap drips".to_owned(),
    };
    trug::store::write_log(&stage.path, &entry, moment(90)).expect("written");
    let served = stage.serve(&[]);
    let present = json(&served.get(&format!("/api/v1/sites/{site}/alarms")));
    assert_eq!(present["alarms"][0]["kind"], "dry-bed");
    let history = json(&served.get(&format!("/api/v1/sites/{site}/alarms/history?limit=1")));
    assert_eq!(history["steps"][0]["from"], "normal");
    assert!(history["steps"][0]["since"].as_str().is_some_and(|it| it.ends_with('Z')));
    let log = json(&served.get(&format!("/api/v1/sites/{site}/log?from=2026-04-01&to=2026-04-01")));
    let entry = &log["entries"][0];
    assert_eq!((&entry["kind"], &entry["numbers"]["litres"]), (&"watered".into(), &60.0.into()));
    assert_eq!(entry["at"], "2026-03-31T13:31:00Z");
}

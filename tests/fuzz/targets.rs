//! What is fuzzed, and what must be true of each outcome.

use std::io::{Read as _, Write as _};
use std::net::Shutdown;
use std::sync::LazyLock;

use clap::{Parser, Subcommand};
use jiff::Timestamp;
use trug::commands::calibrate::{self, Calibrate};
use trug::commands::import::{self, Import};
use trug::decode::{JsonPointer, PayloadFormat, decode, time_of};
use trug::model::Sample;
use trug::settings::from_text;

use super::engine::{fuzz, kind_of};
use crate::support::garden::shipped;
use crate::support::http::Served;
use crate::support::views::Fixed;

fn arrival() -> Timestamp {
    Timestamp::from_second(1_776_403_800).unwrap()
}

static FORMATS: LazyLock<Vec<PayloadFormat>> = LazyLock::new(|| {
    let pointer = |text: &str| JsonPointer::parse(text).unwrap();
    let name = |text: &str| Some(text.to_owned());
    vec![
        PayloadFormat::Number,
        PayloadFormat::Json { value: pointer("/raw"), time: None, battery: None },
        PayloadFormat::Json {
            value: pointer("/a/0/raw"),
            time: Some(pointer("/t")),
            battery: Some(pointer("/battery")),
        },
        PayloadFormat::Senml { name: None, battery: None },
        PayloadFormat::Senml { name: name("pea-15cm"), battery: name("battery") },
        PayloadFormat::LineProtocol { measurement: None, field: None, battery: None },
        PayloadFormat::LineProtocol {
            measurement: name("soil"),
            field: name("raw"),
            battery: name("battery"),
        },
        PayloadFormat::OneWire,
    ]
});

#[test]
fn decoders() {
    fuzz("decode", |input| {
        let before = Sample { at: None, raw: 1.0, battery: None };
        let mut kinds = String::new();
        for format in &*FORMATS {
            let mut samples = vec![before];
            match decode(format, input, arrival(), &mut samples) {
                Ok(()) => {
                    for sample in &samples[1..] {
                        assert!(sample.raw.is_finite(), "{sample:?}");
                        let (at, _, refused) = time_of(sample.at, arrival());
                        assert!(at.as_second() <= arrival().as_second() + 300, "{at}");
                        kinds.push_str(if refused.is_some() { "t" } else { "o" });
                    }
                }
                Err(error) => {
                    assert_eq!(samples.len(), 1, "what failed leaves nothing");
                    kinds.push_str(&kind_of(&error.to_string()));
                }
            }
            kinds.push('|');
        }
        kinds
    });
}

const GARDEN: &str = include_str!("seeds/settings/garden.toml");
const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1:1883\"\n[store]\npath = \"trug.db\"\n";

#[test]
fn settings() {
    fuzz("settings", |input| {
        let text = String::from_utf8_lossy(input);
        let none = std::iter::empty;
        let mut kinds = String::new();
        let texts = [("trug.toml", &*text, GARDEN), ("trug.toml", TRUG, &*text)];
        for (name, trug, garden) in texts {
            match from_text((name, trug), &[("garden.toml", garden)], none()) {
                Ok(settings) => kinds.push_str(if settings.borne.is_some() { "borne" } else { "good" }),
                Err(faults) => {
                    let told = faults.to_string();
                    assert!(!told.trim().is_empty());
                    kinds.push_str(&kind_of(&told));
                }
            }
        }
        kinds
    });
}

/// The command line as the program reads it.
#[derive(Parser)]
struct Line {
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Import(Import),
    Calibrate(Calibrate),
}

#[test]
fn csv() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("file.csv");
    let name = path.display().to_string();
    let mut settings = shipped();
    settings.store.path = folder.path().join("trug.db");
    let line = |arguments: &[&str]| {
        let line = Line::try_parse_from(["trug"].iter().chain(arguments).chain(&[name.as_str()])).unwrap();
        assert!(!line.json);
        line.command
    };
    let lines = [
        line(&["import", "--dry-run", "--sensor", "kitchen-15cm"]),
        line(&[
            "import",
            "--dry-run",
            "--sensor",
            "kitchen-15cm",
            "--date",
            "date",
            "--utc-offset",
            "+09:30",
        ]),
        line(&["import", "--dry-run", "--time-format", "%d/%m/%Y %H:%M", "--skip-refused"]),
        line(&["calibrate"]),
    ];
    fuzz("csv", |input| {
        std::fs::write(&path, input).unwrap();
        let mut kinds = String::new();
        for it in &lines {
            let mut out = Vec::new();
            let done = match it {
                Command::Import(it) => import::run(&settings, it, &mut out),
                Command::Calibrate(it) => calibrate::run(None, it, &mut out),
            };
            match done {
                Ok(_) => kinds.push_str(&kind_of(&String::from_utf8(out).unwrap())),
                Err(error) => kinds.push_str(&kind_of(&format!("{error:#}").replace(&name, ""))),
            }
        }
        assert!(!settings.store.path.exists(), "a dry run writes nothing");
        kinds
    });
}

#[test]
fn http() {
    let served = Served::new(Fixed::default(), None);
    let mut executions = 0;
    fuzz("http", |input| {
        executions += 1;
        if executions % 200 == 0 {
            assert_eq!(served.get("/health").body, "ok\n");
        }
        let mut stream = served.connect();
        // It may close before it has read all.
        let _ = stream.write_all(input);
        let _ = stream.shutdown(Shutdown::Write);
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        if answer.is_empty() {
            return "closed".to_owned();
        }
        let head = answer.windows(4).position(|four| four == b"\r\n\r\n").expect("a whole head");
        let head = String::from_utf8(answer[..head].to_vec()).expect("a head is text");
        let status: u16 = head
            .strip_prefix("HTTP/1.1 ")
            .or_else(|| head.strip_prefix("HTTP/1.0 "))
            .and_then(|rest| rest.get(..3))
            .and_then(|code| code.parse().ok())
            .unwrap_or_else(|| panic!("no status: {head}"));
        assert!((200..500).contains(&status) || status == 501 || status == 503 || status == 505, "{head}");
        let lines: Vec<&str> = head.lines().filter(|line| line.starts_with("content-type")).collect();
        let path = input.split(|byte| *byte == b' ').nth(1).unwrap_or_default();
        let first: Vec<u8> =
            path.iter().copied().take_while(|byte| byte.is_ascii_alphabetic() || *byte == b'/').collect();
        format!("{status} {} {}", lines.concat(), String::from_utf8_lossy(&first[..first.len().min(12)]))
    });
}

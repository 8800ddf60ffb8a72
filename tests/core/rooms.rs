//! The rooms keep to themselves: the pure ones hold no clock, file, thread,
//! socket or SQL, and each outside thing is known in one place only.

use std::fs;
use std::path::{Path, PathBuf};

use crate::support::source::{Source, Token};

/// Rooms that take values and a time and return values.
const PURE: [&str; 20] = [
    "model",
    "decode",
    "calibration",
    "quality",
    "soil",
    "evapotranspiration",
    "tank",
    "rain",
    "watering",
    "outlook",
    "analysis",
    "history",
    "report",
    "text",
    "chart",
    "garden",
    "alarms",
    "telling",
    "answering",
    "why",
];

/// Words that no pure room holds, wherever they stand.
const WORDS: [&str; 22] = [
    "tokio",
    "async",
    "await",
    "rusqlite",
    "rumqttc",
    "mqtt5",
    "axum",
    "hyper",
    "reqwest",
    "tracing",
    "SystemTime",
    "Instant",
    "File",
    "OpenOptions",
    "TcpStream",
    "TcpListener",
    "UdpSocket",
    "print",
    "println",
    "eprint",
    "eprintln",
    "dbg",
];

/// Modules of the standard library that no pure room uses. As plain names they
/// may stand (`net` can be a sum), as part of a path they may not.
const MODULES: [&str; 5] = ["fs", "net", "thread", "env", "process"];

/// Beginnings of SQL, as the store writes it.
const SQL: [&str; 8] = [
    "SELECT ",
    "INSERT ",
    "UPDATE ",
    "DELETE FROM",
    "CREATE TABLE",
    "CREATE INDEX",
    "PRAGMA ",
    "BEGIN IMMEDIATE",
];

/// Functions of `std::env` that read no configuration.
const HARMLESS_ENV: [&str; 5] = ["temp_dir", "current_dir", "current_exe", "args", "consts"];

fn source_root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

/// Every source file as its path below `src`, with `/` between the parts.
pub(crate) fn files() -> Vec<(String, Source)> {
    let root = source_root();
    let mut folders = vec![root.clone()];
    let mut found = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).expect("a source folder can be read") {
            let path = entry.expect("a source folder can be listed").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|end| end == "rs") {
                let below = path.strip_prefix(&root).expect("it was found below the root");
                let parts: Vec<_> = below.iter().map(|part| part.to_string_lossy()).collect();
                let text = fs::read_to_string(&path).expect("a source file is UTF-8");
                found.push((parts.join("/"), Source::of(&text)));
            }
        }
    }
    found
}

fn is_in(file: &str, place: &str) -> bool {
    file.strip_prefix(place).is_some_and(|rest| rest.starts_with('/') || rest.starts_with(".rs"))
}

/// Tokens that belong to a path or a `use`, so that they name a module.
fn is_path(code: &[Token], at: usize) -> bool {
    let text = |at: Option<usize>| at.and_then(|at| code.get(at)).map(|token| token.text.as_str());
    let after = text(Some(at + 1)) == Some(":") && text(Some(at + 2)) == Some(":");
    let before = text(at.checked_sub(1)) == Some(":") && text(at.checked_sub(2)) == Some(":");
    let statement = code[..at].iter().rposition(|token| matches!(token.text.as_str(), ";" | "}"));
    let used = code[statement.map_or(0, |end| end + 1)..at].iter().any(|token| token.text == "use");
    let compiled = text(Some(at + 1)) == Some("!");
    after || before || used || compiled
}

fn impurities(source: &Source) -> Vec<String> {
    let code = &source.code;
    let mut found = Vec::new();
    for (at, token) in code.iter().enumerate() {
        let word = token.text.as_str();
        let now = word == "now" && at > 1 && code[at - 1].text == ":" && code[at - 2].text == ":";
        if WORDS.contains(&word) || now || (MODULES.contains(&word) && is_path(code, at)) {
            found.push(format!("{}: {word}", token.line));
        }
    }
    found.extend(sql(source));
    found
}

fn sql(source: &Source) -> Vec<String> {
    let spoken = |text: &str| SQL.iter().find(|start| text.contains(**start)).copied();
    source
        .strings
        .iter()
        .filter_map(|token| spoken(&token.text).map(|start| format!("{}: {}", token.line, start.trim())))
        .collect()
}

fn words(source: &Source, wanted: &[&str]) -> Vec<String> {
    let code = source.code.iter();
    code.filter(|token| wanted.contains(&token.text.as_str()))
        .map(|token| format!("{}: {}", token.line, token.text))
        .collect()
}

/// Reads of the environment, and uses of the configuration crate.
fn configuration(source: &Source) -> Vec<String> {
    let code = &source.code;
    let text = |at: usize| code.get(at).map_or("", |token| token.text.as_str());
    let mut found = Vec::new();
    for (at, token) in code.iter().enumerate() {
        let path = text(at + 1) == ":" && text(at + 2) == ":";
        let begins = at == 0 || text(at - 1) != ":";
        let environment = token.text == "env" && path && !HARMLESS_ENV.contains(&text(at + 3));
        let crate_config =
            token.text == "config" && path && begins && text(at + 3).starts_with(char::is_uppercase);
        if environment || crate_config {
            found.push(format!("{}: {}::{}", token.line, token.text, text(at + 3)));
        }
    }
    found
}

/// Fails with every place found, as `file:line: word`.
fn assert_none(what: &str, found: impl IntoIterator<Item = (String, Vec<String>)>) {
    let places: Vec<_> = found
        .into_iter()
        .flat_map(|(file, places)| places.into_iter().map(move |place| format!("src/{file}:{place}")))
        .collect();
    assert!(places.is_empty(), "{what}:\n{}", places.join("\n"));
}

/// Looks at the files that `holds` lets through.
fn look(
    holds: impl Fn(&str) -> bool,
    check: impl Fn(&Source) -> Vec<String>,
) -> impl Iterator<Item = (String, Vec<String>)> {
    files().into_iter().filter(move |(file, _)| holds(file)).map(move |(file, source)| {
        let places = check(&source);
        (file, places)
    })
}

fn is_pure(file: &str) -> bool {
    PURE.iter().any(|room| is_in(file, room)) || is_in(file, "engine/router")
}

#[test]
fn pure_rooms_hold_no_clock_file_thread_socket_or_sql() {
    assert_none("a pure room reaches outside", look(is_pure, impurities));
}

/// A room that moved would else no longer be looked at.
#[test]
fn every_pure_room_is_where_the_test_looks() {
    let files = files();
    for room in PURE {
        assert!(files.iter().any(|(file, _)| is_in(file, room)), "no source file in src/{room}");
    }
}

#[test]
fn only_the_store_knows_sql() {
    let check = |source: &Source| [words(source, &["rusqlite"]), sql(source)].concat();
    assert_none("SQL outside src/store", look(|file| !is_in(file, "store"), check));
}

/// The demonstration carries its own broker.
#[test]
fn only_intake_and_deliver_know_mqtt() {
    let allowed =
        |file: &str| is_in(file, "intake") || is_in(file, "deliver") || file.starts_with("commands/demo");
    let check = |source: &Source| words(source, &["rumqttc", "mqtt5"]);
    assert_none("MQTT outside src/intake and src/deliver", look(move |file| !allowed(file), check));
}

/// `main` may hand the environment over as an argument. A file of tests is no part of the
/// program, as a test module within a file is none.
#[test]
fn only_settings_reads_the_environment() {
    let allowed = |file: &str| is_in(file, "settings") || file == "main.rs" || file.ends_with("/tests.rs");
    assert_none("configuration read outside src/settings", look(move |file| !allowed(file), configuration));
}

#[test]
fn a_planted_impurity_is_found_on_its_line() {
    for line in [
        "let now = Timestamp::now();",
        "let now = jiff::ZonedDateTime::now();",
        "let began = std::time::Instant::now();",
        "use std::time::{Duration, SystemTime};",
        "use std::{collections::HashMap, fs};",
        "use std::{\n    net,\n};",
        "let text = std::fs::read_to_string(path);",
        "std::thread::sleep(pause);",
        "let home = env::var(\"HOME\");",
        "let name = env!(\"CARGO_PKG_NAME\");",
        "async fn f() {}",
        "x.await?;",
        "tokio::spawn(x);",
        "println!(\"{x}\");",
        "use rusqlite::Connection;",
        "let q = \"SELECT at FROM reading\";",
        "let q = r#\"\n  DELETE FROM reading\"#;",
        "let f = File::open(path);",
        "use rumqttc::v5::AsyncClient;",
    ] {
        let text = format!("//! A room.\n\nfn f() {{\n    let c = '\"'; // tokio\n}}\n{line}\n");
        let found = impurities(&Source::of(&text));
        assert!(!found.is_empty(), "not found: {line}");
        let number: usize = found[0].split(':').next().and_then(|n| n.parse().ok()).expect("a line number");
        assert!((6..=7).contains(&number), "{line}: on line {number}");
    }
}

#[test]
fn words_in_comments_names_and_tests_are_no_impurity() {
    let text = r##"
//! tokio, std::fs and SELECT stand here as words; it's fine.
/* async /* nested */ await */
/// Net radiation and `Timestamp::now()`.
fn f<'a>(net: f64, now: Timestamp, env: &'a str) -> f64 {
    let quote = '\'';
    let text = "println! and tokio \" await";
    let raw = r#"File "quoted" env::var"#;
    let view = View { at: now };
    net + now.file_count() + instant(raw)
}
#[cfg(test)]
mod tests {
    use std::fs;
    fn g() { let now = Timestamp::now(); println!("}"); }
}
fn after() {}
"##;
    let source = Source::of(text);
    assert_eq!(impurities(&source), Vec::<String>::new());
    assert!(source.code.iter().any(|token| token.text == "after"), "code after the tests is read");
}

#[test]
fn a_planted_read_of_the_environment_is_found() {
    for line in
        ["std::env::var(\"X\")", "use std::env::{var, vars};", "env::vars_os()", "config::Config::builder()"]
    {
        assert!(!configuration(&Source::of(line)).is_empty(), "not found: {line}");
    }
    for line in ["std::env::temp_dir()", "self.config.path", "trug::config::read()", "crate::config::Daemon"]
    {
        assert_eq!(configuration(&Source::of(line)), Vec::<String>::new(), "{line}");
    }
}

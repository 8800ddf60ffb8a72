//! `trug tell` as people run it.

use std::process::Output;

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::hooks::{Answer, Hook, SECRET};

/// A group with this `by` line in the place of the demonstration's groups.
fn garden(groups: &str) -> String {
    let mut garden: toml::Table = SHIPPED.parse().unwrap();
    garden.remove("tell");
    format!("{garden}\n{groups}")
}

struct School {
    daemon: Daemon,
    hook: Hook,
}

impl School {
    async fn new(groups: &str, answer: Answers) -> Self {
        let hook = Hook::start(move |_, request| answer(&request.path)).await;
        let mut daemon = Daemon::new(1, &[("saltbush-gully", &garden(groups))]);
        let file = daemon.folder().join("trug.toml");
        let mut text = std::fs::read_to_string(&file).unwrap();
        for name in ["office", "library"] {
            text += &format!("\n[[webhook]]\nname = \"{name}\"\ntimeout_s = 2\n");
            text += &format!("url = \"http://127.0.0.1:{}/{name}\"\n", hook.port);
            daemon.set(&format!("TRUG__WEBHOOK__{}__SECRET", name.to_uppercase()), SECRET);
        }
        let told = daemon.folder().join("told.jsonl");
        text += &format!("\n[[told_file]]\nname = \"record\"\npath = \"{}\"\n", told.display());
        std::fs::write(&file, text).unwrap();
        Self { daemon, hook }
    }

    /// Runs it beside the server.
    async fn ask(&self, arguments: &[&str]) -> Output {
        let mut command = self.daemon.command(arguments);
        tokio::task::spawn_blocking(move || command.output().unwrap()).await.unwrap()
    }
}

type Answers = fn(&str) -> Answer;

fn said(output: &Output) -> String {
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    text + &String::from_utf8_lossy(&output.stderr)
}

const TWO: &str = "[[tell]]\nwho = \"grounds\"\nalarms = [\"dry-bed\"]\nwebhook = [\"office\", \"library\"]\n\
                   file = [\"record\"]\n";

#[tokio::test(flavor = "multi_thread")]
async fn a_test_that_everybody_takes_ends_with_0() {
    let school = School::new(TWO, |_| Answer::Status(200, "")).await;
    let output = school.ask(&["tell", "--test", "grounds"]).await;
    let text = said(&output);
    assert_eq!(output.status.code(), Some(0), "{text}");
    let lines: Vec<&str> = text.lines().collect();
    let port = school.hook.port;
    let begins = |line: usize, words: &str| assert!(lines[line].starts_with(words), "{text}");
    begins(0, &format!("webhook office (http://127.0.0.1:{port}): the server took it in "));
    begins(1, &format!("webhook library (http://127.0.0.1:{port}): the server took it in "));
    assert!(lines[2].starts_with("file record (") && lines[2].ends_with("): written"), "{text}");
    assert_eq!(lines[4], "The test message for grounds was taken everywhere.");

    let seen = school.hook.seen();
    assert_eq!(seen.len(), 2);
    let json = seen[0].json();
    assert_eq!((json["purpose"].as_str(), json["priority"].as_str()), (Some("test"), Some("low")));
    assert_ne!(seen[0].key(), seen[1].key());
    let file = std::fs::read_to_string(school.daemon.folder().join("told.jsonl")).unwrap();
    assert_eq!(file.lines().count(), 1);
    let line: serde_json::Value = serde_json::from_str(file.trim()).unwrap();
    assert_eq!(line["who"], "grounds");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_test_that_somebody_does_not_take_ends_with_1_and_says_why() {
    let school = School::new(TWO, |path| match path {
        "/office" => Answer::Status(500, "no\u{1b}[31m room"),
        _ => Answer::Never,
    })
    .await;
    let output = school.ask(&["tell", "--test", "grounds"]).await;
    let text = said(&output);
    assert_eq!(output.status.code(), Some(1), "{text}");
    assert!(text.contains("): not taken: answered 500: no [31m room\n"), "{text}");
    assert!(text.contains("): not taken: no answer within 2 s\n"), "{text}");
    assert!(text.contains("1 of 3 addresses took the test message for grounds."), "{text}");

    let output = school.ask(&["tell", "--test", "grounds", "--json"]).await;
    assert_eq!(output.status.code(), Some(1));
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((json["taken"].as_u64(), json["not_taken"].as_u64()), (Some(1), Some(2)));
    let office = &json["addresses"][0];
    assert_eq!(office["to"], "office");
    assert_eq!(office["taken"], false);
    assert_eq!(office["may_work_later"], true);
    assert!(office["reason"].as_str().unwrap().starts_with("answered 500"));
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_not_there_ends_with_2_and_names_what_is() {
    let school = School::new(TWO, |_| Answer::Status(200, "")).await;
    let output = school.ask(&["tell", "--test", "teachers"]).await;
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(said(&output), "there is no group teachers; there is grounds\n");
    let output = school.ask(&["tell", "--site", "creek"]).await;
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(said(&output), "there is no garden creek; there is saltbush-gully\n");
    assert_eq!(school.hook.seen().len(), 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_test_it_says_who_is_told_what() {
    let school = School::new(TWO, |_| Answer::Status(200, "")).await;
    let output = school.ask(&["tell"]).await;
    let text = said(&output);
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(
        text.starts_with("Saltbush Gully Primary School (saltbush-gully)\n\ngrounds\n  Told of "),
        "{text}"
    );
    assert!(text.contains("  By webhook office (http://127.0.0.1:"), "{text}");
    assert!(text.ends_with(
        "A message that nobody takes is tried for 24 hours, one of high priority for 30 minutes; then it goes another \
         way.\n"
    ));
    let output = school.ask(&["tell", "--json"]).await;
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(json[0]["groups"][0]["by"]["webhook"], serde_json::json!(["office", "library"]));
    assert_eq!(school.hook.seen().len(), 0, "nobody is told");
}

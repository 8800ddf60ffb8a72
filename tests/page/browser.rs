//! The page in a real browser: what it makes of it, and pictures to look at.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::support::http::Served;
use crate::support::views::{self, Fixed};
use crate::support::{ChildGuard, program, wait_until};
use trug::alarms::AlarmKey;
use trug::alarms::State;
use trug::answering::Links;
use trug::model::Id;
use trug::page::AlarmStep;

/// A busy page loads in a second or two; a loaded machine may need far longer.
const BROWSER_LIMIT: Duration = Duration::from_secs(120);

/// Runs Chromium once with a profile of its own and gives what it printed.
fn browse(arguments: &[&str], url: &str) -> String {
    let profile = tempfile::tempdir().expect("a folder for the browser's profile");
    let printed = profile.path().join("printed");
    let out = fs::File::create(&printed).expect("a file for its output");
    let child = Command::new(program("chromium"))
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"])
        .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
        .args(["--disable-dev-shm-usage", "--hide-scrollbars"])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .args(arguments)
        .arg(url)
        .stdin(Stdio::null())
        .stdout(out)
        .stderr(Stdio::null())
        .spawn()
        .expect("chromium can be started");
    let mut child = ChildGuard(child);
    let ended = wait_until("chromium to end", BROWSER_LIMIT, || child.0.try_wait().ok().flatten());
    assert!(ended.success(), "chromium ended with {ended}");
    fs::read_to_string(&printed).expect("its output is UTF-8")
}

fn busy() -> Served {
    let mut fixed = Fixed::of(vec![views::busy()]);
    fixed.not_placed = vec![
        views::stray("saltbush-gully/pea-bed/new-probe", b"{\"raw\":2143,\"t\":1776403200}"),
        views::stray("workshop/thermometer-3", b"17.25"),
    ];
    Served::new(fixed, Some("Demonstration: an invented school. Its clock stands in April 2026."))
}

#[test]
fn a_browser_shows_what_needs_doing() {
    let dom = browse(&["--dump-dom"], &busy().url("/"));
    for text in [
        "Saltbush Gully Primary School",
        "What to do today",
        "Give it about 64 L after 6 pm",
        "Water temperature changed too fast",
        "Needs doing",
        "Keep an eye on it",
        "All well",
        "Not known",
        "2 topics have no sensor yet",
        "Take care",
    ] {
        assert!(dom.contains(text), "{text:?} not in what the browser made:\n{dom}");
    }
    let dom = browse(&["--dump-dom"], &busy().url("/site/saltbush-gully/places"));
    assert!(dom.contains("wilting point 6.0 %"), "not in what the browser made:\n{dom}");
    let dom = browse(&["--dump-dom"], &busy().url("/site/saltbush-gully/sensors"));
    for text in ["No fresh reading", "saltbush-gully/pea-bed/new-probe", "{\"raw\":2143,\"t\":1776403200}"] {
        assert!(dom.contains(text), "{text:?} not in what the browser made:\n{dom}");
    }
}

/// The stylesheet is let through by the page's own policy, and nothing is cut
/// off on a phone: the pictures are as wide as asked and not blank.
#[test]
fn pictures_for_a_person_to_look_at() {
    let served = busy();
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("page");
    fs::create_dir_all(&folder).expect("a folder for the pictures");
    for (width, height) in [(390, 6000), (1200, 3400)] {
        let picture: PathBuf = folder.join(format!("today-{width}.png"));
        let _ = fs::remove_file(&picture);
        browse(
            &[&format!("--window-size={width},{height}"), &format!("--screenshot={}", picture.display())],
            &served.url("/"),
        );
        let bytes = fs::read(&picture).expect("a picture was taken");
        // PNG (ISO/IEC 15948): signature, then IHDR with the width at byte 16.
        assert_eq!(&bytes[..8], b"\x89PNG\r\n\x1a\n");
        assert_eq!(u32::from_be_bytes([bytes[16], bytes[17], bytes[18], bytes[19]]), width);
        println!("look at {}", picture.display());
    }
}

/// The page that a link in a message opens: before the answer, after it, when it is
/// too late, and when the link was changed.
#[test]
fn pictures_of_the_page_on_which_alarms_are_answered() {
    let now = views::at("2026-04-17T05:30:00Z");
    let links = Links::new("http://127.0.0.1", b"thirty-two bytes of a test's own", 72);
    let mut answered = views::busy();
    answered.alarms.iter_mut().for_each(|alarm| alarm.record.state = State::Acknowledged);
    let step = AlarmStep {
        at: views::at("2026-04-17T05:10:00Z"),
        to: State::Acknowledged,
        how: Some("link".into()),
    };
    let mut over = views::busy();
    over.alarms.clear();
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("page");
    fs::create_dir_all(&folder).expect("a folder for the pictures");
    let alarm = &views::busy().alarms[0];
    let key = AlarmKey {
        site: Id::new("saltbush-gully"),
        kind: alarm.record.key.kind,
        place: alarm.record.key.place.clone(),
    };
    let token = links.token(&key, alarm.record.since, "grounds", now);
    for (name, view, token, word) in [
        ("waits", views::busy(), token.as_str(), "deal with this"),
        ("answered", answered, token.as_str(), "Somebody is dealing with it"),
        ("over", over, token.as_str(), "It is over"),
        ("forged", views::busy(), "a.b", "not one of ours"),
    ] {
        let fixed =
            Fixed { links: Some(links.clone()), now, steps: vec![step.clone()], ..Fixed::of(vec![view]) };
        let served = Served::new(fixed, None);
        let url = served.url(&format!("/answer?t={token}"));
        let dom = browse(&["--dump-dom"], &url);
        assert!(dom.contains(word), "{word:?} not in what the browser made:\n{dom}");
        for (width, height) in [(390, 1250), (1200, 900)] {
            let picture: PathBuf = folder.join(format!("answer-{name}-{width}.png"));
            let _ = fs::remove_file(&picture);
            let size = format!("--window-size={width},{height}");
            browse(&[&size, &format!("--screenshot={}", picture.display())], &url);
            let bytes = fs::read(&picture).expect("a picture was taken");
            assert_eq!(u32::from_be_bytes([bytes[16], bytes[17], bytes[18], bytes[19]]), width);
            println!("look at {}", picture.display());
        }
    }
}

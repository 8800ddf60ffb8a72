//! The HTML of e-mail in a real browser, as a mail server received it: pictures to
//! look at, and nothing wider than a phone, in a light and in a dark scheme.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use crate::support::smtp::SmtpServer;
use crate::support::smtp_messages::{Links, long, over, summary, tank, trying};
use crate::support::{ChildGuard, program, wait_until};
use trug::deliver::channel::MessageChannel;
use trug::deliver::mail::Mailer;

/// A message loads in a second; a loaded machine may need far longer.
const BROWSER_LIMIT: Duration = Duration::from_secs(120);

/// A phone, and a window on a desk.
const WIDTHS: [u32; 2] = [360, 800];

/// Runs Chromium once with a profile of its own and gives what it printed.
fn browse(dark: bool, arguments: &[String]) -> String {
    let profile = tempfile::tempdir().expect("a folder for the browser's profile");
    let printed = profile.path().join("printed");
    let out = fs::File::create(&printed).expect("a file for its output");
    let child = Command::new(program("chromium"))
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"])
        .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
        .args(["--disable-dev-shm-usage", "--hide-scrollbars"])
        // 0 is dark, 1 is light.
        .arg(format!("--blink-settings=preferredColorScheme={}", i32::from(!dark)))
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .args(arguments)
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

/// One message in a window of one width, as the browser laid it out.
#[derive(Debug, serde::Deserialize)]
struct Measured {
    /// Name and width.
    of: String,
    inner: u32,
    /// What its content needs.
    needed: u32,
    dark: bool,
    /// The colour of text that has no ground of its own.
    ink: String,
}

/// Every message at every width. Each is in a frame, since a window has a least
/// width of its own.
fn measured(folder: &Path, messages: &[(&str, String)], dark: bool) -> Vec<Measured> {
    const SCRIPT: &str = "
        addEventListener('load', () => {
            document.title = JSON.stringify([...document.querySelectorAll('iframe')].map(frame => {
                const text = frame.contentDocument, window = text.defaultView;
                return {
                    of: frame.title,
                    inner: window.innerWidth,
                    needed: text.documentElement.scrollWidth,
                    dark: window.matchMedia('(prefers-color-scheme: dark)').matches,
                    ink: window.getComputedStyle([...text.querySelectorAll('p')].pop()).color,
                };
            }));
        });";
    let mut frames = String::new();
    for (name, html) in messages {
        let escaped = html.replace('&', "&amp;").replace('"', "&quot;");
        for width in WIDTHS {
            frames.push_str(&format!(
                "<iframe title='{name} {width}' style='width:{width}px;height:800px;border:0' srcdoc=\"{escaped}\">\
                 </iframe>"
            ));
        }
    }
    let file = folder.join("measured.html");
    fs::write(&file, format!("<!doctype html><meta charset=utf-8><script>{SCRIPT}</script>{frames}"))
        .expect("a file for the browser");
    let dom = browse(dark, &["--dump-dom".to_owned(), format!("file://{}", file.display())]);
    fs::remove_file(&file).expect("the file is there");
    // The document's own title comes before the frames.
    let title = dom.split_once("<title>").and_then(|(_, rest)| rest.split_once("</title>"));
    let (title, _) = title.expect("the script has set a title");
    serde_json::from_str(title).unwrap_or_else(|e| panic!("{e}: {title}"))
}

/// Leaves a picture to look at.
fn picture(folder: &Path, name: &str, (width, height): (u32, u32), dark: bool) {
    let scheme = if dark { "dark" } else { "light" };
    let picture = folder.join(format!("{name}-{width}-{scheme}.png"));
    let _ = fs::remove_file(&picture);
    browse(
        dark,
        &[
            format!("--window-size={width},{height}"),
            format!("--screenshot={}", picture.display()),
            format!("file://{}", folder.join(format!("{name}.html")).display()),
        ],
    );
    let bytes = fs::read(&picture).expect("a picture was taken");
    // PNG (ISO/IEC 15948): signature, then IHDR with the width at byte 16.
    assert_eq!(&bytes[..8], b"\x89PNG\r\n\x1a\n");
    assert_eq!(u32::from_be_bytes([bytes[16], bytes[17], bytes[18], bytes[19]]), width);
    println!("look at {}", picture.display());
}

#[tokio::test(flavor = "multi_thread")]
async fn messages_fit_a_phone_in_light_and_dark() {
    let server = SmtpServer::plain();
    let page = Some("https://garden.school.example/".to_owned());
    let mailer =
        Mailer::new(Some(&server.settings(None)), Some(Arc::new(Links)), page).expect("settings that do");
    let sent =
        [("tank", tank()), ("summary", summary()), ("long", long()), ("over", over()), ("test", trying())];
    for (_, message) in &sent {
        mailer.send(message).await.expect("the server takes it");
    }
    let folder: PathBuf = Path::new(env!("CARGO_TARGET_TMPDIR")).join("mail");
    fs::create_dir_all(&folder).expect("a folder for the pictures");
    let mut messages = Vec::new();
    for ((name, _), taken) in sent.iter().zip(server.taken(sent.len())) {
        let html = taken["parts"][1]["text"].as_str().expect("the HTML part");
        fs::write(folder.join(format!("{name}.html")), html).expect("a file for the browser");
        messages.push((*name, html.to_owned()));
    }
    for dark in [false, true] {
        let found = measured(&folder, &messages, dark);
        assert_eq!(found.len(), messages.len() * WIDTHS.len());
        for (at, frame) in found.iter().enumerate() {
            assert_eq!((frame.inner, frame.dark), (WIDTHS[at % WIDTHS.len()], dark), "{frame:?}");
            assert_eq!(frame.needed, frame.inner, "{} is too wide: {frame:?}", frame.of);
            // Text without a ground of its own follows the scheme.
            assert_eq!(frame.ink, if dark { "rgb(255, 255, 255)" } else { "rgb(0, 0, 0)" }, "{frame:?}");
        }
        for (name, height) in [("tank", 800), ("summary", 1900), ("long", 800)] {
            for width in WIDTHS {
                picture(&folder, name, (width, height), dark);
            }
        }
    }
}

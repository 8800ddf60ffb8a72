//! A real browser that does what a test says: Chromium, driven by its own driver
//! over WebDriver (W3C Recommendation), at a phone's or a desk's width.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use fantoccini::actions::{InputSource, KeyAction, KeyActions};
use fantoccini::elements::Element;
use fantoccini::wd::{Capabilities, WebDriverCompatibleCommand};
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use tokio::runtime::Runtime;

use super::{ChildGuard, free_port, program, wait_until};

/// A loaded machine may need far longer than a moment.
const LIMIT: Duration = Duration::from_secs(60);

/// Widths at which pages are looked at, CSS pixels: a small phone and a desk.
pub(crate) const PHONE: (u32, u32) = (390, 844);
pub(crate) const DESK: (u32, u32) = (1200, 900);

/// Chromium with a profile of its own; it ends with the test.
pub(crate) struct Browser {
    runtime: Runtime,
    client: Option<Client>,
    _driver: ChildGuard,
    _profile: tempfile::TempDir,
}

impl Browser {
    pub(crate) fn start() -> Self {
        let runtime = Runtime::new().expect("a runtime");
        let profile = tempfile::tempdir().expect("a folder for the browser's profile");
        let chromium = program("chromium");
        // A port that was free a moment ago may be taken by another program.
        for _ in 0..5 {
            let port = free_port();
            let driver = Command::new(program("chromedriver"))
                .arg(format!("--port={port}"))
                .stdin(Stdio::null())
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .expect("chromedriver can be started");
            let mut driver = ChildGuard(driver);
            let ready = wait_until("chromedriver to listen", LIMIT, || {
                if driver.0.try_wait().is_ok_and(|ended| ended.is_some()) {
                    return Some(false);
                }
                std::net::TcpStream::connect(("127.0.0.1", port)).ok().map(|_| true)
            });
            if !ready {
                continue;
            }
            let mut capabilities = Capabilities::new();
            capabilities.insert(
                "goog:chromeOptions".to_owned(),
                json!({
                    "binary": chromium,
                    "args": [
                        "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                        "--disable-background-networking", "--disable-component-update", "--disable-sync",
                        "--disable-dev-shm-usage", "--hide-scrollbars", "--lang=en-AU",
                        format!("--user-data-dir={}", profile.path().display()),
                    ],
                }),
            );
            let client = runtime
                .block_on(
                    ClientBuilder::new(HttpConnector::new())
                        .capabilities(capabilities)
                        .connect(&format!("http://127.0.0.1:{port}")),
                )
                .expect("a browser's session");
            return Self { runtime, client: Some(client), _driver: driver, _profile: profile };
        }
        panic!("no port was free for chromedriver");
    }

    fn client(&self) -> &Client {
        self.client.as_ref().expect("it is taken only at the end")
    }

    /// Sets the size of the view, as a phone or a desk has it.
    pub(crate) fn size(&self, (width, height): (u32, u32)) {
        let phone = width < 600;
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            &json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": phone }),
        );
    }

    /// Asks for the page in its dark or its light colours.
    pub(crate) fn dark(&self, dark: bool) {
        let value = if dark { "dark" } else { "light" };
        self.devtools(
            "Emulation.setEmulatedMedia",
            &json!({ "features": [{ "name": "prefers-color-scheme", "value": value }] }),
        );
    }

    /// Cuts the browser off from every server, or lets it come back.
    pub(crate) fn offline(&self, offline: bool) {
        self.devtools("Network.enable", &json!({}));
        self.devtools(
            "Network.emulateNetworkConditions",
            &json!({ "offline": offline, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1 }),
        );
    }

    /// Switches scripts off or on for the pages that are opened next.
    pub(crate) fn scripts(&self, on: bool) {
        self.devtools("Emulation.setScriptExecutionDisabled", &json!({ "value": !on }));
    }

    pub(crate) fn open(&self, url: &str) {
        self.runtime.block_on(self.client().goto(url)).unwrap_or_else(|e| panic!("opening {url}: {e}"));
    }

    pub(crate) fn address(&self) -> String {
        self.runtime.block_on(self.client().current_url()).expect("the page has an address").to_string()
    }

    pub(crate) fn title(&self) -> String {
        self.runtime.block_on(self.client().title()).expect("the page has a title")
    }

    /// What the browser made of the page.
    pub(crate) fn source(&self) -> String {
        self.runtime.block_on(self.client().source()).expect("the page has a source")
    }

    /// Runs the body of a function in the page and gives what it returns.
    pub(crate) fn run(&self, script: &str) -> Value {
        self.runtime
            .block_on(self.client().execute(script, Vec::new()))
            .unwrap_or_else(|e| panic!("running {script}: {e}"))
    }

    /// Waits until a function's body returns something true.
    pub(crate) fn wait_for(&self, what: &str, script: &str) {
        wait_until(what, LIMIT, || {
            let ran = self.runtime.block_on(self.client().execute(script, Vec::new()));
            ran.ok().filter(|value| !matches!(value, Value::Null | Value::Bool(false)))
        });
    }

    pub(crate) fn find(&self, css: &str) -> Element {
        self.runtime
            .block_on(self.client().find(Locator::Css(css)))
            .unwrap_or_else(|e| panic!("{css} on {}: {e}", self.address()))
    }

    pub(crate) fn count(&self, css: &str) -> usize {
        self.runtime.block_on(self.client().find_all(Locator::Css(css))).expect("a selector").len()
    }

    pub(crate) fn text(&self, css: &str) -> String {
        let element = self.find(css);
        self.runtime.block_on(element.text()).expect("an element's text")
    }

    pub(crate) fn click(&self, css: &str) {
        let element = self.find(css);
        self.runtime.block_on(element.click()).unwrap_or_else(|e| panic!("clicking {css}: {e}"));
    }

    /// Puts a text into a field in the place of what stands there.
    pub(crate) fn fill(&self, css: &str, text: &str) {
        let element = self.find(css);
        self.runtime.block_on(async {
            element.clear().await.unwrap_or_else(|e| panic!("emptying {css}: {e}"));
            element.send_keys(text).await.unwrap_or_else(|e| panic!("filling {css}: {e}"));
        });
    }

    /// Presses keys one after the other, wherever the focus is: letters, or the code
    /// points that WebDriver gives to keys (section 17.4.2): '\u{E004}' is Tab,
    /// '\u{E007}' Enter.
    pub(crate) fn press(&self, keys: &str) {
        let mut actions = KeyActions::new("keyboard".to_owned());
        for value in keys.chars() {
            actions = actions.then(KeyAction::Down { value }).then(KeyAction::Up { value });
        }
        self.runtime.block_on(self.client().perform_actions(actions)).expect("keys can be pressed");
    }

    /// What has the focus: its text, label or value, for a person to read.
    pub(crate) fn focused(&self) -> String {
        let script = "const e = document.activeElement; \
                      return (e.getAttribute('aria-label') || e.innerText || e.value || e.tagName).trim();";
        self.run(script).as_str().unwrap_or_default().to_owned()
    }

    /// Takes a picture of the whole page, and says where it lies.
    pub(crate) fn picture(&self, path: &Path) {
        let taken = self.devtools("Page.captureScreenshot", &json!({ "captureBeyondViewport": true }));
        let data = taken["data"].as_str().expect("a picture in base64");
        let bytes = base64::Engine::decode(&base64::engine::general_purpose::STANDARD, data);
        fs::create_dir_all(path.parent().expect("a picture lies in a folder"))
            .expect("the folder can be made");
        fs::write(path, bytes.expect("base64")).expect("the picture can be written");
        println!("look at {}", path.display());
    }

    /// Bytes of the page and of all that it loaded, as they came over the wire or out
    /// of the cache.
    pub(crate) fn weight(&self) -> u64 {
        let script = "return performance.getEntries().filter(e => 'encodedBodySize' in e)\
                      .reduce((sum, e) => sum + e.encodedBodySize, 0);";
        self.run(script).as_u64().expect("a number of bytes")
    }

    /// How far the page is wider than the view, CSS pixels: 0 where nothing is cut off.
    pub(crate) fn overflow(&self) -> i64 {
        let script = "const d = document.documentElement; return d.scrollWidth - d.clientWidth;";
        self.run(script).as_i64().expect("a number of pixels")
    }

    /// Lets axe-core look at the page: every rule that it has for WCAG 2.0 to 2.2,
    /// levels A and AA, and its best practices.
    ///
    /// # Panics
    /// When it finds a violation.
    pub(crate) fn accessible(&self, what: &str) {
        let axe = fs::read_to_string(axe()).expect("tests/run puts axe-core there");
        self.run(&axe);
        let script = "const done = arguments[arguments.length - 1]; \
                      axe.run(document, { resultTypes: ['violations'] }).then(r => done(r.violations.map(v => \
                      v.id + ' (' + v.impact + '): ' + v.help + ': ' + v.nodes.map(n => n.html + ' ' + \
                      n.failureSummary).join(' | '))), e => done(['axe failed: ' + e]));";
        let found = self
            .runtime
            .block_on(self.client().execute_async(script, Vec::new()))
            .expect("axe-core runs on the page");
        let found: Vec<&str> =
            found.as_array().expect("a list").iter().map(|v| v.as_str().unwrap_or_default()).collect();
        assert!(found.is_empty(), "{what}: axe-core found\n{}", found.join("\n"));
    }

    /// What the page wrote to the browser's console as faults, its policy's refusals
    /// among them.
    pub(crate) fn faults(&self) -> Vec<String> {
        let log = self.runtime.block_on(self.client().issue_cmd(BrowserLog)).expect("the browser's log");
        let entries = log.as_array().cloned().unwrap_or_default();
        entries
            .iter()
            .filter(|entry| entry["level"] == "SEVERE")
            .map(|entry| entry["message"].as_str().unwrap_or_default().to_owned())
            .collect()
    }

    /// One command of the browser's own debugging protocol.
    fn devtools(&self, command: &str, parameters: &Value) -> Value {
        let command = DevTools(json!({ "cmd": command, "params": parameters }));
        self.runtime.block_on(self.client().issue_cmd(command)).expect("the browser takes the command")
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if let Some(client) = self.client.take() {
            // The driver is killed in any case.
            let _ = self.runtime.block_on(client.close());
        }
    }
}

fn axe() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("../axe/axe_playwright_python/axe.min.js")
}

#[derive(Debug)]
struct DevTools(Value);

impl WebDriverCompatibleCommand for DevTools {
    fn endpoint(&self, base: &url::Url, session: Option<&str>) -> Result<url::Url, url::ParseError> {
        base.join(&format!("session/{}/goog/cdp/execute", session.unwrap_or_default()))
    }

    fn method_and_body(&self, _: &url::Url) -> (http::Method, Option<String>) {
        (http::Method::POST, Some(self.0.to_string()))
    }
}

#[derive(Debug)]
struct BrowserLog;

impl WebDriverCompatibleCommand for BrowserLog {
    fn endpoint(&self, base: &url::Url, session: Option<&str>) -> Result<url::Url, url::ParseError> {
        base.join(&format!("session/{}/se/log", session.unwrap_or_default()))
    }

    fn method_and_body(&self, _: &url::Url) -> (http::Method, Option<String>) {
        (http::Method::POST, Some(json!({ "type": "browser" }).to_string()))
    }
}

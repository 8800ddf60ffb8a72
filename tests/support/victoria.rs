//! A real VictoriaMetrics of the test's own.

use std::process::{Command, Stdio};
use std::time::Duration;

use reqwest::Url;
use tempfile::TempDir;

use super::{ChildGuard, free_port, program, wait_until};

/// A server with its files in a temporary folder. It ends with the value.
pub(crate) struct Victoria {
    folder: TempDir,
    port: u16,
    child: Option<ChildGuard>,
}

impl Victoria {
    /// Starts a server that keeps what is a hundred years old.
    pub(crate) fn start() -> Self {
        let mut folder = tempfile::tempdir().expect("a folder for the server");
        // A port can be taken between being found and being used.
        for _ in 0..5 {
            let mut victoria = Self { folder, port: free_port(), child: None };
            if victoria.run() {
                return victoria;
            }
            folder = victoria.folder;
        }
        panic!("victoria-metrics did not start");
    }

    fn run(&mut self) -> bool {
        let child = Command::new(program("victoria-metrics"))
            .arg(format!("-httpListenAddr=127.0.0.1:{}", self.port))
            .arg(format!("-storageDataPath={}", self.folder.path().display()))
            .args(["-retentionPeriod=100y", "-loggerLevel=ERROR"])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("victoria-metrics can be started");
        let mut child = ChildGuard(child);
        let address = (std::net::Ipv4Addr::LOCALHOST, self.port);
        let up = wait_until("victoria-metrics to answer", Duration::from_secs(60), || {
            if std::net::TcpStream::connect(address).is_ok() {
                return Some(true);
            }
            child.0.try_wait().expect("a child can be asked").map(|_| false)
        });
        self.child = Some(child);
        up
    }

    /// Kills the server, as a power cut does; its files stay.
    pub(crate) fn kill(&mut self) {
        self.child = None;
    }

    /// Starts it again with its files, on the same port.
    pub(crate) fn restart(&mut self) {
        assert!(self.run(), "victoria-metrics did not start again");
    }

    pub(crate) fn write_url(&self) -> Url {
        self.url("write?db=garden")
    }

    /// Where single samples are asked for.
    pub(crate) fn export_url(&self) -> Url {
        self.url("api/v1/export")
    }

    /// Makes what came last to be seen.
    pub(crate) async fn flush(&self) {
        self.get("internal/force_flush").await;
    }

    /// Every point of one metric of one sensor: milliseconds and value.
    pub(crate) async fn points(&self, metric: &str, sensor: &str) -> Vec<(i64, f64)> {
        // What came last is not seen before it is flushed.
        self.get("internal/force_flush").await;
        let mut url = self.url("api/v1/export?start=0&end=4102444800");
        url.query_pairs_mut().append_pair("match[]", &format!("{metric}{{sensor=\"{sensor}\"}}"));
        let text = self.get(url.as_str().trim_start_matches(self.url("").as_str())).await;
        let mut points = Vec::new();
        for line in text.lines() {
            let block: serde_json::Value = serde_json::from_str(line).expect("a line of JSON");
            let list = |key: &str| block[key].as_array().expect("a list").clone();
            for (at, value) in list("timestamps").iter().zip(list("values")) {
                points.push((at.as_i64().expect("a time"), value.as_f64().expect("a number")));
            }
        }
        points.sort_by_key(|(at, _)| *at);
        points
    }

    /// Writes lines as another program would.
    pub(crate) async fn write(&self, lines: &str) {
        let _ = rustls::crypto::ring::default_provider().install_default();
        let client = reqwest::Client::builder().no_proxy().build().expect("a client");
        let response = client.post(self.write_url()).body(lines.to_owned()).send().await.expect("it answers");
        assert!(response.status().is_success(), "{}", response.status());
    }

    /// The answer to a question as of now, in MetricsQL.
    pub(crate) async fn query(&self, question: &str) -> serde_json::Value {
        // What came last is not seen before it is flushed.
        self.get("internal/force_flush").await;
        let mut url = self.url("api/v1/query");
        url.query_pairs_mut().append_pair("query", question);
        let text = self.get(url.as_str().trim_start_matches(self.url("").as_str())).await;
        serde_json::from_str(&text).expect("JSON")
    }

    async fn get(&self, rest: &str) -> String {
        let _ = rustls::crypto::ring::default_provider().install_default();
        let client = reqwest::Client::builder().no_proxy().build().expect("a client");
        let response = client.get(self.url(rest)).send().await.expect("victoria-metrics answers");
        let status = response.status();
        let text = response.text().await.expect("the whole answer");
        assert!(status.is_success(), "{status}: {text}");
        text
    }

    fn url(&self, rest: &str) -> Url {
        Url::parse(&format!("http://127.0.0.1:{}/{rest}", self.port)).expect("a good address")
    }
}

//! A real VictoriaMetrics of the test's own.

use std::process::{Command, Stdio};

use reqwest::Url;

use super::program;
use super::server::{OwnServer, client};

/// A server with its files in a temporary folder. It ends with the value.
pub(crate) struct Victoria(OwnServer);

impl Victoria {
    /// Starts a server that keeps what is a hundred years old.
    pub(crate) fn start() -> Self {
        Self(OwnServer::start("victoria-metrics", |folder, port| {
            let mut command = Command::new(program("victoria-metrics"));
            command
                .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
                .arg(format!("-storageDataPath={}", folder.path().display()))
                .args(["-retentionPeriod=100y", "-loggerLevel=ERROR"]);
            command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
            command
        }))
    }

    /// Kills the server, as a power cut does; its files stay.
    pub(crate) fn kill(&mut self) {
        self.0.kill();
    }

    /// Starts it again with its files, on the same port.
    pub(crate) fn restart(&mut self) {
        self.0.restart();
    }

    pub(crate) fn write_url(&self) -> Url {
        self.0.url("write?db=garden")
    }

    /// Where single samples are asked for.
    pub(crate) fn export_url(&self) -> Url {
        self.0.url("api/v1/export")
    }

    /// Makes what came last to be seen.
    pub(crate) async fn flush(&self) {
        self.get(self.0.url("internal/force_flush")).await;
    }

    /// Every point of one metric of one sensor: milliseconds and value.
    pub(crate) async fn points(&self, metric: &str, sensor: &str) -> Vec<(i64, f64)> {
        // What came last is not seen before it is flushed.
        self.flush().await;
        let mut url = self.0.url("api/v1/export?start=0&end=4102444800");
        url.query_pairs_mut().append_pair("match[]", &format!("{metric}{{sensor=\"{sensor}\"}}"));
        let text = self.get(url).await;
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
        self.0.write(self.write_url(), lines).await;
    }

    /// The answer to a question as of now, in MetricsQL.
    pub(crate) async fn query(&self, question: &str) -> serde_json::Value {
        // What came last is not seen before it is flushed.
        self.flush().await;
        let mut url = self.0.url("api/v1/query");
        url.query_pairs_mut().append_pair("query", question);
        let text = self.get(url).await;
        serde_json::from_str(&text).expect("JSON")
    }

    async fn get(&self, url: Url) -> String {
        self.0.ask(client().get(url)).await
    }
}

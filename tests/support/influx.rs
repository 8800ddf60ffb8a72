//! A real InfluxDB of the test's own.

use std::process::{Command, Stdio};
use std::time::Duration;

use reqwest::Url;
use tempfile::TempDir;

use super::{ChildGuard, free_port, program, wait_until};

/// A server with its files in a temporary folder. It ends with the value.
pub(crate) struct Influx {
    folder: TempDir,
    port: u16,
    child: Option<ChildGuard>,
}

impl Influx {
    /// Starts `influxd` with at most `values_per_tag` values of a tag (0: no
    /// bound), and makes the database `garden`.
    pub(crate) async fn start(values_per_tag: u32) -> Self {
        let mut folder = tempfile::tempdir().expect("a folder for the server");
        // A port can be taken between being found and being used.
        for _ in 0..5 {
            let mut influx = Self { folder, port: free_port(), child: None };
            influx.write_config(values_per_tag);
            if influx.run() {
                influx.query("CREATE DATABASE garden").await;
                return influx;
            }
            folder = influx.folder;
        }
        panic!("influxd did not start; its log is on standard error");
    }

    fn write_config(&self, values_per_tag: u32) {
        let folder = self.folder.path().display();
        let config = format!(
            "reporting-disabled = true\n\
             bind-address = \"127.0.0.1:{}\"\n\
             [meta]\n dir = \"{folder}/meta\"\n\
             [data]\n dir = \"{folder}/data\"\n wal-dir = \"{folder}/wal\"\n query-log-enabled = false\n \
             max-values-per-tag = {values_per_tag}\n\
             [monitor]\n store-enabled = false\n\
             [http]\n bind-address = \"127.0.0.1:{}\"\n log-enabled = false\n\
             [logging]\n level = \"error\"\n suppress-logo = true\n",
            free_port(),
            self.port
        );
        std::fs::write(self.config(), config).expect("the folder can be written");
    }

    fn config(&self) -> std::path::PathBuf {
        self.folder.path().join("influxdb.conf")
    }

    /// Whether it answers.
    fn run(&mut self) -> bool {
        let child = Command::new(program("influxd"))
            .args(["run", "-config"])
            .arg(self.config())
            .env("INFLUXDB_REPORTING_DISABLED", "true")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .spawn()
            .expect("influxd can be started");
        let mut child = ChildGuard(child);
        let address = (std::net::Ipv4Addr::LOCALHOST, self.port);
        let up = wait_until("influxd to answer", Duration::from_secs(60), || {
            if std::net::TcpStream::connect(address).is_ok() {
                return Some(true);
            }
            child.0.try_wait().expect("a child can be asked").map(|_| false)
        });
        self.child = Some(child);
        up
    }

    /// Kills the server; its files stay.
    pub(crate) fn kill(&mut self) {
        self.child = None;
    }

    /// Starts it again on the same files and port.
    pub(crate) fn restart(&mut self) {
        assert!(self.run(), "influxd did not come back");
    }

    /// Where lines are written to.
    pub(crate) fn write_url(&self) -> Url {
        self.url("write?db=garden")
    }

    /// Where questions are asked.
    pub(crate) fn query_url(&self) -> Url {
        self.url("query?db=garden")
    }

    fn url(&self, rest: &str) -> Url {
        Url::parse(&format!("http://127.0.0.1:{}/{rest}", self.port)).expect("a good address")
    }

    /// Writes lines as another program would.
    pub(crate) async fn write(&self, lines: &str) {
        let client = reqwest::Client::builder().no_proxy().build().expect("a client");
        let response = client.post(self.write_url()).body(lines.to_owned()).send().await.expect("it answers");
        assert!(response.status().is_success(), "{}", response.status());
    }

    /// The answer to a statement, times in milliseconds.
    pub(crate) async fn query(&self, statement: &str) -> serde_json::Value {
        let _ = rustls::crypto::ring::default_provider().install_default();
        let mut url = self.url("query?db=garden&epoch=ms");
        url.query_pairs_mut().append_pair("q", statement);
        let client = reqwest::Client::builder().no_proxy().build().expect("a client");
        let response = client.post(url).send().await.expect("influxd answers");
        let status = response.status();
        let text = response.text().await.expect("the whole answer");
        assert!(status.is_success(), "{status}: {text}");
        serde_json::from_str(&text).expect("JSON")
    }
}

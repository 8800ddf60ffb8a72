//! A real InfluxDB of the test's own.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use reqwest::Url;

use super::server::{OwnServer, client};
use super::{free_port, program};

/// A server with its files in a temporary folder. It ends with the value.
pub(crate) struct Influx(OwnServer);

impl Influx {
    /// Starts `influxd` with at most `values_per_tag` values of a tag (0: no
    /// bound), and makes the database `garden`.
    pub(crate) async fn start(values_per_tag: u32) -> Self {
        let influx = Self(OwnServer::start("influxd", move |folder, port| {
            let mut command = Command::new(program("influxd"));
            let config = config(folder.path(), port, values_per_tag);
            command.args(["run", "-config"]).arg(config).env("INFLUXDB_REPORTING_DISABLED", "true");
            command.stdin(Stdio::null()).stdout(Stdio::null());
            command
        }));
        influx.query("CREATE DATABASE garden").await;
        influx
    }

    /// Where lines are written to.
    pub(crate) fn write_url(&self) -> Url {
        self.0.url("write?db=garden")
    }

    /// Where questions are asked.
    pub(crate) fn query_url(&self) -> Url {
        self.0.url("query?db=garden")
    }

    /// Kills the server; its files stay.
    pub(crate) fn kill(&mut self) {
        self.0.kill();
    }

    /// Starts it again on the same files and port.
    pub(crate) fn restart(&mut self) {
        self.0.restart();
    }

    /// Writes lines as another program would.
    pub(crate) async fn write(&self, lines: &str) {
        self.0.write(self.write_url(), lines).await;
    }

    /// The answer to a statement, times in milliseconds.
    pub(crate) async fn query(&self, statement: &str) -> serde_json::Value {
        let mut url = self.0.url("query?db=garden&epoch=ms");
        url.query_pairs_mut().append_pair("q", statement);
        serde_json::from_str(&self.0.ask(client().post(url)).await).expect("JSON")
    }
}

/// Writes its configuration, and says where.
fn config(folder: &Path, port: u16, values_per_tag: u32) -> PathBuf {
    let (path, folder) = (folder.join("influxdb.conf"), folder.display());
    let config = format!(
        "reporting-disabled = true\n\
         bind-address = \"127.0.0.1:{}\"\n\
         [meta]\n dir = \"{folder}/meta\"\n\
         [data]\n dir = \"{folder}/data\"\n wal-dir = \"{folder}/wal\"\n query-log-enabled = false\n \
         max-values-per-tag = {values_per_tag}\n\
         [monitor]\n store-enabled = false\n\
         [http]\n bind-address = \"127.0.0.1:{port}\"\n log-enabled = false\n\
         [logging]\n level = \"error\"\n suppress-logo = true\n",
        free_port()
    );
    std::fs::write(&path, config).expect("the folder can be written");
    path
}

//! A server of other people on a port and with files of the test's own.

use std::net::{Ipv4Addr, TcpStream};
use std::process::Command;
use std::time::Duration;

use reqwest::Url;
use tempfile::TempDir;

use super::{ChildGuard, free_port, wait_until};

/// Makes the program's command for a folder and a port.
type MakeCommand = dyn Fn(&TempDir, u16) -> Command + Send + Sync;

/// It ends with the value.
pub(crate) struct OwnServer {
    name: &'static str,
    /// How it is started, with its folder and its port.
    command: Box<MakeCommand>,
    folder: TempDir,
    port: u16,
    child: Option<ChildGuard>,
}

impl OwnServer {
    /// Starts it, and waits until it answers.
    pub(crate) fn start(
        name: &'static str,
        command: impl Fn(&TempDir, u16) -> Command + Send + Sync + 'static,
    ) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the server");
        let mut server = Self { name, command: Box::new(command), folder, port: 0, child: None };
        // A port can be taken between being found and being used.
        for _ in 0..5 {
            server.port = free_port();
            if server.run() {
                return server;
            }
        }
        panic!("{name} did not start; its log may be on standard error");
    }

    /// Whether it answers.
    fn run(&mut self) -> bool {
        let child = (self.command)(&self.folder, self.port).spawn();
        let mut child = ChildGuard(child.unwrap_or_else(|fault| panic!("{}: {fault}", self.name)));
        let up = wait_until(&format!("{} to answer", self.name), Duration::from_secs(60), || {
            if TcpStream::connect((Ipv4Addr::LOCALHOST, self.port)).is_ok() {
                return Some(true);
            }
            child.0.try_wait().expect("a child can be asked").map(|_| false)
        });
        self.child = Some(child);
        up
    }

    /// Kills it, as a power cut does; its files stay.
    pub(crate) fn kill(&mut self) {
        self.child = None;
    }

    /// Starts it again with its files, on the same port.
    pub(crate) fn restart(&mut self) {
        assert!(self.run(), "{} did not come back", self.name);
    }

    pub(crate) fn url(&self, rest: &str) -> Url {
        Url::parse(&format!("http://127.0.0.1:{}/{rest}", self.port)).expect("a good address")
    }

    /// Writes lines as another program would.
    pub(crate) async fn write(&self, url: Url, lines: &str) {
        let response = client().post(url).body(lines.to_owned()).send().await.expect("it answers");
        assert!(response.status().is_success(), "{}: {}", self.name, response.status());
    }

    /// What it answers to a question.
    pub(crate) async fn ask(&self, request: reqwest::RequestBuilder) -> String {
        let response = request.send().await.expect("it answers");
        let status = response.status();
        let text = response.text().await.expect("the whole answer");
        assert!(status.is_success(), "{}: {status}: {text}", self.name);
        text
    }
}

/// Asks what is on this computer.
pub(crate) fn client() -> reqwest::Client {
    let _ = rustls::crypto::ring::default_provider().install_default();
    reqwest::Client::builder().no_proxy().build().expect("a client")
}

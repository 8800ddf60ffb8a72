//! A real Mosquitto for one test, on a free loopback port, in a folder of its
//! own.

use std::fs;
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use super::{ChildGuard, free_port, program, wait_until};

/// A broker that ends with the test.
pub(crate) struct Mosquitto {
    port: u16,
    config: PathBuf,
    child: Option<ChildGuard>,
    folder: tempfile::TempDir,
}

impl Mosquitto {
    /// Starts a broker that takes anyone and keeps sessions on disk.
    pub(crate) fn start() -> Self {
        Self::start_with("allow_anonymous true\nmax_queued_messages 0\n")
    }

    /// Starts a broker with `lines` added to its configuration, all of which
    /// must be broker-wide.
    pub(crate) fn start_with(lines: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the broker");
        let port = free_port();
        let config = folder.path().join("mosquitto.conf");
        let data = folder.path().display();
        // It drops to the user mosquitto when started by root and could then
        // not write here.
        let user = if is_root() { "user root\n" } else { "" };
        let text = format!(
            "{user}{lines}\npersistence true\npersistence_location {data}/\nlistener {port} 127.0.0.1\n"
        );
        fs::write(&config, text).expect("the broker's configuration can be written");
        let mut broker = Self { port, config, child: None, folder };
        broker.start_again();
        broker
    }

    /// Starts it after [`Self::stop`] or [`Self::kill`], with the sessions that
    /// it kept, on the same port.
    pub(crate) fn start_again(&mut self) {
        let log = fs::File::create(self.log()).expect("the broker's log can be written");
        let child = Command::new(program("mosquitto"))
            .arg("-v")
            .arg("-c")
            .arg(&self.config)
            .stdin(Stdio::null())
            .stdout(log.try_clone().expect("a second handle to the log"))
            .stderr(log)
            .spawn()
            .expect("mosquitto can be started");
        let mut child = ChildGuard(child);
        let port = self.port;
        let log = self.log();
        wait_until("mosquitto to listen", Duration::from_secs(20), || {
            if let Some(ended) = child.0.try_wait().expect("the broker is our child") {
                panic!("mosquitto ended with {ended}:\n{}", fs::read_to_string(&log).unwrap_or_default());
            }
            TcpStream::connect(("127.0.0.1", port)).ok()
        });
        self.child = Some(child);
    }

    /// Ends it as `systemctl stop` does: it writes its sessions first.
    pub(crate) fn stop(&mut self) {
        let Some(mut child) = self.child.take() else { return };
        let asked = Command::new("kill").arg(child.0.id().to_string()).status();
        assert!(asked.is_ok_and(|status| status.success()), "mosquitto can be asked to end");
        wait_until("mosquitto to end", Duration::from_secs(20), || child.0.try_wait().ok().flatten());
    }

    /// Ends it as a power cut does.
    pub(crate) fn kill(&mut self) {
        self.child = None;
    }

    pub(crate) fn port(&self) -> u16 {
        self.port
    }

    pub(crate) fn url(&self) -> String {
        format!("mqtt://127.0.0.1:{}", self.port)
    }

    /// What it logged since its last start.
    pub(crate) fn log(&self) -> PathBuf {
        self.folder.path().join("log")
    }

    /// The folder with its configuration, log and kept sessions.
    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }
}

fn is_root() -> bool {
    let id = Command::new("id").arg("-u").output();
    id.is_ok_and(|id| id.stdout.trim_ascii() == b"0")
}

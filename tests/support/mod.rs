//! What the tests share: programs that end with the test, free ports, waiting
//! for a state.

#![allow(dead_code, unreachable_pub, reason = "each test file uses a part of it")]

pub(crate) mod browser;
pub(crate) mod daemon;
pub(crate) mod flow;
pub(crate) mod forwarding;
pub(crate) mod garden;
pub(crate) mod hooks;
pub(crate) mod http;
pub(crate) mod imports;
pub(crate) mod influx;
pub(crate) mod keeper;
pub(crate) mod line;
pub(crate) mod listener;
pub(crate) mod locale;
pub(crate) mod month;
pub(crate) mod mosquitto;
pub(crate) mod outlook_score;
pub(crate) mod people;
pub(crate) mod plain_words;
pub(crate) mod post;
pub(crate) mod proxy;
pub(crate) mod rows;
pub(crate) mod run;
pub(crate) mod school;
pub mod score;
pub(crate) mod sender;
pub(crate) mod server;
pub(crate) mod simulator;
pub(crate) mod smtp;
pub(crate) mod smtp_faulty;
pub(crate) mod smtp_messages;
pub(crate) mod source;
pub(crate) mod telling;
pub(crate) mod told;
pub(crate) mod told_table;
pub(crate) mod victoria;
pub(crate) mod views;

use std::net::TcpListener;
use std::path::PathBuf;
use std::process::Child;
use std::thread::sleep;
use std::time::{Duration, Instant};

/// A loopback port that was free a moment ago. Another program may take it
/// before it is used: start the server again with another port then.
pub(crate) fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a loopback port can be bound");
    listener.local_addr().expect("a bound listener has an address").port()
}

/// A program that is killed and waited for when the test ends, also by panic.
pub(crate) struct ChildGuard(pub(crate) Child);

impl Drop for ChildGuard {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Asks `probe` again and again until it gives something.
///
/// # Panics
/// When `limit` has passed; `what` says what was waited for.
pub(crate) fn wait_until<T>(what: &str, limit: Duration, mut probe: impl FnMut() -> Option<T>) -> T {
    let deadline = Instant::now() + limit;
    loop {
        if let Some(found) = probe() {
            return found;
        }
        assert!(Instant::now() < deadline, "waited {limit:?} for {what}");
        sleep(Duration::from_millis(20));
    }
}

/// Where a program is that a test needs.
///
/// # Panics
/// When it is not installed. A missing program fails the test: a skipped test
/// would look like a passed one.
pub(crate) fn program(name: &str) -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    // Debian keeps servers in sbin, which an ordinary user's PATH leaves out.
    let folders = std::env::split_paths(&path).chain([PathBuf::from("/usr/sbin")]);
    folders.map(|folder| folder.join(name)).find(|file| file.is_file()).unwrap_or_else(|| {
        panic!("{name} is not installed: run tests/run once, it installs what the tests need")
    })
}

//! The program's parts; the simulation itself is the library.

pub(crate) mod broker;
pub(crate) mod delay;
pub(crate) mod echo;
pub(crate) mod load;
pub(crate) mod publish;
pub(crate) mod run;
pub(crate) mod sink;

use std::path::Path;

use anyhow::Context;

/// The input or the command line is wrong: exit code 2.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub(crate) struct Refused(pub(crate) String);

/// The text of a file that the user named.
pub(crate) fn read(path: &Path) -> anyhow::Result<String> {
    std::fs::read_to_string(path).map_err(|e| Refused(format!("reading {}: {e}", path.display())).into())
}

/// One thread that does all the waiting.
pub(crate) fn runtime() -> anyhow::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_current_thread().enable_all().build().context("starting the runtime")
}

/// Waits for SIGINT or SIGTERM.
pub(crate) async fn stop() -> std::io::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    tokio::select! {
        done = tokio::signal::ctrl_c() => done,
        _ = terminate.recv() => Ok(()),
    }
}

//! The log: to standard error, as text or as JSON lines.

use std::io::IsTerminal as _;

use tracing_subscriber::EnvFilter;

use crate::settings::{Log, LogFormat};

/// Starts the log. `None`: warnings only, for commands that speak to a person.
pub fn start(log: Option<Log>) {
    let level = log.map_or("warn", |l| l.level.name());
    // Libraries are quieter than we are; their own retries are told by us.
    let filter = EnvFilter::new(format!("{level},rumqttc=error,mqtt5=error,hyper=warn,reqwest=warn"));
    let lines =
        tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_target(false);
    // Colours are for a terminal: in a file or a pipe they are noise.
    let lines = if std::io::stderr().is_terminal() { lines } else { lines.with_ansi(false) };
    // Where the log's reader has gone, there is nobody to say that to.
    let lines = lines.log_internal_errors(false);
    match log.map(|l| l.format) {
        Some(LogFormat::Json) => lines.json().init(),
        Some(LogFormat::Text) | None => lines.init(),
    }
}

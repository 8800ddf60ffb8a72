//! The log: to standard error, as text or as JSON lines.

use std::io::IsTerminal as _;

use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::fmt;
use tracing_subscriber::layer::{Layer as _, SubscriberExt as _};
use tracing_subscriber::util::SubscriberInitExt as _;

use crate::settings::{Log, LogFormat, LogLevel};

/// Starts the log. `None`: warnings only, for commands that speak to a person.
pub fn start(log: Option<Log>) {
    let level = match log.map(|l| l.level) {
        Some(LogLevel::Error) => LevelFilter::ERROR,
        Some(LogLevel::Warn) | None => LevelFilter::WARN,
        Some(LogLevel::Info) => LevelFilter::INFO,
        Some(LogLevel::Debug) => LevelFilter::DEBUG,
        Some(LogLevel::Trace) => LevelFilter::TRACE,
    };
    // Libraries are quieter than we are; their own retries are told by us.
    let (quiet, quieter) = (LevelFilter::WARN, LevelFilter::ERROR);
    let levels = Targets::new().with_default(level).with_targets([
        ("rumqttc", quieter),
        ("mqtt5", quieter),
        ("hyper", quiet),
        ("reqwest", quiet),
    ]);
    // Colours are for a terminal: in a file or a pipe they are noise. Where the log's reader
    // has gone, there is nobody to say that to.
    let lines = fmt::layer()
        .with_writer(std::io::stderr)
        .with_target(false)
        .with_ansi(std::io::stderr().is_terminal())
        .log_internal_errors(false);
    let lines = match log.map(|l| l.format) {
        Some(LogFormat::Json) => lines.json().boxed(),
        Some(LogFormat::Text) | None => lines.boxed(),
    };
    tracing_subscriber::registry().with(lines.with_filter(levels)).init();
}

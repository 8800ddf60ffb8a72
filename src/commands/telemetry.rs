//! The log: to standard error, as text or as JSON lines.

use tracing_subscriber::EnvFilter;

use crate::settings::{Log, LogFormat};

/// Starts the log. `None`: warnings only, for commands that speak to a person.
pub fn start(log: Option<Log>) {
    let level = log.map_or("warn", |l| l.level.name());
    // Libraries are quieter than we are; their own retries are told by us.
    let filter = EnvFilter::new(format!("{level},rumqttc=error,mqtt5=error,hyper=warn,reqwest=warn"));
    let lines =
        tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_target(false);
    match log.map(|l| l.format) {
        Some(LogFormat::Json) => lines.json().init(),
        Some(LogFormat::Text) | None => lines.init(),
    }
}

//! `trug run`: the daemon.

use anyhow::Context as _;
use clap::builder::{PossibleValuesParser, TypedValueParser};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tracing::info;

use super::exit::Exit;
use super::{daemon, telemetry};
use crate::engine::Engine;
use crate::garden::Clock;
use crate::settings::Settings;

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct Run {
    /// What moves a garden's time on: the arrival of readings, or their own times (for simulations)
    #[arg(long, default_value = "arrival", value_parser = clock_parser())]
    clock: Clock,
}

fn clock_parser() -> impl TypedValueParser<Value = Clock> {
    PossibleValuesParser::new(["arrival", "readings"])
        .map(|name| if name == "readings" { Clock::Readings } else { Clock::Arrival })
}

/// Runs until SIGINT or SIGTERM.
///
/// # Errors
/// When the store or the page's address cannot be opened, or a part ends early.
pub async fn run(settings: Settings, it: Run) -> anyhow::Result<Exit> {
    telemetry::start(Some(settings.log));
    let keeper = Engine::open(&settings, it.clock).context("opening the store")?;
    let listener = match &settings.page {
        Some(page) => Some(
            TcpListener::bind(page.listen)
                .await
                .with_context(|| format!("opening the page at {}", page.listen))?,
        ),
        None => None,
    };
    let stop = CancellationToken::new();
    let on_signal = stop.clone();
    tokio::spawn(async move {
        stop_signal().await;
        info!("stopping");
        on_signal.cancel();
    });
    info!(
        gardens = settings.gardens.len(),
        sensors = settings.gardens.iter().map(|g| g.sensors.len()).sum::<usize>(),
        store = %settings.store.path.display(),
        "trug is running"
    );
    daemon::run(settings, keeper, listener, None, stop).await?;
    Ok(Exit::Yes)
}

/// Waits for SIGINT or SIGTERM.
pub async fn stop_signal() {
    let mut terminate = match tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()) {
        Ok(signal) => signal,
        Err(error) => {
            tracing::warn!(%error, "SIGTERM cannot be listened for; only Ctrl-C stops in order");
            let _ = tokio::signal::ctrl_c().await;
            return;
        }
    };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        _ = terminate.recv() => {}
    }
}

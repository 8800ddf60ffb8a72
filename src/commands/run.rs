//! `trug run`: the daemon.

use anyhow::Context as _;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tracing::info;

use super::daemon;
use crate::engine::Keeper;
use crate::garden::Clock;
use crate::settings::Settings;

/// Runs until SIGINT or SIGTERM.
///
/// # Errors
/// When the store or the page's address cannot be opened, or a part ends early.
pub async fn run(settings: Settings, clock: Clock) -> anyhow::Result<()> {
    let keeper = Keeper::open(&settings, clock).context("opening the store")?;
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
    daemon::run(settings, keeper, listener, None, stop).await
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

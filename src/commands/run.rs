//! `trug run`: the daemon.

use std::path::Path;

use anyhow::Context as _;
use clap::builder::{PossibleValuesParser, TypedValueParser};
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;
use tracing::info;

use super::daemon::card::{DaemonCard, HeldCard};
use super::daemon::reload::Reloads;
use super::daemon::standby::open_when_free;
use super::exit::Exit;
use super::{daemon, telemetry};
use crate::engine::{Engine, TellingClock, system_now};
use crate::garden::Clock;
use crate::settings::Settings;

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct Run {
    /// What moves a garden's time on: the arrival of readings, or their own times; simulated: people
    /// are told by the readings' times as well
    #[arg(long, default_value = "arrival", value_parser = clock_parser())]
    clock: DaemonClock,

    /// Wait while another daemon has the record, and take its place when it ends
    #[arg(long)]
    standby: bool,
}

/// What moves time on.
#[derive(Clone, Copy, Debug)]
struct DaemonClock {
    garden: Clock,
    /// Whether people are told by the garden's time.
    simulated: bool,
}

fn clock_parser() -> impl TypedValueParser<Value = DaemonClock> {
    PossibleValuesParser::new(["arrival", "readings", "simulated"]).map(|name| DaemonClock {
        garden: if name == "arrival" { Clock::Arrival } else { Clock::Readings },
        simulated: name == "simulated",
    })
}

/// Runs until SIGINT or SIGTERM. At SIGHUP `config`, from which `settings` were read, is read again.
///
/// # Errors
/// When the store or the page's address cannot be opened, or a part ends early.
pub async fn run(settings: Settings, config: &Path, it: Run) -> anyhow::Result<Exit> {
    telemetry::start(Some(settings.log));
    let stop = CancellationToken::new();
    let on_signal = stop.clone();
    let ends = async move {
        stop_signal().await;
        info!("stopping");
        on_signal.cancel();
    };
    let (settings, mut keeper) = if it.standby {
        tokio::spawn(ends);
        match open_when_free(settings, config, it.clock.garden, &stop).await? {
            Some(opened) => opened,
            None => return Ok(Exit::Yes),
        }
    } else {
        let keeper = Engine::open(&settings, it.clock.garden).context("opening the store")?;
        tokio::spawn(ends);
        (settings, keeper)
    };
    if it.clock.simulated {
        keeper.telling_clock = TellingClock::simulated();
    }
    let listener = match &settings.page {
        Some(page) => Some(
            TcpListener::bind(page.listen)
                .await
                .with_context(|| format!("opening the page at {}", page.listen))?,
        ),
        None => None,
    };
    // Listened for before anything is said to run: the system's own answer ends a program.
    let hangup = signal(SignalKind::hangup()).context("listening for SIGHUP")?;
    let card = DaemonCard {
        process: std::process::id(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        started: system_now().to_string(),
        configuration: config.display().to_string(),
        begun: 0,
        ended: 0,
        outcome: None,
    };
    let card =
        HeldCard::hold(&settings.store.path, card).context("writing the daemon's file beside the record")?;
    let reloads = Reloads { config: config.to_path_buf(), hangup, card, clock: it.clock.garden };
    info!(
        gardens = settings.gardens.len(),
        sensors = settings.gardens.iter().map(|g| g.sensors.len()).sum::<usize>(),
        store = %settings.store.path.display(),
        go_on = keeper.goes_on(),
        "trug is running"
    );
    daemon::run(settings, keeper, listener, None, Some(reloads), stop).await?;
    Ok(Exit::Yes)
}

/// Waits for SIGINT or SIGTERM.
pub async fn stop_signal() {
    let mut terminate = match signal(SignalKind::terminate()) {
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

//! What the service manager is told: that the daemon is ready, that it goes round,
//! that it stops, and how it does in one line.
//!
//! `WATCHDOG=1` goes out only if the engine has gone round since the last look. While
//! the store refuses to be written the engine goes round trying, and tells of it by
//! an alarm: starting it again would mend nothing. A write that hangs in the disk
//! lets it go round no more, and nobody else can tell from inside; then the manager
//! starts the daemon again. The word comes from a task of the runtime, so that a
//! runtime that no longer runs is noticed as well.
//!
//! Source: systemd's `sd_notify(3)`, `systemd.service(5)`.

use std::io;
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use sd_notify::NotifyState;
use tokio_util::sync::CancellationToken;
use tracing::warn;

use crate::engine::daemon_health::{DaemonHealth, HealthFault};

/// Looks within one of the manager's intervals. It is to hear from us at least every
/// half of it; the engine goes round every two seconds.
const LOOKS: u32 = 8;
/// Between two looks where no interval is asked for, and the shortest one.
const LOOK_LONGEST: Duration = Duration::from_secs(5);
const LOOK_SHORTEST: Duration = Duration::from_millis(100);
/// How long the manager may take to take a word.
const PATIENCE: Duration = Duration::from_secs(5);

/// Takes what is told to the service manager.
pub type ToManager = Arc<dyn Fn(&[NotifyState<'_>]) -> io::Result<()> + Send + Sync>;

/// Who has started us.
#[derive(Clone)]
pub struct ServiceManager {
    /// How often it wants to hear that we are alive; `None`: it does not ask.
    pub watchdog: Option<Duration>,
    pub tell: ToManager,
}

impl ServiceManager {
    /// The one that the environment names (`NOTIFY_SOCKET`, `WATCHDOG_USEC`); where it
    /// names none, what is told goes nowhere.
    pub fn from_environment() -> Self {
        Self {
            watchdog: sd_notify::watchdog_enabled().filter(|it| !it.is_zero()),
            tell: Arc::new(sd_notify::notify),
        }
    }

    /// Tells that the configuration is read again, and when that began.
    pub async fn say_reloading(&self) {
        let began = NotifyState::monotonic_usec_now();
        let states = [Some(NotifyState::Reloading), began.ok()];
        self.say(&states.into_iter().flatten().collect::<Vec<_>>()).await;
    }

    /// Tells that it is ready again after [`ServiceManager::say_reloading`].
    pub async fn say_ready(&self) {
        self.say(&[NotifyState::Ready]).await;
    }

    /// Tells that it is ready to take another's place.
    pub async fn say_standing_by(&self) {
        let waits = "standing by: another daemon has the record";
        self.say(&[NotifyState::Ready, NotifyState::Status(waits)]).await;
    }

    /// Tells that it is alive, where that is asked for.
    pub async fn say_alive(&self) {
        if self.watchdog.is_some() {
            self.say(&[NotifyState::Watchdog]).await;
        }
    }

    async fn say(&self, states: &[NotifyState<'_>]) {
        let lines: Vec<String> = states.iter().map(ToString::to_string).collect();
        let tell = Arc::clone(&self.tell);
        // A manager that does not read blocks the task that tells it.
        let telling = tokio::task::spawn_blocking(move || {
            let states: Vec<NotifyState<'_>> = lines.iter().map(|it| NotifyState::Custom(it)).collect();
            tell(&states)
        });
        match tokio::time::timeout(PATIENCE, telling).await {
            Ok(Ok(Ok(()))) => {}
            Ok(Ok(Err(error))) => warn!(%error, "the service manager could not be told how it goes"),
            Ok(Err(error)) => warn!(%error, "the service manager could not be told how it goes"),
            Err(_) => warn!("the service manager took nothing for {PATIENCE:?}"),
        }
    }
}

/// Tells the manager until `stop`. `well` is the line for when nothing is the matter.
pub async fn run(
    manager: ServiceManager,
    daemon_health: Arc<DaemonHealth>,
    well: String,
    stop: CancellationToken,
) {
    let wait = manager.watchdog.map_or(LOOK_LONGEST, |it| (it / LOOKS).clamp(LOOK_SHORTEST, LOOK_LONGEST));
    let mut ready = false;
    let mut seen = 0;
    let mut line = String::new();
    loop {
        let rounds = daemon_health.pulse.rounds();
        let mut states = Vec::new();
        if rounds != seen {
            seen = rounds;
            if !std::mem::replace(&mut ready, true) {
                states.push(NotifyState::Ready);
            }
            if manager.watchdog.is_some() {
                states.push(NotifyState::Watchdog);
            }
        }
        let faults = daemon_health.faults();
        let newer = daemon_health.well.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let well = newer.as_ref().unwrap_or(&well);
        let now = if faults.is_empty() {
            well.clone()
        } else {
            faults.iter().map(HealthFault::whole).collect::<Vec<_>>().join(" ")
        };
        if ready && now != line {
            states.push(NotifyState::Status(&now));
            line.clone_from(&now);
        }
        if !states.is_empty() {
            manager.say(&states).await;
        }
        let wait = if ready { wait } else { LOOK_SHORTEST };
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            () = stop.cancelled() => break,
        }
    }
    manager.say(&[NotifyState::Stopping, NotifyState::Status("storing what has come, then stopping")]).await;
}

//! A second daemon, which waits until the first one ends and takes its place.
//!
//! The lock beside the record is the lease. The system lets go of it when the process that
//! holds it ends, however it ends, and not before: a daemon that hangs in its disk may still
//! write, so nobody takes over from it until its service manager has ended it. Two never
//! write one record. What the first had not stored the broker brings to the second, which
//! comes under the same client id and so to the same session.

use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use tokio_util::sync::CancellationToken;
use tracing::{error, info};

use crate::engine::Engine;
use crate::engine::watchdog::ServiceManager;
use crate::garden::Clock;
use crate::settings::{self, Settings};
use crate::store::{StoreError, is_in_use};

/// Between two looks at the lock.
const LOOK: Duration = Duration::from_millis(500);

/// Opens the record at once or when no other daemon has it any more, with the configuration
/// as it is then; `None` where `stop` came first.
///
/// # Errors
/// When the record cannot be opened for another reason.
pub async fn open_when_free(
    mut settings: Settings,
    config: &Path,
    clock: Clock,
    stop: &CancellationToken,
) -> anyhow::Result<Option<(Settings, Engine)>> {
    let manager = ServiceManager::from_environment();
    let mut waited = false;
    loop {
        if !is_in_use(&settings.store.path)? {
            if waited {
                settings = as_it_is_now(settings, config);
            }
            match Engine::open(&settings, clock) {
                // Another one that waits was faster.
                Err(StoreError::Locked { .. }) => {}
                opened => return Ok(Some((settings, opened.context("opening the store")?))),
            }
        }
        if !waited {
            waited = true;
            info!(store = %settings.store.path.display(), "another daemon has the record: standing by");
            manager.say_standing_by().await;
        }
        manager.say_alive().await;
        tokio::select! {
            () = stop.cancelled() => return Ok(None),
            () = tokio::time::sleep(LOOK) => {}
        }
    }
}

/// The configuration as its files are now. With faults in them the one goes on that was read
/// before, on the same record: somebody has to look after the gardens.
fn as_it_is_now(before: Settings, config: &Path) -> Settings {
    match settings::load(config, settings::variables()) {
        Ok(now) if now.store.path == before.store.path => now,
        Ok(_) => {
            error!(
                "the configuration names another record by now; the one that was read at the start goes on"
            );
            before
        }
        Err(faults) => {
            error!(
                "the configuration has faults by now; the one that was read at the start goes on\n{faults}"
            );
            before
        }
    }
}

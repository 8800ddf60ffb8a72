//! The demonstration's broker: in this process, in memory, on a free port.

use std::net::SocketAddr;

use anyhow::Context as _;
use mqtt5::broker::config::{StorageBackend, StorageConfig};
use mqtt5::broker::{BrokerConfig, BrokerShutdownHandle, MqttBroker};
use tokio::task::JoinHandle;

/// A running broker.
pub(super) struct LocalBroker {
    pub(super) address: SocketAddr,
    handle: BrokerShutdownHandle,
    task: JoinHandle<()>,
}

impl LocalBroker {
    /// Starts it on a free loopback port.
    pub(super) async fn start() -> anyhow::Result<Self> {
        // Its default storage would write a folder into the working directory.
        let storage = StorageConfig {
            backend: StorageBackend::Memory,
            enable_persistence: true,
            ..StorageConfig::default()
        };
        let config = BrokerConfig::default()
            .with_bind_address(SocketAddr::from(([127, 0, 0, 1], 0)))
            .with_sys_topics_enabled(false)
            .with_storage(storage);
        let mut broker =
            MqttBroker::with_config(config).await.context("starting the broker in this process")?;
        let address = broker.local_addr().context("the broker in this process has no address")?;
        let handle = broker.shutdown_handle();
        let mut ready = broker.ready_receiver();
        let task = tokio::spawn(async move {
            if let Err(error) = broker.run().await {
                tracing::error!(%error, "the broker in this process failed");
            }
        });
        ready.wait_for(|ready| *ready).await.context("the broker in this process did not start")?;
        Ok(Self { address, handle, task })
    }

    /// Ends it and waits until it has ended.
    pub(super) async fn stop(self) {
        self.handle.shutdown();
        let _ = tokio::time::timeout(std::time::Duration::from_secs(3), self.task).await;
    }
}

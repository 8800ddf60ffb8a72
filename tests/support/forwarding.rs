//! A store, its forwarder, and the writer that notes how far it has come.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use reqwest::Url;
use tempfile::TempDir;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use trug::deliver::forward::{self, Auth, ForwardPace, ForwardTarget};
use trug::engine::forward_troubles::ForwardTroubles;
use trug::garden::record::{Batch, Reading};
use trug::store::{ForwardProgress, Reader, Store, Transaction};

use super::garden::{only, probes};

/// The name of the one forwarder.
pub(crate) const NAME: &str = "school-influxdb";

pub(crate) struct Forwarding {
    folder: TempDir,
    store: Arc<Mutex<Store>>,
    pub(crate) reader: Reader,
    wake: watch::Sender<i64>,
    pub(crate) troubles: Arc<ForwardTroubles>,
    running: Option<(CancellationToken, JoinHandle<()>, JoinHandle<()>)>,
}

impl Forwarding {
    pub(crate) fn new(sensors: u32) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let path: PathBuf = folder.path().join("trug.db");
        let mut store = Store::open(&path, &[probes(sensors)]).expect("a new store");
        store.set_forwarders(&[NAME]).expect("a new store takes a name");
        let reader = Reader::open(&path).expect("it can be read");
        let (wake, _) = watch::channel(0);
        Self {
            folder,
            store: Arc::new(Mutex::new(store)),
            reader,
            wake,
            troubles: Arc::default(),
            running: None,
        }
    }

    /// A target with short waits.
    pub(crate) fn target(url: Url, batch: u32) -> ForwardTarget {
        ForwardTarget {
            name: NAME.to_owned(),
            url,
            auth: Auth::None,
            batch,
            timeout: Duration::from_secs(10),
            gzip: false,
            keep_back: Duration::ZERO,
            pace: ForwardPace {
                first: Duration::from_millis(5),
                most: Duration::from_millis(50),
                gather: Duration::ZERO,
            },
        }
    }

    /// Starts the forwarder.
    pub(crate) fn start(&mut self, target: ForwardTarget) {
        let (progress, mut positions) = mpsc::channel::<ForwardProgress>(4);
        let stop = CancellationToken::new();
        let store = Arc::clone(&self.store);
        let noting = tokio::spawn(async move {
            while let Some(position) = positions.recv().await {
                let empty = Batch::default();
                let noted = Transaction { forwarded: &[position], ..only(&empty) };
                store.lock().expect("no test panicked").commit(&noted).expect("the position is kept");
            }
        });
        let (reader, wake, stopped) = (self.reader.clone(), self.wake.subscribe(), stop.clone());
        let troubles = Arc::clone(&self.troubles);
        let running = tokio::spawn(async move {
            forward::run(target, reader, progress, wake, troubles, stopped)
                .await
                .expect("HTTP can be set up");
        });
        self.running = Some((stop, running, noting));
    }

    /// Ends the forwarder; what it has said is noted.
    pub(crate) async fn stop(&mut self) {
        let (stop, running, noting) = self.running.take().expect("it was started");
        stop.cancel();
        running.await.expect("it ends");
        noting.await.expect("it ends");
    }

    /// Stores readings and queues them.
    pub(crate) fn add(&self, readings: Vec<Reading>) {
        let batch = Batch { readings, ..Batch::default() };
        let transaction = Transaction { forward: true, ..only(&batch) };
        let committed =
            self.store.lock().expect("no test panicked").commit(&transaction).expect("they are kept");
        self.wake.send_replace(committed.last_forward.unwrap_or(0));
    }

    /// How far it has come, durably.
    pub(crate) fn position(&self) -> i64 {
        self.reader.forward_position(NAME).expect("it can be read")
    }

    /// Waits until it has come so far.
    pub(crate) async fn reached(&self, position: i64) {
        let wait = async {
            while self.position() < position {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        };
        let limit = Duration::from_secs(60);
        if tokio::time::timeout(limit, wait).await.is_err() {
            panic!("only at {} of {position} after {limit:?}", self.position());
        }
    }

    /// Where the store is.
    pub(crate) fn folder(&self) -> &std::path::Path {
        self.folder.path()
    }
}

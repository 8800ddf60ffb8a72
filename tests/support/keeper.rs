//! A keeper at work in the test's own process, with nothing around it.

use std::sync::Arc;
use std::thread::JoinHandle;

use jiff::Timestamp;
use tokio::runtime::Runtime;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;
use trug::engine::{DaemonHealth, Engine, Inbox, status_topic};
use trug::garden::system::health::SystemHealth;
use trug::intake::SessionFilters;
use trug::intake::session::{self, Delivery, Listening, Presence};
use trug::settings::Broker;

/// It is stopped and waited for when the test ends.
pub(crate) struct Running {
    pub(crate) runtime: Runtime,
    pub(crate) daemon_health: Arc<DaemonHealth>,
    pub(crate) stop: CancellationToken,
    look: mpsc::Sender<SystemHealth>,
    to_keeper: mpsc::Sender<Delivery>,
    /// Kept, so that nothing looks closed.
    _others: Box<dyn std::any::Any>,
    thread: Option<JoinHandle<()>>,
}

impl Running {
    pub(crate) fn start(keeper: Engine, now: fn() -> Timestamp) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .build()
            .expect("a runtime for the keeper");
        let daemon_health = Arc::new(DaemonHealth::default());
        let stop = CancellationToken::new();
        let (to_keeper, messages) = mpsc::channel(1);
        let (ask, requests) = mpsc::channel(1);
        let (sent, letters_sent) = mpsc::channel(1);
        let (position, forwarded) = mpsc::channel(1);
        let (outcome, tried) = mpsc::channel(1);
        let (look, looks) = mpsc::channel(1);
        let inbox = Inbox { messages, requests, letters_sent, forwarded, tried, looks };
        let (handle, with, until) = (runtime.handle().clone(), Arc::clone(&daemon_health), stop.clone());
        let thread = std::thread::spawn(move || keeper.run(&handle, inbox, &with, now, &until));
        let others = Box::new((to_keeper.clone(), ask, sent, position, outcome));
        Self { to_keeper, runtime, daemon_health, stop, look, _others: others, thread: Some(thread) }
    }

    /// Lets it listen to a broker, by the same clock.
    pub(crate) fn listen(&self, broker: Broker, site: &str, now: fn() -> Timestamp) {
        let presence = Presence { will_topic: status_topic(site), status_topics: vec![status_topic(site)] };
        let contact = Arc::clone(&self.daemon_health.broker);
        let (messages, stop) = (self.to_keeper.clone(), self.stop.child_token());
        self.runtime.spawn(async move {
            let (_tell, listening) = watch::channel(Listening { broker, presence });
            session::run(listening, SessionFilters::default(), Vec::new(), messages, now, contact, stop)
                .await;
        });
    }

    /// Gives it a look at itself, and waits until the one before was taken.
    pub(crate) fn look(&self, look: SystemHealth) {
        self.look.blocking_send(look).expect("the keeper runs");
    }

    /// Gives it a look at itself; whether there was room for one more.
    pub(crate) fn offer(&self, look: SystemHealth) -> bool {
        self.look.try_send(look).is_ok()
    }

    /// Stops it, and waits until it has ended.
    pub(crate) fn end(&mut self) {
        self.stop.cancel();
        if let Some(thread) = self.thread.take() {
            thread.join().expect("the keeper ends in order");
        }
    }
}

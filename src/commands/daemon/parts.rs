//! The parts of the daemon that are put together again when the configuration changes.

use std::future::Future;
use std::net::TcpListener as StdListener;
use std::sync::Arc;
use std::sync::atomic::AtomicI64;

use anyhow::Context as _;
use jiff::Timestamp;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

use super::views::KeeperViews;
use super::{EndedTask, GRACE, Tasks, channels, direct, older_record, rules, target};
use crate::commands::shared::answer_links;
use crate::deliver::channels::Channels;
use crate::deliver::worker::{self, DeliveryWorker, GiveUp};
use crate::deliver::{forward, mqtt};
use crate::engine::{DaemonHealth, Request, TellingClock, health, system_now};
use crate::garden::plan;
use crate::garden::system::health::SystemHealth;
use crate::page::{PageSetup, RecordReader};
use crate::settings::Settings;
use crate::store::{ForwardProgress, Reader, Tried};
use crate::telling::GivenUp;

/// What connects the parts with the keeper; it stays when they change.
pub(super) struct Wiring {
    pub(super) reader: Reader,
    pub(super) ask: mpsc::Sender<Request>,
    pub(super) tell_sent: mpsc::Sender<i64>,
    pub(super) tell_forwarded: mpsc::Sender<ForwardProgress>,
    pub(super) tell_tried: mpsc::Sender<(Tried, Option<GivenUp>)>,
    pub(super) give_look: mpsc::Sender<SystemHealth>,
    pub(super) wake_letters: watch::Receiver<i64>,
    pub(super) wake_forward: watch::Receiver<i64>,
    pub(super) wake_messages: watch::Receiver<i64>,
    pub(super) changed: watch::Receiver<u64>,
    pub(super) telling_clock: TellingClock,
    /// The last letter that the broker has.
    pub(super) acknowledged: Arc<AtomicI64>,
    pub(super) daemon_health: Arc<DaemonHealth>,
    /// It stays open while the page changes: who comes meanwhile waits for a moment.
    pub(super) listener: Option<StdListener>,
    pub(super) notice: Option<String>,
    pub(super) stop: CancellationToken,
}

/// Tasks that are stopped together.
pub(super) struct TaskPart {
    tasks: Tasks,
    stop: CancellationToken,
}

impl TaskPart {
    fn new(stop: &CancellationToken) -> Self {
        Self { tasks: Tasks::new(), stop: stop.child_token() }
    }

    fn start(&mut self, name: &'static str, work: impl Future<Output = ()> + Send + 'static) {
        self.tasks.start(name, work);
    }

    /// Stops it and waits for its end, for as long as the daemon's end may take.
    async fn stop(&mut self) {
        self.stop.cancel();
        // What is left goes with it.
        let _ = tokio::time::timeout(GRACE, self.tasks.end()).await;
    }
}

/// All parts.
pub(super) struct Parts {
    channels: Arc<Channels>,
    /// Letters, forwarders, what watches the daemon itself, and what tells past the store.
    senders: TaskPart,
    /// Those who bring messages to people.
    couriers: TaskPart,
    /// Once it is cancelled they begin with no further message.
    closing: CancellationToken,
    page: Option<TaskPart>,
}

impl Parts {
    /// # Errors
    /// When one could not be started.
    pub(super) fn start(wiring: &Wiring, settings: &Settings) -> anyhow::Result<Self> {
        let channels = Arc::new(channels(settings, answer_links(settings).map(Arc::new))?);
        let closing = CancellationToken::new();
        Ok(Self {
            senders: senders(wiring, settings, &channels),
            couriers: couriers(wiring, settings, &channels, &closing),
            closing,
            page: page(wiring, settings)?,
            channels,
        })
    }

    /// The ways by which people are told.
    pub(super) fn channels(&self) -> Arc<Channels> {
        Arc::clone(&self.channels)
    }

    /// Lets those who bring messages to people end what is under way: a message that is half sent
    /// would be sent again.
    pub(super) async fn close_couriers(&mut self) {
        self.closing.cancel();
        let _ = tokio::time::timeout(GRACE, self.couriers.tasks.end()).await;
        self.couriers.stop().await;
    }

    /// Starts those who bring messages to people again, by other ways or by the same.
    pub(super) fn reopen_couriers(&mut self, wiring: &Wiring, settings: &Settings, channels: Arc<Channels>) {
        self.channels = channels;
        self.closing = CancellationToken::new();
        self.couriers = couriers(wiring, settings, &self.channels, &self.closing);
    }

    /// Goes over to what `settings` say, all but those who bring messages to people.
    pub(super) async fn renew(&mut self, wiring: &Wiring, settings: &Settings) -> anyhow::Result<()> {
        self.senders.stop().await;
        self.senders = senders(wiring, settings, &self.channels);
        let next = page(wiring, settings)?;
        if let Some(mut before) = std::mem::replace(&mut self.page, next) {
            // It answers what it has begun to answer beside the new one.
            before.stop.cancel();
            tokio::spawn(async move { before.stop().await });
        }
        Ok(())
    }

    /// Waits until a task ends by itself.
    pub(super) async fn one_ends(&mut self) -> EndedTask {
        let page = async {
            match &mut self.page {
                Some(page) => page.tasks.0.join_next().await,
                None => None,
            }
        };
        tokio::select! {
            Some(ended) = self.senders.tasks.0.join_next() => ended,
            Some(ended) = self.couriers.tasks.0.join_next() => ended,
            Some(ended) = page => ended,
            else => std::future::pending().await,
        }
    }

    /// Waits until all have ended.
    pub(super) async fn end(&mut self) {
        self.senders.tasks.end().await;
        self.couriers.tasks.end().await;
        if let Some(page) = &mut self.page {
            page.tasks.end().await;
        }
    }
}

fn senders(wiring: &Wiring, settings: &Settings, channels: &Arc<Channels>) -> TaskPart {
    let mut part = TaskPart::new(&wiring.stop);
    let (reader, health) = (&wiring.reader, &wiring.daemon_health);
    let letters = mqtt::run(
        settings.broker.clone(),
        settings.gardens.clone().into(),
        reader.clone(),
        wiring.tell_sent.clone(),
        wiring.wake_letters.clone(),
        Arc::clone(&wiring.acknowledged),
        part.stop.clone(),
    );
    part.start("letters", letters);

    for forward in &settings.forward {
        let (target, tell, wake) =
            (target(forward), wiring.tell_forwarded.clone(), wiring.wake_forward.clone());
        let troubles = Arc::clone(&health.forwarding);
        let forwarding = forward::run(target, reader.clone(), tell, wake, troubles, part.stop.clone());
        part.tasks.start_fallible("forwarding", async { Ok(forwarding.await?) });
    }

    let watching = health::run(
        settings.watch,
        health::names(&settings.gardens),
        reader.clone(),
        Arc::clone(&health.forwarding),
        wiring.give_look.clone(),
        system_now,
        part.stop.clone(),
    );
    part.start("watching", watching);

    let past_the_store = direct::Direct {
        channels: Arc::clone(channels),
        broker: settings.broker.clone(),
        daemon_health: Arc::clone(health),
        now: system_now,
    };
    part.start("telling past the store", direct::run(past_the_store, part.stop.clone()));
    part
}

fn couriers(
    wiring: &Wiring,
    settings: &Settings,
    channels: &Arc<Channels>,
    closing: &CancellationToken,
) -> TaskPart {
    let mut part = TaskPart::new(&wiring.stop);
    for kind in plan::Channel::ALL {
        let (telling, clock) = (settings.telling, wiring.telling_clock.clone());
        let worker = DeliveryWorker {
            kind,
            by: Arc::clone(channels),
            source: wiring.reader.clone(),
            give_up: GiveUp { after: telling.give_up, urgent_after: telling.give_up_high },
            pace: worker::WorkerPace::default(),
            now: Box::new(move || -> Timestamp { clock.now(system_now()) }),
        };
        let (tell, wake) = (wiring.tell_tried.clone(), wiring.wake_messages.clone());
        let work = worker::run(worker, tell, wake, closing.clone(), part.stop.clone());
        part.start("courier", work);
    }
    part
}

fn page(wiring: &Wiring, settings: &Settings) -> anyhow::Result<Option<TaskPart>> {
    let Some(listener) = &wiring.listener else { return Ok(None) };
    let listener = listener.try_clone().and_then(TcpListener::from_std).context("the page's listener")?;
    let mut part = TaskPart::new(&wiring.stop);
    let views = KeeperViews {
        requests: wiring.ask.clone(),
        reader: wiring.reader.clone(),
        daemon_health: Arc::clone(&wiring.daemon_health),
        gardens: settings.gardens.clone().into(),
        figures: Arc::default(),
        last: Arc::default(),
        links: answer_links(settings).map(Arc::new),
        now: system_now,
        changed: wiring.changed.clone(),
    };
    let gardens: Vec<_> = settings.gardens.iter().cloned().map(Arc::new).collect();
    let older = settings.older_readings.as_ref().map(older_record).transpose()?;
    let record = RecordReader::new(wiring.reader.clone(), gardens.into()).with_older(older);
    let (notice, garden_files) = (wiring.notice.clone(), settings.garden_files.clone());
    let setup = PageSetup { views, record, rules: rules(settings), notice, garden_files };
    let serving = crate::page::serve(listener, setup, part.stop.clone());
    part.tasks.start_fallible("page", async { serving.await.context("serving the page") });
    Ok(Some(part))
}

//! The daemon put together: intake, keeper, letters, forwarders and page.

pub mod direct;
mod views;

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use tracing::warn;

use self::views::KeeperViews;
use crate::answering::Links;
use crate::commands::shared::answer_links;
use crate::deliver::channel::AnswerLinks;
use crate::deliver::channels::Channels;
use crate::deliver::forward::{self, Auth, ForwardPace, ForwardTarget};
use crate::deliver::mqtt;
use crate::deliver::worker::{self, DeliveryWorker, GiveUp};
use crate::engine::{DaemonHealth, Engine, Inbox, answer_topic, health, status_topic, system_now, watchdog};
use crate::garden::plan;
use crate::intake::session::{self, Presence};
use crate::page::access::Rules;
use crate::page::{PageSetup, RecordReader};
use crate::settings::{Broker, Forward, ForwardAuth, Settings};
use crate::store::{Reader, Tried};
use crate::telling::GivenUp;

/// How long tasks may take to end once they are told.
const GRACE: Duration = Duration::from_secs(10);
/// Messages at QoS 0 that may wait beside those at QoS 1.
const ROOM_QOS0: usize = 1000;

/// Runs everything until `stop` or until a part ends by itself, which is a fault.
///
/// `listener` is the page's; `notice` stands at the top of it.
///
/// # Errors
/// When a part could not be started or ended early.
pub async fn run(
    settings: Settings,
    keeper: Engine,
    listener: Option<TcpListener>,
    notice: Option<String>,
    stop: CancellationToken,
) -> anyhow::Result<()> {
    let room = usize::from(settings.broker.receive_maximum) + ROOM_QOS0;
    let (to_keeper, messages) = mpsc::channel(room);
    let (ask, requests) = mpsc::channel(256);
    let (tell_sent, letters_sent) = mpsc::channel(1024);
    let (tell_forwarded, forwarded) = mpsc::channel(256);
    let (tell_tried, tried) = mpsc::channel(256);
    let (give_look, looks) = mpsc::channel(1);
    let daemon_health = Arc::new(DaemonHealth::default());
    let reader = keeper.reader().context("opening the store for reading")?;
    let (wake_letters, wake_forward) = (keeper.wake_letters.subscribe(), keeper.wake_forward.subscribe());

    let links = answer_links(&settings).map(Arc::new);
    let mut tasks = Tasks::new();

    let contact = Arc::clone(&daemon_health.broker);
    let listened = listened(&settings);
    let kept = keeper.received().context("reading which messages may come again")?;
    let intake =
        session::run(listened, presence(&settings), kept, to_keeper, system_now, contact, stop.child_token());
    tasks.start("intake", intake);

    let broker = settings.broker.clone();
    let gardens = settings.gardens.clone().into();
    let letters = mqtt::run(broker, gardens, reader.clone(), tell_sent, wake_letters, stop.child_token());
    tasks.start("letters", letters);

    for forward in &settings.forward {
        let (target, tell, wake) = (target(forward), tell_forwarded.clone(), wake_forward.clone());
        let troubles = Arc::clone(&daemon_health.forwarding);
        let forwarding = forward::run(target, reader.clone(), tell, wake, troubles, stop.child_token());
        tasks.start_fallible("forwarding", async { Ok(forwarding.await?) });
    }
    drop(tell_forwarded);

    let channels = Arc::new(channels(&settings, links.clone())?);
    Workers { settings: &settings, reader: &reader, tell_tried, keeper: &keeper, stop: &stop }
        .start_all(&channels, &mut tasks);

    let names = health::names(&settings.gardens);
    let watching = health::run(
        settings.watch,
        names,
        reader.clone(),
        Arc::clone(&daemon_health.forwarding),
        give_look,
        system_now,
        stop.child_token(),
    );
    tasks.start("watching", watching);

    let broker = settings.broker.clone();
    let past_the_store =
        direct::Direct { channels, broker, daemon_health: Arc::clone(&daemon_health), now: system_now };
    tasks.start("telling past the store", direct::run(past_the_store, stop.child_token()));

    let manager = watchdog::ServiceManager::from_environment();
    let managed = watchdog::run(manager, Arc::clone(&daemon_health), well(&settings), stop.child_token());
    tasks.start("service manager", managed);

    if let Some(listener) = listener {
        let views = KeeperViews {
            requests: ask.clone(),
            reader: reader.clone(),
            daemon_health: Arc::clone(&daemon_health),
            gardens: settings.gardens.clone().into(),
            figures: Arc::default(),
            last: Arc::default(),
            links,
            now: system_now,
            changed: keeper.wake_page.subscribe(),
        };
        let gardens: Vec<_> = settings.gardens.iter().cloned().map(Arc::new).collect();
        let record = RecordReader::new(reader, gardens.into());
        let garden_files = settings.garden_files.clone();
        let page = PageSetup { views, record, rules: rules(&settings), notice, garden_files };
        let page = crate::page::serve(listener, page, stop.child_token());
        tasks.start_fallible("page", async { page.await.context("serving the page") });
    }

    let inbox = Inbox { messages, requests, letters_sent, forwarded, tried, looks };
    let (runtime, keeper_stop) = (tokio::runtime::Handle::current(), stop.clone());
    tasks.0.spawn_blocking(move || {
        keeper.run(&runtime, inbox, &daemon_health, system_now, &keeper_stop);
        ("keeper", Ok(()))
    });

    tasks.until_one_ends(stop, ask).await
}

/// Parts of the daemon that run at the same time, with their names.
struct Tasks(JoinSet<(&'static str, anyhow::Result<()>)>);

impl Tasks {
    fn new() -> Self {
        Self(JoinSet::new())
    }

    fn start(&mut self, name: &'static str, work: impl Future<Output = ()> + Send + 'static) {
        self.start_fallible(name, async {
            work.await;
            Ok(())
        });
    }

    fn start_fallible(
        &mut self,
        name: &'static str,
        work: impl Future<Output = anyhow::Result<()>> + Send + 'static,
    ) {
        self.0.spawn(async move { (name, work.await) });
    }

    /// Waits until `stop` or until a task ends by itself, then stops all of them. `ask` lets
    /// the keeper go on until then.
    async fn until_one_ends<T>(
        mut self,
        stop: CancellationToken,
        ask: mpsc::Sender<T>,
    ) -> anyhow::Result<()> {
        // A task that ends early is a fault, so it stops the daemon too.
        let outcome = tokio::select! {
            biased;
            () = stop.cancelled() => Ok(()),
            Some(ended) = self.0.join_next() => early_end(ended),
        };
        stop.cancel();
        drop(ask);
        let drain = async { while self.0.join_next().await.is_some() {} };
        if tokio::time::timeout(GRACE, drain).await.is_err() {
            warn!("some tasks were still running after {GRACE:?}; stopping without them");
        }
        outcome
    }
}

/// Who may read and change what on the page.
fn rules(settings: &Settings) -> Rules {
    settings.page.as_ref().map_or_else(Rules::default, |page| Rules {
        password: page.password.clone(),
        public_names: page.public_names.clone(),
        open_reading: page.open_to_network,
        local_needs_password: !page.open_here,
        trusted_proxies: page.trusted_proxies.clone(),
        origins: page.cors_origins.clone(),
    })
}

/// How the daemon does when nothing is the matter, in one line.
fn well(settings: &Settings) -> String {
    let count = |n: usize, one: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") };
    let sensors = settings.gardens.iter().map(|garden| garden.sensors.len()).sum();
    format!("Listening to {} in {}.", count(sensors, "sensor"), count(settings.gardens.len(), "garden"))
}

/// What delivery workers share.
struct Workers<'a> {
    settings: &'a Settings,
    reader: &'a Reader,
    tell_tried: mpsc::Sender<(Tried, Option<GivenUp>)>,
    keeper: &'a Engine,
    stop: &'a CancellationToken,
}

impl Workers<'_> {
    /// Starts the delivery worker of each channel.
    fn start_all(&self, channels: &Arc<Channels>, tasks: &mut Tasks) {
        for kind in plan::Channel::ALL {
            self.start(kind, Arc::clone(channels), tasks);
        }
    }

    fn start(&self, kind: plan::Channel, by: Arc<Channels>, tasks: &mut Tasks) {
        let telling = self.settings.telling;
        let clock = self.keeper.telling_clock.clone();
        let worker = DeliveryWorker {
            kind,
            by,
            source: self.reader.clone(),
            give_up: GiveUp { after: telling.give_up, urgent_after: telling.give_up_high },
            pace: worker::WorkerPace::default(),
            now: Box::new(move || clock.now(system_now())),
        };
        let wake = self.keeper.wake_messages.subscribe();
        tasks.start("courier", worker::run(worker, self.tell_tried.clone(), wake, self.stop.child_token()));
    }
}

fn early_end(
    ended: Result<(&'static str, anyhow::Result<()>), tokio::task::JoinError>,
) -> anyhow::Result<()> {
    let (task, result) = ended.context("a task of the daemon failed")?;
    result?;
    anyhow::bail!("the {task} task ended by itself")
}

/// The broker with what is listened to: readings and, where they may come so, answers.
fn listened(settings: &Settings) -> Broker {
    let mut broker = settings.broker.clone();
    if settings.answers.mqtt {
        for garden in &settings.gardens {
            broker.listen_to(answer_topic(garden.site.id.as_str()));
        }
    }
    broker
}

/// Every way by which people are told.
fn channels(settings: &Settings, links: Option<Arc<Links>>) -> anyhow::Result<Channels> {
    let page = settings.answers.links.as_ref().map(|links| links.page_url.to_string());
    let links = links.map(|links| links as Arc<dyn AnswerLinks>);
    Ok(Channels::new(&settings.channels, links, page, system_now)?)
}

/// Where a `[[forward]]` sends readings.
pub(super) fn target(forward: &Forward) -> ForwardTarget {
    ForwardTarget {
        name: forward.name.clone(),
        url: forward.url.clone(),
        auth: match &forward.auth {
            ForwardAuth::None => Auth::None,
            ForwardAuth::Token(token) => Auth::Token(token.reveal().to_owned()),
            ForwardAuth::Password { username, password } => {
                Auth::Password { username: username.clone(), password: password.reveal().to_owned() }
            }
        },
        batch: forward.batch,
        timeout: forward.timeout,
        gzip: forward.gzip,
        keep_back: forward.keep_back,
        pace: ForwardPace::default(),
    }
}

/// The last will can name one topic only: with one site it is that site's
/// status, with several the daemon's own.
fn presence(settings: &Settings) -> Presence {
    let mut status_topics: Vec<String> =
        settings.gardens.iter().map(|g| status_topic(g.site.id.as_str())).collect();
    let will_topic = match status_topics.as_slice() {
        [only] => only.clone(),
        _ => status_topic(&settings.broker.client_id),
    };
    // What the will says at the end has to be said at the beginning as well.
    if !status_topics.contains(&will_topic) {
        status_topics.push(will_topic.clone());
    }
    Presence { will_topic, status_topics }
}

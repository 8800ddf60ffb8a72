//! The daemon put together: intake, keeper, letters, forwarders and page.

pub mod card;
pub mod direct;
mod parts;
pub mod reload;
pub mod standby;
mod views;

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use tracing::warn;

use self::parts::{Parts, Wiring};
use self::reload::Reloads;
use crate::answering::Links;
use crate::deliver::channel::AnswerLinks;
use crate::deliver::channels::Channels;
use crate::deliver::forward::{Auth, ForwardPace, ForwardTarget};
use crate::deliver::read_back::{ReadBack, ReadBackError, ReadBackTarget};
use crate::engine::{DaemonHealth, Engine, Inbox, answer_topic, status_topic, system_now, watchdog};
use crate::intake::SessionFilters;
use crate::intake::session::{self, Listening, Presence};
use crate::page::OlderRecord;
use crate::page::access::Rules;
use crate::settings::{Broker, Forward, ForwardAuth, OlderReadingsServer, Settings};

/// How long tasks may take to end once they are told: with what comes after them a stop is
/// over within ten seconds, also while another program holds the record.
const GRACE: Duration = Duration::from_secs(8);
/// Messages at QoS 0 that may wait beside those at QoS 1.
const ROOM_QOS0: usize = 1000;

/// Runs everything until `stop` or until a part ends by itself, which is a fault.
///
/// `listener` is the page's; `notice` stands at the top of it. `reloads`: how the configuration
/// is read again; `None`: it never is.
///
/// # Errors
/// When a part could not be started or ended early.
pub async fn run(
    settings: Settings,
    keeper: Engine,
    listener: Option<TcpListener>,
    notice: Option<String>,
    reloads: Option<Reloads>,
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
    let mut fixed = Tasks::new();

    let filters = SessionFilters::beside(&settings.store.path, &settings.broker);
    let (tell_listening, listening) = watch::channel(listening(&settings));
    let contact = Arc::clone(&daemon_health.broker);
    let kept = keeper.received().context("reading which messages may come again")?;
    let stop_intake = stop.child_token();
    let intake = session::run(listening, filters, kept, to_keeper, system_now, contact, stop_intake);
    fixed.start("intake", intake);

    let manager = watchdog::ServiceManager::from_environment();
    let health = Arc::clone(&daemon_health);
    let managed = watchdog::run(manager.clone(), health, well(&settings), stop.child_token());
    fixed.start("service manager", managed);

    let wiring = Wiring {
        reader: keeper.reader().context("opening the store for reading")?,
        ask: ask.clone(),
        tell_sent,
        tell_forwarded,
        tell_tried,
        give_look,
        wake_letters: keeper.wake_letters.subscribe(),
        wake_forward: keeper.wake_forward.subscribe(),
        wake_messages: keeper.wake_messages.subscribe(),
        changed: keeper.wake_page.subscribe(),
        telling_clock: keeper.telling_clock.clone(),
        acknowledged: Arc::default(),
        daemon_health: Arc::clone(&daemon_health),
        listener: listener.map(TcpListener::into_std).transpose().context("the page's listener")?,
        notice,
        stop: stop.clone(),
    };
    let parts = Parts::start(&wiring, &settings)?;

    let inbox = Inbox { messages, requests, letters_sent, forwarded, tried, looks };
    let (runtime, keeper_stop) = (tokio::runtime::Handle::current(), stop.clone());
    fixed.0.spawn_blocking(move || {
        keeper.run(&runtime, inbox, &daemon_health, system_now, &keeper_stop);
        ("keeper", Ok(()))
    });
    drop(ask);
    let daemon = RunningDaemon { settings, wiring, parts, fixed, tell_listening, manager, parts_fit: true };
    daemon.run(reloads).await
}

/// The daemon at work.
struct RunningDaemon {
    settings: Settings,
    wiring: Wiring,
    parts: Parts,
    /// What goes on when the configuration changes.
    fixed: Tasks,
    tell_listening: watch::Sender<Listening>,
    manager: watchdog::ServiceManager,
    /// Whether the parts are those of `settings`.
    parts_fit: bool,
}

impl RunningDaemon {
    /// Waits until it is stopped or until a task ends by itself, then stops all of them.
    async fn run(mut self, mut reloads: Option<Reloads>) -> anyhow::Result<()> {
        let stop = self.wiring.stop.clone();
        // A task that ends early is a fault, so it stops the daemon too.
        let outcome = loop {
            tokio::select! {
                biased;
                () = stop.cancelled() => break Ok(()),
                Some(ended) = self.fixed.0.join_next() => break early_end(ended),
                ended = self.parts.one_ends() => break early_end(ended),
                () = Reloads::wait(&mut reloads) => {
                    let Some(reloads) = &mut reloads else { continue };
                    tokio::select! {
                        outcome = self.reload(reloads) => match outcome {
                            Ok(()) => {}
                            Err(fault) => break Err(fault),
                        },
                        () = stop.cancelled() => break Ok(()),
                    }
                }
            }
        };
        stop.cancel();
        let Self { wiring, mut parts, mut fixed, .. } = self;
        // The keeper goes on as long as somebody may ask it.
        drop(wiring);
        let drain = async {
            parts.end().await;
            fixed.end().await;
        };
        if tokio::time::timeout(GRACE, drain).await.is_err() {
            warn!("some tasks were still running after {GRACE:?}; stopping without them");
        }
        outcome
    }
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

    /// Waits until all have ended.
    async fn end(&mut self) {
        while self.0.join_next().await.is_some() {}
    }
}

/// Who may read and change what on the page.
fn rules(settings: &Settings) -> Rules {
    settings.page.as_ref().map_or_else(Rules::default, |page| Rules {
        password: page.password.clone(),
        users: page.users.clone(),
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

/// A task that has ended, by its name.
type EndedTask = Result<(&'static str, anyhow::Result<()>), tokio::task::JoinError>;

fn early_end(ended: EndedTask) -> anyhow::Result<()> {
    let (task, result) = ended.context("a task of the daemon failed")?;
    result?;
    anyhow::bail!("the {task} task ended by itself")
}

/// What the intake is told.
fn listening(settings: &Settings) -> Listening {
    Listening { broker: listened(settings), presence: presence(settings) }
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
        auth: auth(&forward.auth),
        batch: forward.batch,
        timeout: forward.timeout,
        gzip: forward.gzip,
        keep_back: forward.keep_back,
        pace: ForwardPace::default(),
    }
}

/// Where `[older_readings]` reads readings back.
fn older_record(server: &OlderReadingsServer) -> Result<OlderRecord, ReadBackError> {
    let target = ReadBackTarget { url: server.url.clone(), auth: auth(&server.auth) };
    ReadBack::new(target).map(OlderRecord::new)
}

/// How a time-series server knows us.
fn auth(auth: &ForwardAuth) -> Auth {
    match auth {
        ForwardAuth::None => Auth::None,
        ForwardAuth::Token(token) => Auth::Token(token.reveal().to_owned()),
        ForwardAuth::Password { username, password } => {
            Auth::Password { username: username.clone(), password: password.reveal().to_owned() }
        }
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

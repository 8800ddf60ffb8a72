//! The daemon put together: intake, keeper, letters, forwarders and page.

mod keeper;
mod views;

use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use jiff::Timestamp;
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use tracing::warn;

pub use keeper::{Inbox, Keeper, OnChange, Request, Signs};
pub use views::Asked;

use crate::answering::Links;
use crate::deliver::channel::{Channel, NotThere};
use crate::deliver::courier::{self, Courier, GiveUp};
use crate::deliver::forward::{self, Auth, Pace, Target};
use crate::deliver::told_file::ToldFiles;
use crate::deliver::webhook::Webhooks;
use crate::deliver::{mqtt, status_topic};
use crate::garden::plan;
use crate::intake::answer_topic;
use crate::intake::session::{self, Presence};
use crate::settings::{Forward, ForwardAuth, Settings};
use crate::store::{Reader, Tried};
use crate::telling::GivenUp;

/// How long tasks may take to end once they are told.
const GRACE: Duration = Duration::from_secs(10);
/// Messages at QoS 0 that may wait beside those at QoS 1.
const ROOM_QOS0: usize = 1000;

/// The computer's clock; the only place that reads it.
#[expect(clippy::disallowed_methods, reason = "this is the shell's clock")]
pub fn system_now() -> Timestamp {
    Timestamp::now()
}

/// Runs everything until `stop` or until a part ends by itself, which is a fault.
///
/// `listener` is the page's; `notice` stands at the top of it.
///
/// # Errors
/// When a part could not be started or ended early.
pub async fn run(
    settings: Settings,
    keeper: Keeper,
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
    let signs = Arc::new(Signs::default());
    let reader = keeper.reader().context("opening the store for reading")?;
    let (wake_letters, wake_forward) = (keeper.wake_letters.subscribe(), keeper.wake_forward.subscribe());

    let mut tasks = Tasks::new();
    let presence = presence(&settings);
    let mut listened = settings.broker.clone();
    if settings.answers.mqtt {
        for garden in &settings.gardens {
            listened.listen_to(answer_topic(garden.site.id.as_str()));
        }
    }
    let links = links(&settings);
    let intake = session::run(
        listened,
        presence,
        to_keeper,
        system_now,
        Arc::clone(&signs.broker_away),
        stop.child_token(),
    );
    tasks.spawn(async move {
        intake.await;
        ("intake", Ok(()))
    });
    let letters =
        mqtt::run(settings.broker.clone(), reader.clone(), tell_sent, wake_letters, stop.child_token());
    tasks.spawn(async move {
        letters.await;
        ("letters", Ok(()))
    });
    for forward in &settings.forward {
        let forwarding = forward::run(
            target(forward),
            reader.clone(),
            tell_forwarded.clone(),
            wake_forward.clone(),
            stop.child_token(),
        );
        tasks.spawn(async move { ("forwarding", forwarding.await.map_err(anyhow::Error::from)) });
    }
    let couriers =
        Couriers { settings: &settings, reader: &reader, tell_tried, keeper: &keeper, stop: &stop };
    couriers.spawn(plan::Channel::Email, NotThere("nothing can be sent by e-mail yet"), &mut tasks);
    let webhooks = Webhooks::new(&settings.webhooks, system_now)?;
    couriers.spawn(plan::Channel::Webhook, webhooks, &mut tasks);
    couriers.spawn(plan::Channel::File, ToldFiles::new(&settings.told_files), &mut tasks);
    drop((tell_forwarded, couriers));
    if let Some(listener) = listener {
        let views =
            Asked { requests: ask.clone(), reader, signs: Arc::clone(&signs), links, now: system_now };
        let page = crate::page::serve(listener, views, notice, stop.child_token());
        tasks.spawn(async move { ("page", page.await.context("serving the page")) });
    }

    let inbox = Inbox { messages, requests, letters_sent, forwarded, tried };
    let (runtime, keeper_stop) = (tokio::runtime::Handle::current(), stop.clone());
    tasks.spawn_blocking(move || {
        keeper.run(&runtime, inbox, &signs, system_now, &keeper_stop);
        ("keeper", Ok(()))
    });

    // A task that ends early is a fault, so it stops the daemon too.
    let outcome = tokio::select! {
        biased;
        () = stop.cancelled() => Ok(()),
        Some(ended) = tasks.join_next() => early_end(ended),
    };
    stop.cancel();
    drop(ask);
    let drain = async { while tasks.join_next().await.is_some() {} };
    if tokio::time::timeout(GRACE, drain).await.is_err() {
        warn!("some tasks were still running after {GRACE:?}; stopping without them");
    }
    outcome
}

/// Parts of the daemon, with their names.
type Tasks = JoinSet<(&'static str, anyhow::Result<()>)>;

/// What couriers share.
struct Couriers<'a> {
    settings: &'a Settings,
    reader: &'a Reader,
    tell_tried: mpsc::Sender<(Tried, Option<GivenUp>)>,
    keeper: &'a Keeper,
    stop: &'a CancellationToken,
}

impl Couriers<'_> {
    fn spawn(&self, kind: plan::Channel, by: impl Channel + 'static, tasks: &mut Tasks) {
        let telling = self.settings.telling;
        let courier = Courier {
            kind,
            by,
            outbox: self.reader.clone(),
            give_up: GiveUp { after: telling.give_up, urgent_after: telling.give_up_high },
            pace: courier::Pace::default(),
            now: Box::new(system_now),
        };
        let wake = self.keeper.wake_messages.subscribe();
        let work = courier::run(courier, self.tell_tried.clone(), wake, self.stop.child_token());
        tasks.spawn(async move {
            work.await;
            ("courier", Ok(()))
        });
    }
}

fn early_end(
    ended: Result<(&'static str, anyhow::Result<()>), tokio::task::JoinError>,
) -> anyhow::Result<()> {
    let (task, result) = ended.context("a task of the daemon failed")?;
    result?;
    anyhow::bail!("the {task} task ended by itself")
}

/// What makes and checks the links in messages, where there are any.
fn links(settings: &Settings) -> Option<Arc<Links>> {
    let links = settings.answers.links.as_ref()?;
    Some(Arc::new(Links::new(links.page_url.as_str(), links.secret.reveal().as_bytes(), links.hours)))
}

fn target(forward: &Forward) -> Target {
    Target {
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
        pace: Pace::default(),
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

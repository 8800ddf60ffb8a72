//! What the page shows, asked of the engine and the store.

use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tokio::sync::{mpsc, oneshot, watch};

use crate::alarms::{AlarmKey, AlarmNote, Answer, Answered, Input};
use crate::answering::{Checked, Claim, Links};
use crate::commands::figures::{month_to, of_site};
use crate::engine::daemon_health::DaemonHealth;
use crate::engine::keeper::Request;
use crate::garden::plan::Garden;
use crate::garden::view::SiteView;
use crate::garden::{Acclimatising, BagGiven, TankGiven};
use crate::model::Id;
use crate::page::figures::SiteFigures;
use crate::page::{AlarmStep, DaemonFigures, Health, NotPlaced, PageSource, Unavailable};
use crate::store::{AlarmRow, Reader, StoreError, record_bytes};

/// How long the engine may take to answer: it may be waiting for the disk.
const PATIENCE: Duration = Duration::from_secs(5);

/// The same while it is known to wait for the disk: it answers between two tries.
const PATIENCE_NOT_KEPT: Duration = Duration::from_secs(1);

/// Gardens whose last view is kept for the time when the engine cannot be asked.
const LAST_MAX: usize = 100;

/// Gardens that the engine is asked for at a time for a list of all: readings wait for them
/// for some milliseconds.
const BRIEFS: usize = 50;

/// Figures of alarms are kept for so long before they are counted again.
const FIGURES_FOR: Duration = Duration::from_secs(60);
/// Steps of alarms that the page's figures look at, at most: the newest.
const STEPS_MAX: u32 = 20_000;

/// The last figures of each site, with when they were made.
type KeptFigures = Arc<Mutex<BTreeMap<Id, (Instant, SiteFigures)>>>;

/// The page's source: the running keeper, and the store.
#[derive(Clone)]
pub(super) struct KeeperViews {
    pub(super) requests: mpsc::Sender<Request>,
    pub(super) reader: Reader,
    pub(super) daemon_health: Arc<DaemonHealth>,
    pub(super) gardens: Arc<[Garden]>,
    /// At most one for each garden.
    pub(super) figures: KeptFigures,
    /// How gardens stood when the engine was asked last, the latest last.
    pub(super) last: Arc<Mutex<VecDeque<SiteView>>>,
    /// `None`: alarms are not answered by links.
    pub(super) links: Option<Arc<Links>>,
    pub(super) now: fn() -> Timestamp,
    /// Grows with each commit.
    pub(super) changed: watch::Receiver<u64>,
}

impl KeeperViews {
    async fn ask<T>(&self, request: impl FnOnce(oneshot::Sender<T>) -> Request) -> Result<T, Unavailable> {
        let (reply, answer) = oneshot::channel();
        let asked = async {
            self.requests
                .send(request(reply))
                .await
                .map_err(|_| Unavailable("the keeper has stopped".to_owned()))?;
            answer.await.map_err(|_| Unavailable("the keeper gave no answer".to_owned()))
        };
        let patience = if self.not_kept_since().is_some() { PATIENCE_NOT_KEPT } else { PATIENCE };
        tokio::time::timeout(patience, asked)
            .await
            .map_err(|_| Unavailable(format!("the keeper gave no answer within {patience:?}")))?
    }

    /// Reads from the store, beside the threads that serve; `what` it does.
    async fn read<T: Send + 'static>(
        &self,
        what: &str,
        read: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, Unavailable> {
        let reader = self.reader.clone();
        let unavailable = |why: String| Unavailable(format!("{what}: {why}"));
        tokio::task::spawn_blocking(move || read(&reader))
            .await
            .map_err(|e| unavailable(e.to_string()))?
            .map_err(|e| unavailable(e.to_string()))
    }
}

impl PageSource for KeeperViews {
    async fn sites(&self) -> Result<Vec<(Id, String)>, Unavailable> {
        match self.ask(Request::Sites).await {
            Err(_) if self.not_kept_since().is_some() => {
                Ok(self.gardens.iter().map(|it| (it.site.id.clone(), it.site.name.clone())).collect())
            }
            answer => answer,
        }
    }

    async fn site(&self, id: &str) -> Result<Option<SiteView>, Unavailable> {
        let name = id.to_owned();
        let answer = self.ask(|reply| Request::Site(name, reply)).await;
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        match answer {
            Ok(view) => {
                let view = view.map(|view| *view);
                if let Some(view) = &view {
                    last.retain(|it| it.id != view.id);
                    last.push_back(view.clone());
                    if last.len() > LAST_MAX {
                        last.pop_front();
                    }
                }
                Ok(view)
            }
            // Its thread waits for the disk.
            Err(why) => match last.iter().find(|it| it.id.as_str() == id) {
                Some(view) if self.not_kept_since().is_some() => Ok(Some(view.clone())),
                _ => Err(why),
            },
        }
    }

    async fn briefs(&self, from: usize) -> Result<Vec<SiteView>, Unavailable> {
        self.ask(|reply| Request::Briefs(from, BRIEFS, reply)).await
    }

    async fn acclimatise(
        &self,
        site: &str,
        tank: &str,
        bag: BagGiven,
        given: TankGiven,
    ) -> Result<Option<Acclimatising>, Unavailable> {
        let (site, tank, given) = (site.to_owned(), tank.to_owned(), Box::new((bag, given)));
        let answer = self.ask(|reply| Request::Acclimatise(site, tank, given, reply)).await?;
        Ok(answer.map(|answer| *answer))
    }

    async fn alarm_figures(&self, site: &str, to: Timestamp) -> Result<Option<SiteFigures>, Unavailable> {
        let Some(number) = self.gardens.iter().position(|garden| garden.site.id.as_str() == site) else {
            return Ok(None);
        };
        let (gardens, kept) = (Arc::clone(&self.gardens), self.figures.clone());
        self.read("counting alarms", move |reader| {
            let garden = &gardens[number];
            let id = &garden.site.id;
            let all = || kept.lock().unwrap_or_else(PoisonError::into_inner);
            if let Some((made, figures)) = all().get(id)
                && made.elapsed() < FIGURES_FOR
            {
                return Ok(Some(figures.clone()));
            }
            let figures = of_site(reader, garden, month_to(to), STEPS_MAX)?;
            all().insert(id.clone(), (Instant::now(), figures.clone()));
            Ok(Some(figures))
        })
        .await
    }

    async fn not_placed(&self, limit: usize) -> Result<Vec<NotPlaced>, Unavailable> {
        let limit = u32::try_from(limit).unwrap_or(u32::MAX);
        let what = "reading topics that are not placed";
        let topics = self.read(what, move |reader| reader.unplaced(limit)).await?;
        Ok(topics
            .into_iter()
            .map(|t| NotPlaced { topic: t.topic, payload: t.payload, count: t.messages, last: t.last })
            .collect())
    }

    fn check(&self, token: &str) -> Option<Checked> {
        Some(self.links.as_ref()?.check(token, (self.now)()))
    }

    async fn steps(&self, alarm: &AlarmKey, since: Timestamp) -> Result<Vec<AlarmStep>, Unavailable> {
        let alarm = alarm.clone();
        let steps =
            self.read("reading an alarm's steps", move |reader| reader.occurrence(&alarm, since)).await?;
        let step = |AlarmRow { record, how, .. }| AlarmStep { at: record.at, to: record.state, how };
        Ok(steps.into_iter().map(step).collect())
    }

    async fn acknowledge(
        &self,
        claim: &Claim,
        name: Option<&str>,
        note: Option<String>,
    ) -> Result<Answered, Unavailable> {
        if claim.rehearsal {
            let note = Box::new(rehearsed(claim, note.as_deref(), (self.now)()));
            return self.ask(|reply| Request::Rehearsed(note, reply)).await;
        }
        let answer = Box::new(Answer {
            key: claim.key.clone(),
            at: (self.now)(),
            input: Some(Input::Acknowledge),
            how: Answer::how_by("link", name),
            since: Some(claim.since),
            note,
        });
        self.ask(|reply| Request::Answer(answer, reply)).await
    }

    async fn answer(&self, answer: Answer) -> Result<Answered, Unavailable> {
        let answer = Box::new(answer);
        self.ask(|reply| Request::Answer(answer, reply)).await
    }

    fn changed(&self) -> watch::Receiver<u64> {
        self.changed.clone()
    }

    fn now(&self) -> Timestamp {
        (self.now)()
    }

    fn not_kept_since(&self) -> Option<Timestamp> {
        self.daemon_health.not_kept_since()
    }

    fn figures(&self) -> DaemonFigures {
        let health = &self.daemon_health;
        let counts = &health.counts;
        let count = |count: &AtomicU64| count.load(Ordering::Relaxed);
        let look = health.look.lock().unwrap_or_else(PoisonError::into_inner);
        let store_bytes = Some(record_bytes(self.reader.path())).filter(|bytes| *bytes > 0);
        DaemonFigures {
            stored: count(&counts.stored),
            repeated: count(&counts.repeated),
            conflicting: count(&counts.conflicting),
            summarised: count(&counts.summarised),
            late: count(&counts.late),
            refused: count(&counts.refused),
            over_limit: count(&counts.over_limit),
            redelivered: health.broker.repeats(),
            broker: health.broker.health(),
            disk: look.as_ref().and_then(|look| look.disk),
            store_bytes,
            store_limit_bytes: look.as_ref().and_then(|look| look.limits.record_bytes),
            store_unused_bytes: look.as_ref().and_then(|look| Some(look.record?.unused_bytes)),
            store_fails: health.store_failing.load(Ordering::Relaxed),
            forward_waits: health.forwarding.all(),
        }
    }

    async fn health(&self) -> Health {
        Health { faults: self.daemon_health.faults() }
    }
}

/// What is kept of an answer to a rehearsal.
fn rehearsed(claim: &Claim, note: Option<&str>, at: Timestamp) -> AlarmNote {
    let said = note.map_or_else(String::new, |note| format!(" {note}"));
    let text = format!("Rehearsal answered by {}.{said}", claim.who);
    AlarmNote {
        key: claim.key.clone(),
        since: claim.since,
        at,
        note: text.chars().take(AlarmNote::TEXT_MAX).collect(),
        how: "link".to_owned(),
    }
}

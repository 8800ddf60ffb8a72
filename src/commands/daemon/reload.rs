//! The configuration read again while the daemon runs, on SIGHUP.
//!
//! It takes over as a whole or not at all. The faults of one that is refused go into the log and
//! to `trug reload`. What cannot change while the daemon runs stays as it is, and that is said.

use std::path::PathBuf;
use std::sync::{Arc, PoisonError};

use anyhow::Context as _;
use tokio::signal::unix::Signal;
use tokio::sync::oneshot;
use tracing::{info, warn};

use super::card::{HeldCard, ReloadOutcome, ReloadResult};
use super::parts::Wiring;
use super::{RunningDaemon, channels, listening, well};
use crate::commands::shared::answer_links;
use crate::engine::Request;
use crate::engine::error_chain::ErrorChain;
use crate::engine::keeper::takeover::{PreparedPlan, TakenOver};
use crate::engine::system_now;
use crate::garden::Clock;
use crate::intake::connection_options;
use crate::settings::{self, Broker, Faults, Settings};
use crate::text::spoken::counted;

/// How the daemon reads its configuration again.
#[derive(Debug)]
pub struct Reloads {
    /// The daemon's file.
    pub config: PathBuf,
    pub hangup: Signal,
    pub card: HeldCard,
    pub clock: Clock,
}

impl Reloads {
    /// Waits until it is asked for; for ever where it never is.
    pub(super) async fn wait(reloads: &mut Option<Self>) {
        let asked = match reloads {
            Some(it) => it.hangup.recv().await.is_some(),
            None => false,
        };
        if !asked {
            std::future::pending().await
        }
    }

    fn note(&mut self, outcome: Option<ReloadOutcome>) {
        let card = &mut self.card.card;
        match outcome {
            None => card.begun += 1,
            Some(outcome) => {
                card.ended = card.begun;
                card.outcome = Some(outcome);
            }
        }
        if let Err(fault) = self.card.write() {
            warn!(%fault, "trug reload cannot be told how it went");
        }
    }
}

/// Why a configuration did not take over.
enum NotTaken {
    Faults(Box<Faults>),
    /// It is in order; in whole sentences.
    Otherwise(String),
    Unchanged,
}

impl NotTaken {
    /// `what` could not be done, since `fault`.
    fn of(what: &str, fault: &dyn std::error::Error) -> Self {
        Self::Otherwise(format!("{what}: {}. Trug goes on as it was.", ErrorChain(&fault)))
    }
}

impl RunningDaemon {
    /// Reads the configuration again, and goes over to it where it is in order.
    ///
    /// # Errors
    /// When the daemon cannot go on, and has to be started again.
    pub(super) async fn reload(&mut self, reloads: &mut Reloads) -> anyhow::Result<()> {
        info!("reading the configuration again");
        reloads.note(None);
        self.manager.say_reloading().await;
        let outcome = self.take(reloads).await;
        let (result, words, faults) = match outcome {
            Ok(words) => (ReloadResult::TakenOver, words, None),
            Err(NotTaken::Unchanged) => {
                let words = "The configuration says what it said before, so nothing changes.".to_owned();
                (ReloadResult::Unchanged, vec![words], None)
            }
            Err(NotTaken::Faults(faults)) => {
                let words = "Trug goes on with the configuration of before.".to_owned();
                (ReloadResult::Refused, vec![words], Some(faults))
            }
            Err(NotTaken::Otherwise(words)) => (ReloadResult::Failed, vec![words], None),
        };
        let said = words.join(" ");
        match (&result, &faults) {
            (_, Some(faults)) => {
                let count = counted(faults.as_slice().len(), "fault", "faults");
                warn!("the configuration was read again and refused, {count}:\n{faults}\n{said}");
            }
            (ReloadResult::Failed, None) => warn!("{said}"),
            _ => info!("{said}"),
        }
        reloads.note(Some(ReloadOutcome {
            result,
            at: system_now().to_string(),
            words,
            faults: faults.as_ref().map_or_else(String::new, |it| it.to_string()),
            faults_json: faults.as_ref().map_or(serde_json::Value::Null, |it| it.to_json()),
        }));
        self.manager.say_ready().await;
        // One that was begun to be taken over and is lost half-way leaves parts that do not fit.
        self.parts_fit.then_some(()).context("the daemon's parts could not be put together again")
    }

    async fn take(&mut self, reloads: &Reloads) -> Result<Vec<String>, NotTaken> {
        let config = reloads.config.clone();
        let loaded =
            tokio::task::spawn_blocking(move || settings::load(&config, settings::variables())).await;
        let loaded = loaded.map_err(|fault| NotTaken::of("The configuration could not be read", &fault))?;
        let written = loaded.map_err(|faults| NotTaken::Faults(Box::new(faults)))?;
        let (next, mut words) = at_once(&self.settings, written);
        if words.is_empty() && is_same(&self.settings, &next) {
            return Err(NotTaken::Unchanged);
        }
        if is_same(&self.settings, &next) {
            return Ok(words);
        }
        // What it names has to be there before anything changes.
        let channels = channels(&next, answer_links(&next).map(Arc::new))
            .map_err(|fault| NotTaken::Otherwise(format!("{fault:#}. Trug goes on as it was.")))?;
        connection_options(&next.broker, &next.broker.client_id, false)
            .map_err(|fault| NotTaken::Otherwise(format!("The broker: {fault}. Trug goes on as it was.")))?;
        let plan = prepare(&self.wiring, &self.settings, &next, reloads.clock).await?;
        let other_ways = ways_differ(&self.settings, &next);
        if other_ways {
            self.parts.close_couriers().await;
        }
        let taken = take_over(&self.wiring, plan).await;
        let (ways_of, channels) = match &taken {
            Ok(_) => (&next, Some(channels)),
            Err(_) => (&self.settings, None),
        };
        if other_ways {
            let channels = channels.map(Arc::new).unwrap_or_else(|| self.parts.channels());
            self.parts.reopen_couriers(&self.wiring, ways_of, channels);
        }
        let taken = taken?;
        self.settings = next;
        if let Err(fault) = self.parts.renew(&self.wiring, &self.settings).await {
            self.parts_fit = false;
            return Err(NotTaken::Otherwise(format!("{fault:#}. Trug ends, to be started again.")));
        }
        self.tell_listening.send_replace(listening(&self.settings));
        *self.wiring.daemon_health.well.lock().unwrap_or_else(PoisonError::into_inner) =
            Some(well(&self.settings));
        words.insert(0, taken_words(&self.settings, &taken));
        if let Some(borne) = &self.settings.borne {
            words.push(format!("This should be otherwise, and Trug goes on with it as it is: {borne}"));
        }
        Ok(words)
    }
}

/// Reads from the record what the new plan needs, while the keeper goes on.
async fn prepare(
    wiring: &Wiring,
    before: &Settings,
    next: &Settings,
    clock: Clock,
) -> Result<PreparedPlan, NotTaken> {
    ask(wiring, |reply| Request::NoteStored(true, reply)).await?;
    let (before, next) = (before.clone(), next.clone());
    let read =
        tokio::task::spawn_blocking(move || PreparedPlan::read(&before, &next, clock, system_now())).await;
    let what = "The record could not be read for the new configuration";
    let read = match read {
        Ok(Ok(plan)) => return Ok(plan),
        Ok(Err(fault)) => NotTaken::of(what, &fault),
        Err(fault) => NotTaken::of(what, &fault),
    };
    ask(wiring, |reply| Request::NoteStored(false, reply)).await?;
    Err(read)
}

async fn take_over(wiring: &Wiring, plan: PreparedPlan) -> Result<TakenOver, NotTaken> {
    let taken = ask(wiring, |reply| Request::TakeOver(Box::new(plan), reply)).await?;
    taken.map_err(|fault| NotTaken::of("The new configuration could not take over", &fault))
}

/// Asks the keeper, which may be waiting for its disk: then this waits with it.
async fn ask<T>(wiring: &Wiring, request: impl FnOnce(oneshot::Sender<T>) -> Request) -> Result<T, NotTaken> {
    let (reply, answer) = oneshot::channel();
    let gone = || NotTaken::Otherwise("The keeper of the record has stopped.".to_owned());
    wiring.ask.send(request(reply)).await.map_err(|_| gone())?;
    answer.await.map_err(|_| gone())
}

/// Those of `next` that can change while the daemon runs, the others as they are; and what is said of the
/// others.
fn at_once(now: &Settings, mut next: Settings) -> (Settings, Vec<String>) {
    let mut words = Vec::new();
    let mut stays = |key: &str, is: String| {
        words.push(format!("{key} changes only at a restart: it stays {is} until then."));
    };
    if next.store.path != now.store.path {
        stays("[store] path", now.store.path.display().to_string());
        next.store.path.clone_from(&now.store.path);
    }
    if next.log != now.log {
        let format = if now.log.format == settings::LogFormat::Json { "json" } else { "text" };
        stays("[log]", format!("level \"{}\", format \"{format}\"", now.log.level.name()));
        next.log = now.log;
    }
    match (&now.page, &mut next.page) {
        (Some(now), Some(next)) if now.listen != next.listen => {
            stays("[page] listen", now.listen.to_string());
            next.listen = now.listen;
        }
        (Some(page), none @ None) => {
            stays("[page]", format!("at {}", page.listen));
            *none = Some(page.clone());
        }
        (None, some @ Some(_)) => {
            stays("[page]", "away".to_owned());
            *some = None;
        }
        _ => {}
    }
    let (is, wanted) = (&now.broker, &mut next.broker);
    if (is.tls, &is.host, is.port) != (wanted.tls, &wanted.host, wanted.port) {
        let scheme = if is.tls { "mqtts" } else { "mqtt" };
        stays("[broker] url", format!("{scheme}://{}:{}", is.host, is.port));
        (wanted.tls, wanted.port) = (is.tls, is.port);
        wanted.host.clone_from(&is.host);
        // What is shown to one broker is not shown to another.
        let Broker { ca_file, identity, username, password, .. } = is.clone();
        (wanted.ca_file, wanted.identity, wanted.username, wanted.password) =
            (ca_file, identity, username, password);
    }
    if is.client_id != wanted.client_id {
        // The broker keeps messages for the one that it knows.
        stays("[broker] client_id", format!("\"{}\"", is.client_id));
        wanted.client_id.clone_from(&is.client_id);
    }
    if is.receive_maximum != wanted.receive_maximum {
        stays("[broker] receive_maximum", is.receive_maximum.to_string());
        wanted.receive_maximum = is.receive_maximum;
    }
    (next, words)
}

/// Whether two configurations say the same.
fn is_same(now: &Settings, next: &Settings) -> bool {
    let files = |settings: &Settings| settings.garden_files.clone();
    let same_files = now.garden_files.len() == next.garden_files.len()
        && files(now).iter().zip(&next.garden_files).all(|(one, other)| one.has_text_of(other));
    same_files
        && now.broker == next.broker
        && now.store == next.store
        && now.page == next.page
        && now.forward == next.forward
        && now.older_readings == next.older_readings
        && now.answers == next.answers
        && now.watch == next.watch
        && !ways_differ(now, next)
}

/// Whether people are told by other ways.
fn ways_differ(now: &Settings, next: &Settings) -> bool {
    now.channels != next.channels || now.telling != next.telling || now.answers != next.answers
}

fn taken_words(settings: &Settings, taken: &TakenOver) -> String {
    let sensors = settings.gardens.iter().map(|it| it.sensors.len()).sum::<usize>();
    let gardens = settings.gardens.len();
    let (gardens, sensors) = (counted(gardens, "garden", "gardens"), counted(sensors, "sensor", "sensors"));
    let mut words = format!("The new configuration is in use: {sensors} in {gardens}.");
    let TakenOver { rebuilt, gone, ended, renamed, .. } = *taken;
    for (count, one, many) in [
        (rebuilt, "garden was read again from the record", "gardens were read again from the record"),
        (gone, "garden is gone", "gardens are gone"),
        (
            ended,
            "alarm is over, since nothing watches for it any more",
            "alarms are over, since nothing watches for them any more",
        ),
        (renamed, "alarm goes on under its sensor's new id", "alarms go on under their sensors' new ids"),
    ] {
        if count > 0 {
            words.push_str(&format!(" {}.", counted(count, one, many)));
        }
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(trug: &str) -> Settings {
        let garden = include_str!("../../../config/gardens/saltbush-gully.toml");
        let both = format!("{trug}\n[store]\npath = \"trug.db\"\n");
        settings::from_text(("trug.toml", &both), &[("garden.toml", garden)], std::iter::empty())
            .expect("no faults")
    }

    #[test]
    fn what_changes_only_at_a_restart_stays_and_is_said() {
        let now = settings("[broker]\nurl = \"mqtt://127.0.0.1\"\n[page]\nlisten = \"127.0.0.1:8470\"");
        let next = settings(
            "[broker]\nurl = \"mqtts://broker.school.example\"\nclient_id = \"other\"\ntopics = [\"saltbush-gully/#\"]\n\
             username = \"trug\"\n",
        );
        let (taken, words) = at_once(&now, next);
        assert_eq!(
            words,
            [
                "[page] changes only at a restart: it stays at 127.0.0.1:8470 until then.",
                "[broker] url changes only at a restart: it stays mqtt://127.0.0.1:1883 until then.",
                "[broker] client_id changes only at a restart: it stays \"trug\" until then.",
            ]
        );
        assert_eq!(taken.broker.topics, ["saltbush-gully/#"]);
        assert_eq!((taken.broker.host.as_str(), taken.broker.username.as_deref()), ("127.0.0.1", None));
        assert!(taken.page.is_some());
        assert!(!is_same(&now, &taken));
        let (same, words) = at_once(&now, now.clone());
        assert!(is_same(&now, &same) && words.is_empty());
    }
}

//! A configuration that was read again takes over while the daemon runs.
//!
//! What can take long, reading the record for the gardens whose file has changed, is done
//! beside the engine, which goes on meanwhile ([`PreparedPlan::read`]). The engine notes what
//! it stores from then on, and between two batches it brings that to the new core, lays the
//! stored alarms over it, and goes on with it. Nothing is lost by that: a message is judged by
//! the one configuration or by the other. Gardens whose file is as it was are not touched.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use tokio::sync::oneshot;
use tracing::error;

use crate::engine::daemon_health::DaemonHealth;
use crate::engine::error_chain::ErrorChain;
use crate::engine::keeper::Engine;
use crate::engine::restore::{KeptStates, restore_past, restore_standing};
use crate::engine::{Router, SensorLimit, publication};
use crate::garden::plan::Garden;
use crate::garden::record::AlarmChange;
use crate::garden::system::health::HealthLimits;
use crate::garden::{Clock, Core, sensor_names, unchanged};
use crate::model::Id;
use crate::settings::Settings;
use crate::store::{Reader, SeriesMap, StoreError};
use crate::telling::{Notifier, Waiting};

/// Readings that are noted while the record is read, at most: some hundred megabytes.
const NOTED_MAX: usize = 2_000_000;

/// A plan that waits to take over, and who is told of the result.
pub(super) type TakeOverRequest = (Box<PreparedPlan>, oneshot::Sender<Result<TakenOver, TakeOverFault>>);

/// Why a configuration could not take over; the one of before goes on.
#[derive(Debug, thiserror::Error)]
pub enum TakeOverFault {
    #[error("the record could not be brought in line with it")]
    Store(#[from] StoreError),
    #[error("more than {NOTED_MAX} readings came in while the record was read; try again at a calmer time")]
    TooManyReadings,
}

/// What changed as a configuration took over.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TakenOver {
    /// Gardens that were rebuilt from the record, the new ones included.
    pub rebuilt: usize,
    /// Gardens whose file is as it was.
    pub unchanged: usize,
    /// Gardens that are in no file any more.
    pub gone: usize,
    /// Alarms that were ended since nothing watches for them any more.
    pub ended: usize,
    /// Alarms that stood under an earlier id of their sensor.
    pub renamed: usize,
}

/// A checked configuration with all that was read for it beside the engine.
#[derive(Debug)]
pub struct PreparedPlan {
    gardens: Vec<Garden>,
    shared: Vec<Arc<Garden>>,
    /// The gardens that are not as they were, as far as their stored readings go.
    rebuilt: Core,
    /// Which of them go on from a kept state.
    kept: KeptStates,
    /// Those that are as they were.
    unchanged: BTreeSet<Id>,
    clock: Clock,
    answers: bool,
    limit: SensorLimit,
    forwarders: Vec<String>,
    keep_rejects: u32,
    keep_readings_days: Option<u32>,
    health_limits: HealthLimits,
}

impl PreparedPlan {
    /// Reads from the record what the changed gardens of `after` need. It may take as long as a
    /// start of the daemon, and nothing waits for it.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn read(
        before: &Settings,
        after: &Settings,
        clock: Clock,
        now: Timestamp,
    ) -> Result<Self, StoreError> {
        let shared = |settings: &Settings| -> Vec<Arc<Garden>> {
            settings.gardens.iter().cloned().map(Arc::new).collect()
        };
        let gardens = shared(after);
        let unchanged = unchanged(&shared(before), &gardens, &alike(before, after));
        let changed: Vec<Arc<Garden>> =
            gardens.iter().filter(|garden| !unchanged.contains(&garden.site.id)).cloned().collect();
        let mut rebuilt = Core::new(&changed, clock);
        let kept = if changed.is_empty() {
            KeptStates::new()
        } else {
            read_past(&mut rebuilt, &changed, &before.store.path, now)?
        };
        Ok(Self {
            unchanged,
            kept,
            rebuilt,
            gardens: after.gardens.clone(),
            shared: gardens,
            clock,
            answers: after.answers.mqtt,
            limit: SensorLimit { burst: after.broker.sensor_burst, per_s: after.broker.sensor_per_s },
            forwarders: after.forward.iter().map(|it| it.name.clone()).collect(),
            keep_rejects: after.store.keep_rejects,
            keep_readings_days: after.store.keep_readings_days,
            health_limits: after.watch.limits,
        })
    }
}

fn read_past(
    core: &mut Core,
    gardens: &[Arc<Garden>],
    path: &Path,
    now: Timestamp,
) -> Result<KeptStates, StoreError> {
    let reader = Reader::open(path)?;
    let own: Vec<Garden> = gardens.iter().map(|garden| Garden::clone(garden)).collect();
    let series = SeriesMap::of_stored(&reader.series()?, &own);
    restore_past(core, &series, &reader, now)
}

/// The gardens whose file has the text that it had. The environment of a process stays.
fn alike(before: &Settings, after: &Settings) -> BTreeSet<Id> {
    let known =
        |file: &crate::settings::GardenFile| before.garden_files.iter().any(|it| it.has_text_of(file));
    after.garden_files.iter().filter(|file| known(file)).map(|file| file.site.clone()).collect()
}

/// What the record says of the new plan once its sensors have their names.
struct Standing {
    /// Ends of what nothing brings about any more; of whole gardens, and within them.
    gone: Vec<AlarmChange>,
    ends: Vec<AlarmChange>,
    waiting: Vec<Waiting>,
}

impl Engine {
    /// Notes what was just stored, where a configuration was read again.
    pub(super) fn note_stored(&mut self) {
        if let Some(noted) = &mut self.stored_since
            && noted.len() <= NOTED_MAX
        {
            noted.extend_from_slice(&self.batch.readings);
        }
    }

    /// Lets the plan that waits take over. `false` where the engine cannot go on with the one or
    /// the other, and the daemon has to be started again.
    pub(super) fn take_over_now(&mut self, now: Timestamp, daemon_health: &DaemonHealth) -> bool {
        let Some((plan, reply)) = self.to_take_over.take() else { return true };
        let before: Vec<Garden> = self.router.core.sites().cloned().collect();
        let mut registered = false;
        let outcome = self.take_over(*plan, now, &mut registered);
        let mut goes_on = true;
        if outcome.is_err()
            && registered
            && let Err(reason) = self.store.register(&before)
        {
            error!(reason = %ErrorChain(&reason), "the sensors' names of before could not be put back");
            goes_on = false;
        }
        if outcome.is_ok() {
            daemon_health.store_watch.stand(self.router.core.store_alarms());
            self.wake_page.send_modify(|times| *times += 1);
        }
        // Who asked may have gone.
        let _ = reply.send(outcome);
        goes_on
    }

    /// The batch is committed, so nothing stands between the store and the core. `registered`:
    /// the store has the new sensors' names.
    fn take_over(
        &mut self,
        plan: PreparedPlan,
        now: Timestamp,
        registered: &mut bool,
    ) -> Result<TakenOver, TakeOverFault> {
        let noted = self.stored_since.take().unwrap_or_default();
        if noted.len() > NOTED_MAX {
            return Err(TakeOverFault::TooManyReadings);
        }
        let PreparedPlan { gardens, shared, mut rebuilt, kept, unchanged, clock, .. } = plan;
        let (names, numbers) = (sensor_names(self.router.core.sites()), rebuilt.numbers());
        for reading in &noted {
            rebuilt.catch_up(&numbers, &names, reading);
        }
        let still = |it: &&Garden| shared.iter().any(|garden| garden.site.id == it.site.id);
        let gone = self.router.core.sites().filter(|it| !still(it)).count();
        self.store.register(&gardens)?;
        *registered = true;
        let standing = self.read_standing(&mut rebuilt, &kept, &shared, now)?;
        self.store.set_forwarders(&plan.forwarders.iter().map(String::as_str).collect::<Vec<_>>())?;
        self.store.set_keep_rejects(plan.keep_rejects);
        if clock == Clock::Arrival {
            self.store.set_keep_readings(plan.keep_readings_days, &gardens);
        }

        // From here on nothing can fail.
        self.snapshots.take_over(&unchanged);
        self.kept_states = shared.iter().map(|garden| garden.site.id.clone()).enumerate().collect();
        let core = std::mem::replace(&mut self.router.core, Core::new(&[], clock));
        let core = core.carried_over(&shared, rebuilt, now);
        let mut router = Router::with_core(&shared, core);
        if clock == Clock::Arrival {
            router.set_limit(plan.limit);
        }
        if plan.answers {
            router.take_answers();
        }
        router.go_on_after(std::mem::replace(&mut self.router, Router::new(&[], clock)));
        self.router = router;
        self.forward = !plan.forwarders.is_empty();
        self.health_limits = plan.health_limits;
        self.letters.extend(publication::letters_of_renamed(&self.store, &gardens, now));
        let taken = TakenOver {
            rebuilt: shared.len() - unchanged.len(),
            unchanged: unchanged.len(),
            gone,
            ended: standing.gone.len() + standing.ends.len(),
            renamed: self.store.renamed().len(),
        };
        self.tell_of_taking_over(&shared, standing, now);
        Ok(taken)
    }

    /// Lays what the record says over the rebuilt gardens.
    fn read_standing(
        &self,
        rebuilt: &mut Core,
        kept: &KeptStates,
        gardens: &[Arc<Garden>],
        now: Timestamp,
    ) -> Result<Standing, StoreError> {
        let reader = Reader::open(self.store.path())?;
        let stored = restore_standing(rebuilt, &reader, kept)?;
        let gone = self.router.core.ends_of_gone(gardens, &stored, now);
        Ok(Standing { gone, ends: rebuilt.ends_of_removed(&stored, now), waiting: reader.waiting()? })
    }

    /// Goes on telling by the new plan. Who was told of an alarm of a garden that is gone is told
    /// by the plan of before that it is over.
    fn tell_of_taking_over(&mut self, gardens: &[Arc<Garden>], standing: Standing, now: Timestamp) {
        let mut before = std::mem::replace(&mut self.telling, Notifier::new(gardens));
        self.telling.restore(standing.waiting);
        if !self.tell {
            return;
        }
        let moment = self.telling_moment(now);
        before.take(&standing.gone, moment, &mut self.told);
        // Nothing waits any more for a garden that is gone.
        let gone: BTreeSet<&Id> = standing.gone.iter().map(|change| &change.record.key.site).collect();
        self.told
            .waiting
            .iter_mut()
            .filter(|(site, _)| gone.contains(site))
            .for_each(|(_, rows)| rows.clear());
        self.batch.changes.extend(standing.gone);
        self.batch.changes.extend(standing.ends);
    }
}

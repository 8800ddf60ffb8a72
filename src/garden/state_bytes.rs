//! A site's whole state as bytes, and back: what a start reads instead of weeks of
//! readings.
//!
//! Everything that the core knows of a site goes in, but what its plan gives anyway
//! (which sensors a bed has). Floats come back to the last bit, NaN included. The bytes say
//! nothing of their own layout, so they are read only by the program that has made them,
//! with the same plan: whoever keeps them sees to that, and to bytes that were torn. Beside
//! it, what would not fit the plan is refused here.

#[cfg(test)]
mod tests;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::garden::Core;
use crate::garden::alarm::note_limit::NoteLimit;
use crate::garden::alarm::slot::AlarmSlot;
use crate::garden::alarm::slots::AlarmSlots;
use crate::garden::bed::program_state::ProgramState;
use crate::garden::jobs::state::JobState;
use crate::garden::log::SiteLog;
use crate::garden::sensor::replacements::Replacements;
use crate::garden::sensor::state::{GatewayState, SensorState};
use crate::garden::site::{BedState, SiteState, TankState};
use crate::garden::weather::days::WeatherDays;
use crate::garden::weather::night::NightOutlook;
use crate::rain::GaugeReliability;
use crate::watering::SameTimeWatch;

/// Why bytes are not a site's state.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StateUnfit {
    #[error("its bytes cannot be read: {0}")]
    Unreadable(String),
    #[error("it does not fit the garden's file: {0}")]
    OtherPlan(&'static str),
    #[error("there is no such garden")]
    NoSuchSite,
}

/// Makes the parts of a state that are kept of one list, so that none is forgotten: a new
/// field of [`SiteState`] has to be named here, or it does not compile.
macro_rules! kept {
    ($($field:ident: $kind:ty,)*) => {
        #[derive(Serialize)]
        struct KeptParts<'s> { $($field: &'s $kind,)* }

        #[derive(Deserialize)]
        struct ReadParts { $($field: $kind,)* }

        impl<'s> KeptParts<'s> {
            fn of(site: &'s SiteState) -> Self {
                let SiteState { garden: _, gauges: _, resumed: _, sun: _, $($field,)* } = site;
                Self { $($field,)* }
            }
        }

        impl ReadParts {
            fn put_into(self, site: &mut SiteState) {
                $(site.$field = self.$field;)*
            }
        }
    };
}

kept! {
    sensors: Vec<SensorState>,
    replacements: Vec<Replacements>,
    beds: Vec<BedState>,
    tanks: Vec<TankState>,
    programs: Vec<ProgramState>,
    jobs: Vec<JobState>,
    gateways: Vec<GatewayState>,
    gauge_reliability: Vec<GaugeReliability>,
    alarms: AlarmSlots,
    log: SiteLog,
    weather: WeatherDays,
    night: Option<NightOutlook>,
    evidence_at: Option<Timestamp>,
    like_rain_at: Option<Timestamp>,
    same_time: SameTimeWatch,
    judged_to: Option<Timestamp>,
    now: Option<Timestamp>,
    silence_due: Option<Timestamp>,
    timers_at: Option<Timestamp>,
    note_limit: NoteLimit,
}

impl Core {
    /// All that is known of a site, by its number; empty where there is no such site.
    pub fn state_bytes(&self, site: usize) -> Vec<u8> {
        self.site_states().nth(site).map_or_else(Vec::new, |site| {
            postcard::to_stdvec(&KeptParts::of(site)).expect("memory takes as many bytes as there are")
        })
    }

    /// Makes a site, by its number, stand as [`Core::state_bytes`] of a core of the same
    /// gardens said. Its stored alarms come after it, by [`Core::restore_alarms`].
    ///
    /// # Errors
    /// When they are no such bytes, or of another plan; the site is then as it was.
    pub fn resume(&mut self, site: usize, bytes: &[u8]) -> Result<(), StateUnfit> {
        let site = self.site_states_mut().nth(site).ok_or(StateUnfit::NoSuchSite)?;
        let (parts, rest) = postcard::take_from_bytes::<ReadParts>(bytes)
            .map_err(|reason| StateUnfit::Unreadable(reason.to_string()))?;
        if !rest.is_empty() {
            return Err(StateUnfit::Unreadable(format!("{} bytes follow it", rest.len())));
        }
        site.resume(parts)
    }
}

impl SiteState {
    fn resume(&mut self, mut parts: ReadParts) -> Result<(), StateUnfit> {
        self.check(&parts).map_err(StateUnfit::OtherPlan)?;
        // Which of the program's own alarms stand here is not in this garden's file.
        let mut alarms = self.alarms.clone();
        alarms
            .go_on_from(&self.garden, std::mem::take(&mut parts.alarms))
            .map_err(|_| StateUnfit::OtherPlan("an alarm that its places do not have"))?;
        parts.alarms = alarms;
        for (kept, own) in parts.beds.iter_mut().zip(&mut self.beds) {
            kept.probes = std::mem::take(&mut own.probes);
        }
        for (kept, own) in parts.tanks.iter_mut().zip(&mut self.tanks) {
            kept.thermometers = std::mem::take(&mut own.thermometers);
            kept.oxygen_probes = std::mem::take(&mut own.oxygen_probes);
            kept.ph_probes = std::mem::take(&mut own.ph_probes);
        }
        for (kept, own) in parts.gateways.iter_mut().zip(&mut self.gateways) {
            kept.members = std::mem::take(&mut own.members);
        }
        parts.put_into(self);
        self.resumed = true;
        Ok(())
    }

    /// What of the parts does not fit the plan: numbers of places are used as indices.
    fn check(&self, it: &ReadParts) -> Result<(), &'static str> {
        let same = |fits: bool, what| if fits { Ok(()) } else { Err(what) };
        same(it.sensors.len() == self.sensors.len(), "another number of sensors")?;
        same(it.replacements.len() == self.replacements.len(), "another number of sensors")?;
        same(it.beds.len() == self.beds.len(), "another number of beds")?;
        same(it.tanks.len() == self.tanks.len(), "another number of tanks")?;
        same(it.programs.len() == self.programs.len(), "another number of timers")?;
        same(it.jobs.len() == self.jobs.len(), "another number of jobs")?;
        same(it.gateways.len() == self.gateways.len(), "another number of gateways")?;
        same(it.gauge_reliability.len() == self.gauges.len(), "another number of gauges")?;
        let pairs = it.sensors.iter().zip(&self.sensors);
        let of_its_kind = |(kept, own): (&SensorState, &SensorState)| kept.history.is_like(&own.history);
        same(pairs.clone().all(of_its_kind), "a sensor of another quantity")?;
        same(it.weather.is_like(&self.weather), "other weather sensors")?;
        same(it.beds.iter().all(|bed| bed.outlook.is_sound()), "an outlook that cannot be")?;
        same(it.beds.iter().all(|bed| bed.wetting_why.is_sound()), "equations that there are not")?;
        same(it.alarms.iter().all(AlarmSlot::is_sound), "words that cannot be read")?;
        let (beds, sensors) = (self.beds.len(), self.sensors.len());
        let bed = |bed: u16| usize::from(bed) < beds;
        let sensor = |sensor: u16| usize::from(sensor) < sensors;
        let known = it.beds.iter().all(|state| {
            state.wetness.ebb_of.is_none_or(sensor)
                && state.wetting_evidence.as_ref().is_none_or(|it| it.open().is_some_and(|it| sensor(it.1)))
        });
        same(known, "a bed's sensor that there is not")?;
        let programs = it.programs.iter().all(|state| {
            state.watch.beds().all(bed)
                && state.missed.iter().flat_map(|missed| &missed.beds).all(|(missed, _)| bed(*missed))
        });
        same(programs, "a bed that there is not")
    }
}

//! A core for gardens whose files were read again: sites whose file is as it was go on as
//! they are, the others come rebuilt from the record.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use jiff::Timestamp;

use crate::alarms::{AlarmRecord, AlarmText, Kind, State};
use crate::garden::core::{Clock, Core};
use crate::garden::plan::{Garden, Sensor};
use crate::garden::record::{AlarmChange, Reading};
use crate::garden::site::SiteState;
use crate::model::{Id, KeptTime, Quantity, SensorIx};

/// By what a sensor is known in another plan: site, id and quantity.
pub(crate) type SensorName = (Id, Id, Quantity);

/// The sensors of gardens, in the order of their numbers.
pub(crate) fn sensor_names<'g>(gardens: impl Iterator<Item = &'g Garden>) -> Vec<SensorName> {
    let of = |garden: &'g Garden| garden.sensors.iter().map(move |it| name_of(garden, &it.id, it));
    gardens.flat_map(of).collect()
}

fn name_of(garden: &Garden, id: &Id, sensor: &Sensor) -> SensorName {
    (garden.site.id.clone(), id.clone(), sensor.measures)
}

/// Of `alike` (gardens whose file is as it was) those that can go on as they are: which
/// alarms about the program itself a garden shows is decided among all gardens.
pub(crate) fn unchanged(before: &[Arc<Garden>], after: &[Arc<Garden>], alike: &BTreeSet<Id>) -> BTreeSet<Id> {
    let of_program = |gardens: &[Arc<Garden>]| -> BTreeMap<Id, Vec<Kind>> {
        let core = Core::new(gardens, Clock::Arrival);
        core.site_states().map(|site| (site.garden.site.id.clone(), site.alarms.of_program())).collect()
    };
    let (before, after) = (of_program(before), of_program(after));
    alike.iter().filter(|id| before.contains_key(*id) && before.get(*id) == after.get(*id)).cloned().collect()
}

impl Core {
    /// Takes a reading that was stored after the record was read for this core, unless it
    /// had that reading as well. `names`: what the reading's number stands for.
    pub(crate) fn catch_up(
        &mut self,
        numbers: &HashMap<SensorName, SensorIx>,
        names: &[SensorName],
        reading: &Reading,
    ) {
        let Some(number) = names.get(reading.sensor.0 as usize).and_then(|name| numbers.get(name)) else {
            return;
        };
        let last = self.judged_last(*number);
        if !reading.late && last.is_none_or(|last| reading.at > last) {
            let mut scratch = crate::garden::record::Batch::default();
            self.restore_reading(&Reading { sensor: *number, ..*reading }, &mut scratch);
        }
    }

    /// The numbers of this core's sensors, by their ids of today and of before.
    pub(crate) fn numbers(&self) -> HashMap<SensorName, SensorIx> {
        let all = self.sites().flat_map(|garden| garden.sensors.iter().map(move |it| (garden, it)));
        let numbered = (0_u32..).zip(all);
        let names = numbered.flat_map(|(number, (garden, sensor))| {
            sensor.ids().map(move |id| (name_of(garden, id, sensor), SensorIx(number)))
        });
        names.collect()
    }

    /// A core of these gardens: each site is that of `rebuilt`, or else goes on as it stands in
    /// `self`. Sensors that were known before count as heard when they last were, others at
    /// `now`. Every garden has to be in one of the two.
    pub(crate) fn carried_over(self, gardens: &[Arc<Garden>], mut rebuilt: Self, now: Timestamp) -> Self {
        let clock = self.clock();
        rebuilt.hear_as(&self, now);
        let by_id = |core: Self| -> BTreeMap<Id, SiteState> {
            core.into_sites().map(|site| (site.garden.site.id.clone(), site)).collect()
        };
        let (mut rebuilt, mut before) = (by_id(rebuilt), by_id(self));
        let site = |garden: &Arc<Garden>| {
            let id = &garden.site.id;
            rebuilt
                .remove(id)
                .or_else(|| before.remove(id))
                .unwrap_or_else(|| SiteState::new(Arc::clone(garden)))
        };
        Self::of_sites(gardens.iter().map(site).collect(), clock)
    }

    /// Notes when each sensor was last heard, as `before` knows it. Of what is new to it
    /// nobody is silent before having had the time to speak.
    fn hear_as(&mut self, before: &Self, now: Timestamp) {
        if self.clock() != Clock::Arrival {
            return;
        }
        let known: HashMap<SensorName, Option<Timestamp>> = before
            .site_states()
            .flat_map(|site| {
                site.garden.sensors.iter().zip(&site.sensors).map(move |(plan, it)| (site, plan, it))
            })
            .map(|(site, plan, state)| (name_of(&site.garden, &plan.id, plan), state.heard()))
            .collect();
        for site in self.site_states_mut() {
            site.set_back(now);
            let garden = Arc::clone(&site.garden);
            for (plan, state) in garden.sensors.iter().zip(&mut site.sensors) {
                let heard = plan.ids().find_map(|id| known.get(&name_of(&garden, id, plan)));
                state.heard = state.heard.max(heard.copied().unwrap_or(Some(now)).map(KeptTime::from));
            }
            site.now = site.now.max(Some(now));
            site.silence_due = None;
        }
    }

    /// The ends of stored alarms of gardens that `self` watched and `after` does not.
    pub(crate) fn ends_of_gone(
        &self,
        after: &[Arc<Garden>],
        stored: &[AlarmRecord],
        now: Timestamp,
    ) -> Vec<AlarmChange> {
        let gone = |garden: &&Garden| !after.iter().any(|it| it.site.id == garden.site.id);
        let of = |garden: &Garden| -> Vec<AlarmChange> {
            let stood = |it: &&AlarmRecord| it.key.site == garden.site.id && it.state != State::Normal;
            let end = |alarm: &AlarmRecord| {
                let text = format!(
                    "{} is in no garden's file any more, so Trug has stopped watching it, and the alarm is over.",
                    garden.site.name
                );
                let said = AlarmText::new(text, &[], "the gardens' files");
                AlarmChange::end_of(alarm, self.moment(&alarm.key.site, now), said, Some(garden))
            };
            stored.iter().filter(stood).map(end).collect()
        };
        self.sites().filter(gone).flat_map(of).collect()
    }
}

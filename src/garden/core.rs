//! The one entry point: a raw reading in, rows to keep and alarms to tell out.
//!
//! Live running, import, replay and the tests all call [`Core::take`]. The core
//! holds no clock: the moment of arrival comes in with each reading, and
//! [`Clock`] says whether that moment or the readings' own times move the
//! garden on.

mod reading;
mod restoring;

use std::sync::Arc;

use jiff::Timestamp;

use crate::alarms::{
    AlarmKey, AlarmNote, AlarmRecord, AlarmText, Answer, Answered, Delays, Kind, PlaceKind, State,
};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::log::LogEntry;
use crate::garden::plan::{Garden, Sensor};
use crate::garden::record::{Batch, Reject};
use crate::garden::site::SiteState;
use crate::garden::view::SiteView;
use crate::model::{Id, Sample, SensorIx};
use crate::quality::Flag;

use reading::ReadingTime;
pub use restoring::{RESTORE_S, restore_from};

/// What moves a garden's time on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clock {
    /// The moments at which readings arrive, and ticks: live running.
    Arrival,
    /// The readings' own times: import, replay and simulation.
    Readings,
}

/// All gardens and what is known of them.
#[derive(Debug)]
pub struct Core {
    clock: Clock,
    sites: Vec<SiteState>,
    /// Site and place in the site of each sensor of the fleet.
    sensors: Vec<(u32, u16)>,
}

impl Core {
    /// A core that knows nothing yet. Sensors are numbered garden by garden, in
    /// order.
    pub fn new(gardens: &[Arc<Garden>], clock: Clock) -> Self {
        Self::of_sites(gardens.iter().map(|g| SiteState::new(Arc::clone(g))).collect(), clock)
    }

    /// A core of these sites.
    pub(crate) fn of_sites(mut sites: Vec<SiteState>, clock: Clock) -> Self {
        let sensors = (0u32..)
            .zip(&sites)
            .flat_map(|(site, of)| (0u16..).zip(&of.garden.sensors).map(move |(sensor, _)| (site, sensor)))
            .collect();
        place_system_alarms(&mut sites);
        Self { clock, sites, sensors }
    }

    pub(crate) fn into_sites(self) -> impl Iterator<Item = SiteState> {
        self.sites.into_iter()
    }

    fn site(&self, id: &Id) -> Option<&SiteState> {
        self.sites.iter().find(|site| site.garden.site.id == *id)
    }

    fn site_mut(&mut self, id: &Id) -> Option<&mut SiteState> {
        self.sites.iter_mut().find(|site| site.garden.site.id == *id)
    }

    /// The site of a sensor of the fleet, and the sensor's number there.
    fn sensor_mut(&mut self, sensor: SensorIx) -> Option<(&mut SiteState, u16)> {
        let &(site, index) = self.sensors.get(sensor.0 as usize)?;
        Some((&mut self.sites[site as usize], index))
    }

    /// Takes one raw reading that arrived at `arrival`: calibrates, flags and
    /// judges it, and adds what is to be kept and told to `batch`.
    pub fn take(&mut self, sensor: SensorIx, sample: Sample, arrival: Timestamp, batch: &mut Batch) {
        self.take_reading(sensor, sample, (arrival, false), batch);
    }

    /// The same for a reading that the broker had kept: its arrival says nothing about its
    /// device's clock.
    pub(crate) fn take_kept(
        &mut self,
        sensor: SensorIx,
        sample: Sample,
        arrival: Timestamp,
        batch: &mut Batch,
    ) {
        self.take_reading(sensor, sample, (arrival, true), batch);
    }

    fn take_reading(
        &mut self,
        sensor: SensorIx,
        sample: Sample,
        (arrival, kept): (Timestamp, bool),
        batch: &mut Batch,
    ) {
        let clock = self.clock;
        let Some((site, index)) = self.sensor_mut(sensor) else { return };
        if clock == Clock::Arrival {
            site.set_back(arrival);
        }
        let garden = Arc::clone(&site.garden);
        let plan = garden.sensor(index);
        let ReadingTime { at, now, time_from, late, sign_of_life } =
            site.reading_time(clock, index, sample.at, arrival);
        site.pass_time(now, batch);
        if !late && site.start_afresh(index, at) {
            site.believe_new_gauge(index, at, batch);
        }
        let measured = site.measure(plan, index, sensor, at, sample.raw, time_from, late, batch);
        let reading = measured.map(|(reading, _)| reading);
        if sign_of_life {
            site.heard(index, now, batch);
        }
        if let (Clock::Arrival, Some(given), false) = (clock, sample.at, kept) {
            site.judge_clock(index, given, arrival, late, batch);
        }
        let repeated =
            site.sensors[usize::from(index)].last().is_some_and(|last| at <= last.at) && reading.is_none();
        let judged = reading.filter(|r| r.flag == Flag::Pass).and_then(|r| r.value);
        if judged.is_none() && !repeated {
            site.sensors[usize::from(index)].history.miss(at, &garden.site.time_zone);
        }
        let Some((_, bad)) = measured else { return };
        site.judged_to = site.judged_to.max(Some(at));
        site.judge_fault(index, at, bad, batch);
        if let Some(state) = sample.battery.filter(|state| state.is_finite()) {
            site.judge_battery(index, at, state, batch);
        }
        let Some(value) = judged else { return };
        let wetting = site.remember(plan, index, at, sample.raw, value);
        site.judge_place_of(plan, index, (at, value), wetting, batch);
    }

    /// Takes what somebody saw or did. Entries come in the order in which they were
    /// written down, which need not be that of their own times.
    pub fn log(&mut self, entry: &LogEntry, now: Timestamp, batch: &mut Batch) {
        let clock = self.clock;
        let Some(site) = self.site_mut(&entry.site) else { return };
        let now = match clock {
            Clock::Arrival => now,
            Clock::Readings => site.latest().map_or(entry.at, |latest| latest.max(entry.at)),
        };
        site.log.add(entry);
        site.note_replaced(entry);
        site.note_job(entry);
        site.judge_logged(entry, now, batch);
    }

    /// Takes that an entry of the log was struck, and the one that puts it right, if any:
    /// what the struck one had decided is decided without it. One that is struck already
    /// changes nothing.
    pub fn strike(
        &mut self,
        struck: &LogEntry,
        instead: Option<&LogEntry>,
        now: Timestamp,
        batch: &mut Batch,
    ) {
        let clock = self.clock;
        let Some(site) = self.site_mut(&struck.site) else { return };
        let moment = match clock {
            Clock::Arrival => now,
            Clock::Readings => site.latest().map_or(struck.at, |latest| latest.max(struck.at)),
        };
        let suspect = site.suspect_gauges();
        site.forget_entry(struck);
        // First the right one, so that what both say stands without a break.
        if let Some(instead) = instead {
            self.log(instead, now, batch);
        }
        if let Some(site) = self.site_mut(&struck.site) {
            site.judge_without(struck, &suspect, moment, batch);
        }
    }

    /// The number of a sensor's site.
    pub fn site_of(&self, sensor: SensorIx) -> Option<usize> {
        self.sensors.get(sensor.0 as usize).map(|&(site, _)| site as usize)
    }

    /// How many sensors there are.
    pub fn sensor_count(&self) -> usize {
        self.sensors.len()
    }

    /// The plan of a sensor, and its garden's.
    pub(crate) fn planned(&self, sensor: SensorIx) -> Option<(&Garden, &Sensor)> {
        let &(site, index) = self.sensors.get(sensor.0 as usize)?;
        let garden = &self.sites[site as usize].garden;
        Some((garden, garden.sensor(index)))
    }

    /// The plans of all sensors, by their numbers.
    pub(crate) fn planned_sensors(&self) -> impl Iterator<Item = (SensorIx, &Sensor)> {
        (0u32..).map(SensorIx).zip(self.sites.iter().flat_map(|site| &site.garden.sensors))
    }

    /// The time of a sensor's last judged reading; `None` where it has none.
    pub fn judged_last(&self, sensor: SensorIx) -> Option<Timestamp> {
        let &(site, index) = self.sensors.get(sensor.0 as usize)?;
        self.sites[site as usize].sensors[usize::from(index)].last().map(|last| last.at)
    }

    /// Moves live time on where no reading does, so that silence is noticed.
    /// With [`Clock::Readings`] it does nothing.
    pub fn tick(&mut self, now: Timestamp, batch: &mut Batch) {
        if self.clock == Clock::Arrival {
            for site in &mut self.sites {
                site.set_back(now);
                site.pass_time(now, batch);
            }
        }
    }

    /// Takes a person's answer to an alarm. Its note is kept with the step that it
    /// makes: an answer that changes nothing leaves nothing behind, so that one that
    /// comes twice does no harm. A note without a step is kept while the alarm is not
    /// over. One too many ([`NoteLimit`](crate::garden::alarm::note_limit::NoteLimit)) goes to
    /// the rejects. Occurrences are compared to the millisecond.
    pub fn answer(&mut self, answer: &Answer, batch: &mut Batch) -> Answered {
        let Answer { key, input, since, .. } = answer;
        let before = batch.changes.len();
        let at = self.moment(&key.site, answer.at);
        let Some(site) = self.site_mut(&key.site) else {
            return Answered::NoSuchAlarm;
        };
        let Some(slot) = site.alarms.of_key(&site.garden, key) else { return Answered::NoSuchAlarm };
        if let Some(why) = since.and_then(|since| slot.not_of(since, *input)) {
            return why;
        }
        let (subject, life) = (slot.subject, slot.life());
        let noted = match *input {
            None => (life.state() != State::Normal).then(|| life.since().unwrap_or(at)),
            Some(input) => {
                // The delays are the condition's; an answer waits for nothing.
                site.judge_within(Delays::NONE, subject, at, input, batch, |_, _| {
                    AlarmText::new("Nothing is the matter here; somebody answered all the same.", &[], "")
                });
                batch.changes.get(before).map(|change| change.record.since)
            }
        };
        let state = site.alarms.life(subject).state();
        for change in &mut batch.changes[before..] {
            change.how = Some(answer.how.clone().into());
        }
        match (noted, state) {
            (Some(since), _) => {
                let Some(note) = answer.note.clone() else { return Answered::Done };
                if let Err(reason) = site.note_limit.take(key, since, at) {
                    let payload = note.as_bytes()[..note.len().min(Reject::PAYLOAD_MAX)].to_vec();
                    let topic = format!("a note to {}/{} at {}", key.kind.name(), key.place, key.site);
                    batch.rejects.push(Reject { at, topic, payload, reason });
                    return if input.is_none() { Answered::TooManyNotes } else { Answered::Done };
                }
                batch.notes.push(AlarmNote { key: key.clone(), since, at, note, how: answer.how.clone() });
                Answered::Done
            }
            (None, State::Normal) => Answered::Over,
            (None, _) => Answered::NotWaiting,
        }
    }

    /// The moment on the site's clock at which something counts that a person did at `now`.
    pub fn moment(&self, site: &Id, now: Timestamp) -> Timestamp {
        match self.clock {
            Clock::Arrival => now,
            Clock::Readings => self.site(site).and_then(SiteState::latest).unwrap_or(now),
        }
    }

    /// Whether its site can have this alarm.
    pub(crate) fn has(&self, key: &AlarmKey) -> bool {
        self.site(&key.site).is_some_and(|site| site.alarms.of_key(&site.garden, key).is_some())
    }

    /// An alarm as it stands, with what was last said of it; `None` where there is
    /// no such alarm or it was never told.
    pub fn snapshot(&self, key: &AlarmKey) -> Option<AlarmRecord> {
        let site = self.site(&key.site)?;
        let slot = site.alarms.of_key(&site.garden, key)?;
        slot.life().since()?;
        site.alarm_record(&slot)
    }

    /// The sensors count as heard at `now`: after a pause of the daemon nobody
    /// is silent before having had the time to speak.
    pub fn start(&mut self, now: Timestamp) {
        if self.clock == Clock::Arrival {
            for site in &mut self.sites {
                site.set_back(now);
                for sensor in &mut site.sensors {
                    sensor.heard = sensor.heard.max(Some(now.into()));
                }
                site.now = site.now.max(Some(now));
                site.silence_due = None;
            }
        }
    }

    /// The sites' ids and names, in order.
    pub fn sites(&self) -> impl Iterator<Item = &Garden> {
        self.sites.iter().map(|s| &*s.garden)
    }

    pub(crate) fn clock(&self) -> Clock {
        self.clock
    }

    pub(crate) fn site_states_mut(&mut self) -> impl Iterator<Item = &mut SiteState> {
        self.sites.iter_mut()
    }

    pub(crate) fn site_states(&self) -> impl Iterator<Item = &SiteState> {
        self.sites.iter()
    }

    /// What a person is shown of a site; `None` if there is no such site.
    pub fn view(&self, site: &str) -> Option<SiteView> {
        self.sites.iter().find(|s| s.garden.site.id.as_str() == site).map(SiteState::view)
    }

    /// The same of `count` sites from the one with the number `from` on, without figures,
    /// weather and sensors: for a list of many.
    pub fn brief_views(&self, from: usize, count: usize) -> Vec<SiteView> {
        self.sites.iter().skip(from).take(count).map(SiteState::brief_view).collect()
    }

    /// How many readings' times the fleet has reached: the newest judged time.
    pub fn latest(&self) -> Option<Timestamp> {
        self.sites.iter().filter_map(SiteState::latest).max()
    }
}

/// The kinds that are about the program itself.
fn system_kinds() -> impl Iterator<Item = Kind> {
    Kind::at(|place| place == PlaceKind::System)
}

/// Places each kind that is about the program itself in its gardens: those in which some
/// group is concerned by it, and the first where none is, so that page and history
/// show it.
fn place_system_alarms(sites: &mut [SiteState]) {
    for kind in system_kinds() {
        let mut told = false;
        for site in &mut *sites {
            if !site.garden.told_of(kind, AlarmPlace::System.id(&site.garden)).is_empty() {
                site.alarms.carry(kind);
                told = true;
            }
        }
        if !told && let Some(first) = sites.first_mut() {
            first.alarms.carry(kind);
        }
    }
}

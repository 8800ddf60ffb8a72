//! The one entry point: a raw reading in, rows to keep and alarms to tell out.
//!
//! Live running, import, replay and the tests all call [`Core::take`]. The core
//! holds no clock: the moment of arrival comes in with each reading, and
//! [`Clock`] says whether that moment or the readings' own times move the
//! garden on.

use std::sync::Arc;

use jiff::Timestamp;

use crate::alarms::{
    AlarmKey, AlarmNote, AlarmRecord, AlarmText, Answer, Answered, Delays, Kind, PlaceKind, SYSTEM_PLACE,
    State,
};
use crate::calibration::Calibrator;
use crate::decode::time_of;
use crate::garden::alarm::place::{AlarmPlace, AlarmSubject};
use crate::garden::gauge::rain_days::caught;
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::plan::{Garden, Sensor};
use crate::garden::record::{Batch, Reading, Reflag, Reject};
use crate::garden::sensor::fault_watch::ReadingFault;
use crate::garden::sensor::state::{LastReading, SensorHistory};
use crate::garden::site::SiteState;
use crate::garden::view::SiteView;
use crate::model::{Id, Place, Quantity, Sample, SensorIx, TimeFrom, add_seconds};
use crate::quality::{Flag, Judged, Watch};
use crate::soil::mean_water_content;

/// What moves a garden's time on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clock {
    /// The moments at which readings arrive, and ticks: live running.
    Arrival,
    /// The readings' own times: import, replay and simulation.
    Readings,
}

/// A reading this much older than the newest judged one of its site is late.
const LATE_S: i64 = 3600;
/// A reading this much older than its arrival is late even where nothing newer
/// is known: what happened two days ago is no alarm of today.
const OLD_S: i64 = 86_400;

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
        let (given_at, time_from, _) = time_of(sample.at, arrival);
        let (at, now) = match (clock, time_from) {
            (Clock::Arrival, _) => (given_at, arrival),
            (Clock::Readings, TimeFrom::Device) => {
                (given_at, site.latest().map_or(given_at, |t| t.max(given_at)))
            }
            (Clock::Readings, TimeFrom::Arrival) => {
                let now = site.latest().unwrap_or(given_at);
                (now, now)
            }
        };
        let garden = Arc::clone(&site.garden);
        let plan = garden.sensor(index);

        let state = &mut site.sensors[usize::from(index)];
        let at = match time_from {
            // Several readings without a time arrived at one moment: each has a key.
            TimeFrom::Arrival => state.stamp.next(at, state.last().map(|last| last.at)),
            TimeFrom::Device => at,
        };
        let late = state.last().is_some_and(|last| at <= last.at)
            || site.judged_to.is_some_and(|to| to.as_second() - at.as_second() > LATE_S)
            || arrival_too_late(clock, at, arrival);
        // Where the readings' own times are the clock, one that is no newer than the
        // sensor's last says nothing about now: a broker may bring it once more long
        // after the sensor has fallen silent.
        let sign_of_life = clock == Clock::Arrival || state.last().is_none_or(|last| at > last.at);
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
        site.weather.push(index, at, value, &garden.site.time_zone);
        let patience_s = site.patience_s(index);
        let suspect =
            site.gauges.iter().position(|&g| g == index).is_some_and(|number| site.gauge_suspected(number));
        let state = &mut site.sensors[usize::from(index)];
        state.good_before = state.good.replace((at.into(), value));
        let wetting = match &mut state.history {
            SensorHistory::Soil(watch) => watch.push(at, value),
            SensorHistory::Water(thermometer) => {
                thermometer.push(at, value, plan.quality.gap_s);
                None
            }
            SensorHistory::Ph(hours) => {
                hours.push(at, value);
                None
            }
            SensorHistory::Rain(gauge) => {
                gauge.push(caught(plan, at, sample.raw, value), patience_s, &garden.site.time_zone);
                if suspect {
                    gauge.doubt();
                }
                None
            }
            SensorHistory::Flow(flow) => {
                flow.push(at, value, i64::from(plan.every_s), patience_s);
                None
            }
            SensorHistory::Extremes(extremes) => {
                extremes.push(at, value);
                None
            }
            SensorHistory::None => None,
        };
        match (plan.place, &state.history) {
            (Place::Site, _) if plan.measures == Quantity::AirTemperature => site.judge_air(at, batch),
            (Place::Bed(bed), SensorHistory::Soil(_)) => {
                let content = site.judge_bed_water(bed, at, batch);
                site.judge_wetness(bed, index, (at, value), content, batch);
                site.watch_soaking(bed, index, at, value, wetting.is_some(), batch);
                if let Some(wetting) = wetting {
                    site.beds[usize::from(bed)].outlook.wetted(wetting.onset);
                    site.judge_wetting(bed, index, wetting, batch);
                }
                site.watch_programs(bed, index, at, value, wetting, batch);
            }
            (place, SensorHistory::Flow(_)) => {
                if let Place::Bed(bed) = place {
                    site.judge_flow(bed, index, at, batch);
                }
                site.judge_flow_left_on(index, at, batch);
            }
            (_, SensorHistory::Rain(_)) if value > 0.0 => site.rained_on_beds(),
            (Place::Tank(tank), _) => site.judge_tank(tank, at, batch),
            _ => {}
        }
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

    /// Notes an entry of the log that says that a sensor was replaced or a bed planted. Called before
    /// anything is restored, so that the readings before it teach nothing about those after.
    pub fn restore_replacement(&mut self, entry: &LogEntry) {
        if let Some(site) = self.site_mut(&entry.site) {
            site.note_replaced(entry);
            // Roots grow from a planting: what is restored is judged with it.
            if matches!(entry.what, LogEvent::Planted { .. }) {
                site.log.add(entry);
            }
        }
    }

    /// Restores an entry of the log after [`Core::restore_reading`]s and before
    /// [`Core::restore_alarms`]. Nothing is told or kept.
    pub fn restore_log(&mut self, entry: &LogEntry) {
        if let Some(site) = self.site_mut(&entry.site) {
            site.log.add(entry);
            site.note_replaced(entry);
            site.note_job(entry);
            if let Some(bed) = site.bed_logged(entry) {
                site.learn_from(entry);
                site.explain_wettings(bed, entry);
            }
        }
    }

    /// Where what was stored after the kept state of a site begins: no judged reading that
    /// is not in it is older. `kept_at` is when it was kept. `None`: the site does not go on
    /// from one.
    pub fn resumed_from(&self, site: usize, kept_at: Timestamp) -> Option<Timestamp> {
        let state = self.sites.get(site).filter(|site| site.resumed)?;
        let judged = state.judged_to.map(|to| add_seconds(to, -LATE_S));
        // What is later than its arrival by more is late.
        let arrived = (self.clock == Clock::Arrival).then(|| add_seconds(kept_at, -OLD_S));
        Some(judged.max(arrived).unwrap_or(Timestamp::MIN))
    }

    /// The number of a sensor's site.
    pub fn site_of(&self, sensor: SensorIx) -> Option<usize> {
        self.sensors.get(sensor.0 as usize).map(|&(site, _)| site as usize)
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
        site.alarm_record(slot)
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

    /// Restores a stored reading, oldest first, before [`Core::restore_alarms`].
    /// Nothing is told or kept.
    pub fn restore_reading(&mut self, reading: &Reading, scratch: &mut Batch) {
        scratch.clear();
        let clock = std::mem::replace(&mut self.clock, Clock::Readings);
        let sample = Sample { at: Some(reading.at), raw: reading.raw, battery: None };
        self.take(reading.sensor, sample, reading.at, scratch);
        self.clock = clock;
        scratch.clear();
        if let (TimeFrom::Arrival, Some((site, index))) = (reading.time_from, self.sensor_mut(reading.sensor))
        {
            site.sensors[usize::from(index)].stamp.restore(reading.at);
        }
    }

    /// Takes a stored reading once more, in order of time among those of its site:
    /// calibrates, flags and judges it as it is done today. One that had come late is
    /// calibrated and flagged by itself, and judged as little as before.
    pub fn replay_reading(&mut self, reading: &Reading, batch: &mut Batch) {
        let Reading { sensor, at, raw, time_from, late, .. } = *reading;
        if late {
            if let Some((site, index)) = self.sensor_mut(sensor) {
                let garden = Arc::clone(&site.garden);
                site.measure(garden.sensor(index), index, sensor, at, raw, time_from, true, batch);
            }
            return;
        }
        self.take(sensor, Sample { at: Some(at), raw, battery: None }, at, batch);
    }

    /// Takes a stored answer once more, at the moment at which it was given.
    pub fn replay_answer(&mut self, answer: &Answer, batch: &mut Batch) -> Answered {
        let clock = std::mem::replace(&mut self.clock, Clock::Arrival);
        let answered = self.answer(answer, batch);
        self.clock = clock;
        answered
    }

    /// Judges an entry of the log once more, as of the moment at which it was written down.
    pub fn replay_log(&mut self, entry: &LogEntry, written_at: Timestamp, batch: &mut Batch) {
        let clock = std::mem::replace(&mut self.clock, Clock::Arrival);
        self.log(entry, written_at, batch);
        self.clock = clock;
    }

    /// Restores a running count from before the restored readings.
    pub fn restore_count(&mut self, sensor: SensorIx, raw: f64, at: Timestamp) {
        if let Some((site, index)) = self.sensor_mut(sensor) {
            site.sensors[usize::from(index)].calibrator.restore(raw, at);
        }
    }

    /// Restores a gauge's stored reading for its rain days alone, oldest first and
    /// before [`Core::restore_reading`]: months are longer than what the rules
    /// remember. `mm` is `None` where it could not be counted.
    pub fn restore_rain(&mut self, sensor: SensorIx, at: Timestamp, raw: f64, mm: Option<f64>) {
        let Some((site, index)) = self.sensor_mut(sensor) else { return };
        let patience_s = site.patience_s(index);
        let SensorHistory::Rain(gauge) = &mut site.sensors[usize::from(index)].history else { return };
        let (plan, zone) = (site.garden.sensor(index), &site.garden.site.time_zone);
        match mm {
            Some(mm) => gauge.push_day(caught(plan, at, raw, mm), patience_s, zone),
            None => gauge.miss_day(at, zone),
        }
    }

    /// Restores a probe's stored good water content for its bed's outlook alone,
    /// oldest first and before [`Core::restore_reading`]: drydowns take longer than
    /// what the rules remember.
    pub fn restore_moisture(&mut self, sensor: SensorIx, at: Timestamp, water_content: f64) {
        let Some((site, index)) = self.sensor_mut(sensor) else { return };
        let Place::Bed(bed) = site.garden.sensor(index).place else { return };
        site.start_afresh(index, at);
        site.sensors[usize::from(index)].good = Some((at.into(), water_content));
        let probes = site.bed_probes(bed, at);
        let root_depth_m = site.root_zone_at(bed, at).root_depth_m;
        if probes.len() == site.beds[usize::from(bed)].probes.len()
            && let Some(mean) = mean_water_content(&probes, root_depth_m)
        {
            site.watch_drying(bed, at, mean);
        }
    }

    /// Restores a stored value of a sensor that may stand still for longer than the
    /// rules remember, oldest first and before [`Core::restore_reading`].
    pub fn restore_still(&mut self, sensor: SensorIx, at: Timestamp, value: f64) {
        if let Some((site, index)) = self.sensor_mut(sensor) {
            let garden = Arc::clone(&site.garden);
            site.flag(garden.sensor(index), index, at, Some(value));
        }
    }

    /// Ends the restoring: the stored alarms stand, whatever the restored
    /// readings made of them; alarms that are not stored are normal.
    pub fn restore_alarms(&mut self, stored: Vec<AlarmRecord>) {
        for site in &mut self.sites {
            let readings_from = site.latest().map(restore_from);
            let stored = || stored.iter().filter(|alarm| alarm.key.site == site.garden.site.id);
            // One that stood when no group was concerned elsewhere ends where it stands.
            for alarm in stored().filter(|alarm| alarm.key.place.as_str() == SYSTEM_PLACE) {
                if system_kinds().any(|kind| kind == alarm.key.kind) && alarm.state != State::Normal {
                    site.alarms.carry(alarm.key.kind);
                }
            }
            for slot in site.alarms.iter_mut() {
                let AlarmSubject { kind, place } = slot.subject;
                let place = place.id(&site.garden);
                let stored = stored().find(|alarm| alarm.key.kind == kind && alarm.key.place == *place);
                let gone_on = site.resumed && slot.go_on_from(stored);
                if !site.resumed {
                    slot.restore(stored, readings_from);
                }
                if let (AlarmPlace::Sensor(index), Kind::SensorFault, true, false) =
                    (slot.subject.place, kind, slot.life().holds(), gone_on)
                {
                    site.sensors[usize::from(index)].stillness.restore_stuck();
                }
            }
            site.resumed = false;
        }
    }

    /// Counts notes of an alarm's occurrence that are stored, so that a restart lets in no more.
    pub fn restore_notes(&mut self, key: AlarmKey, since: Timestamp, count: u32) {
        if let Some(site) = self.site_mut(&key.site)
            && site.alarms.of_key(&site.garden, &key).is_some()
        {
            site.note_limit.restore(key, since, count);
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

fn arrival_too_late(clock: Clock, at: Timestamp, arrival: Timestamp) -> bool {
    clock == Clock::Arrival && arrival.as_second() - at.as_second() > OLD_S
}

impl SiteState {
    /// Calibrates and flags one reading and adds its row. Returns it where it is
    /// to be judged, with what is wrong with it.
    #[expect(clippy::too_many_arguments, reason = "one row's columns")]
    fn measure(
        &mut self,
        plan: &Sensor,
        index: u16,
        sensor: SensorIx,
        at: Timestamp,
        raw: f64,
        time_from: TimeFrom,
        late: bool,
        batch: &mut Batch,
    ) -> Option<(Reading, Option<ReadingFault>)> {
        let row = |value, judged: &Judged| Reading {
            sensor,
            at,
            raw,
            value,
            flag: judged.flag,
            tests: judged.tests,
            time_from,
            late,
        };
        if late {
            // Without its neighbours: a late count has no difference, and a late
            // value is flagged by itself.
            let value = Calibrator::default().value(&plan.calibrations, at, raw).value();
            batch.readings.push(row(value, &Watch::default().judge(&plan.quality, at, value)));
            return None;
        }
        let calibrated = self.sensors[usize::from(index)].calibrator.value(&plan.calibrations, at, raw);
        let value = calibrated.value();
        let judged = self.flag(plan, index, at, value);
        let state = &mut self.sensors[usize::from(index)];
        if let Some((before, flag, tests)) = judged.previous {
            batch.reflags.push(Reflag { sensor, at: before, flag, tests });
            if flag != Flag::Pass {
                if state.good().is_some_and(|(at, _)| at == before) {
                    state.good = state.good_before.take();
                }
                state.faults.take_back(before);
                self.weather.take_back(index, before);
                state.history.take_back(before);
                if let Place::Bed(bed) = plan.place {
                    self.programs.iter_mut().for_each(|program| program.watch.take_back(bed, before));
                }
            }
        }
        state.last = Some(LastReading { at, raw, value, flag: judged.flag }.into());
        let reading = row(value, &judged);
        batch.readings.push(reading);
        Some((reading, ReadingFault::of(calibrated, &judged)))
    }
}

/// Seconds before a restart from which stored readings are given back: the
/// longest memory is the wetting watch's fortnight, and a day.
pub const RESTORE_S: i64 = 15 * 86_400;

/// The time from which readings are to be given back after a restart.
pub fn restore_from(latest: Timestamp) -> Timestamp {
    add_seconds(latest, -RESTORE_S)
}

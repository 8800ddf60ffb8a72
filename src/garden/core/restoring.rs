//! A core that goes on after a restart: what was stored is given back to it, or taken once
//! more.

use std::sync::Arc;

use jiff::Timestamp;

use super::reading::{LATE_S, OLD_S};
use super::system_kinds;
use crate::alarms::{AlarmKey, AlarmRecord, Answer, Answered, Kind, SYSTEM_PLACE, State};
use crate::garden::alarm::place::{AlarmPlace, AlarmSubject};
use crate::garden::alarm::slots::possible_subjects;
use crate::garden::core::{Clock, Core};
use crate::garden::gauge::rain_days::caught;
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::record::{Batch, Reading};
use crate::garden::sensor::state::SensorHistory;
use crate::model::{Place, Sample, SensorIx, TimeFrom, add_seconds};
use crate::soil::mean_water_content;

/// Seconds before a restart from which stored readings are given back: the
/// longest memory is the wetting watch's fortnight, and a day.
pub const RESTORE_S: i64 = 15 * 86_400;

/// The time from which readings are to be given back after a restart.
pub fn restore_from(latest: Timestamp) -> Timestamp {
    add_seconds(latest, -RESTORE_S)
}

impl Core {
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
            let stored: Vec<&AlarmRecord> =
                stored.iter().filter(|alarm| alarm.key.site == site.garden.site.id).collect();
            // One that stood when no group was concerned elsewhere ends where it stands.
            for alarm in stored.iter().filter(|alarm| alarm.key.place.as_str() == SYSTEM_PLACE) {
                if system_kinds().any(|kind| kind == alarm.key.kind) && alarm.state != State::Normal {
                    site.alarms.carry(alarm.key.kind);
                }
            }
            let own = site.alarms.of_program().into_iter().map(|kind| AlarmPlace::System.alarm(kind));
            for subject in possible_subjects(&site.garden).into_iter().chain(own) {
                let AlarmSubject { kind, place } = subject;
                let id = place.id(&site.garden);
                let stored = stored.iter().find(|alarm| alarm.key.kind == kind && alarm.key.place == *id);
                let resumed = site.resumed;
                let (gone_on, holds) = site.alarms.change(subject, |slot| {
                    let gone_on = resumed && slot.go_on_from(stored.copied());
                    if !resumed {
                        slot.restore(stored.copied(), readings_from);
                    }
                    (gone_on, slot.life().holds())
                });
                if let (AlarmPlace::Sensor(index), Kind::SensorFault, true, false) =
                    (place, kind, holds, gone_on)
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
}

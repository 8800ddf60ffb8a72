//! One reading within its site: when it counts, what it measures, what is remembered of it
//! and which rules it is put to.

use jiff::Timestamp;

use crate::calibration::Calibrator;
use crate::decode::time_of;
use crate::garden::core::Clock;
use crate::garden::gauge::rain_days::caught;
use crate::garden::plan::Sensor;
use crate::garden::record::{Batch, Reading, Reflag};
use crate::garden::sensor::fault_watch::ReadingFault;
use crate::garden::sensor::state::{LastReading, SensorHistory};
use crate::garden::site::SiteState;
use crate::model::{Place, Quantity, SensorIx, TimeFrom};
use crate::quality::{Flag, Judged, Watch};
use crate::watering::Wetting;

/// A reading this much older than the newest judged one of its site is late.
pub(super) const LATE_S: i64 = 3600;
/// A reading this much older than its arrival is late even where nothing newer
/// is known: what happened two days ago is no alarm of today.
pub(super) const OLD_S: i64 = 86_400;

/// When a reading counts.
pub(super) struct ReadingTime {
    pub(super) at: Timestamp,
    /// The site's own moment.
    pub(super) now: Timestamp,
    pub(super) time_from: TimeFrom,
    /// It is stored and not judged.
    pub(super) late: bool,
    /// It says that its sensor is there now.
    pub(super) sign_of_life: bool,
}

fn arrival_too_late(clock: Clock, at: Timestamp, arrival: Timestamp) -> bool {
    clock == Clock::Arrival && arrival.as_second() - at.as_second() > OLD_S
}

impl SiteState {
    /// The times of a sensor's reading that arrived at `arrival`; `given` is the device's own.
    pub(super) fn reading_time(
        &mut self,
        clock: Clock,
        index: u16,
        given: Option<Timestamp>,
        arrival: Timestamp,
    ) -> ReadingTime {
        let (given_at, time_from, _) = time_of(given, arrival);
        let (at, now) = match (clock, time_from) {
            (Clock::Arrival, _) => (given_at, arrival),
            (Clock::Readings, TimeFrom::Device) => {
                (given_at, self.latest().map_or(given_at, |t| t.max(given_at)))
            }
            (Clock::Readings, TimeFrom::Arrival) => {
                let now = self.latest().unwrap_or(given_at);
                (now, now)
            }
        };
        let state = &mut self.sensors[usize::from(index)];
        let at = match time_from {
            // Several readings without a time arrived at one moment: each has a key.
            TimeFrom::Arrival => state.stamp.next(at, state.last().map(|last| last.at)),
            TimeFrom::Device => at,
        };
        let late = state.last().is_some_and(|last| at <= last.at)
            || self.judged_to.is_some_and(|to| to.as_second() - at.as_second() > LATE_S)
            || arrival_too_late(clock, at, arrival);
        // Where the readings' own times are the clock, one that is no newer than the
        // sensor's last says nothing about now: a broker may bring it once more long
        // after the sensor has fallen silent.
        let sign_of_life = clock == Clock::Arrival || state.last().is_none_or(|last| at > last.at);
        ReadingTime { at, now, time_from, late, sign_of_life }
    }

    /// Calibrates and flags one reading and adds its row. Returns it where it is
    /// to be judged, with what is wrong with it.
    #[expect(clippy::too_many_arguments, reason = "one row's columns")]
    pub(super) fn measure(
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

    /// Remembers a sensor's good value for the rules that look back. Returns the wetting that
    /// it completes at a probe.
    pub(super) fn remember(
        &mut self,
        plan: &Sensor,
        index: u16,
        at: Timestamp,
        raw: f64,
        value: f64,
    ) -> Option<Wetting> {
        let patience_s = self.patience_s(index);
        let suspect =
            self.gauges.iter().position(|&g| g == index).is_some_and(|number| self.gauge_suspected(number));
        let zone = &self.garden.site.time_zone;
        self.weather.push(index, at, value, zone);
        let state = &mut self.sensors[usize::from(index)];
        state.good_before = state.good.replace((at.into(), value));
        match &mut state.history {
            SensorHistory::Soil(watch) => return watch.push(at, value),
            SensorHistory::Water(thermometer) => thermometer.push(at, value, plan.quality.gap_s),
            SensorHistory::Ph(hours) => hours.push(at, value),
            SensorHistory::Rain(gauge) => {
                gauge.push(caught(plan, at, raw, value), patience_s, zone);
                if suspect {
                    gauge.doubt();
                }
            }
            SensorHistory::Flow(flow) => {
                flow.push(at, value, i64::from(plan.every_s), patience_s);
            }
            SensorHistory::Extremes(extremes) => extremes.push(at, value),
            SensorHistory::None => {}
        }
        None
    }

    /// Puts a sensor's good value, once it is remembered, to the rules of its place.
    pub(super) fn judge_place_of(
        &mut self,
        plan: &Sensor,
        index: u16,
        (at, value): (Timestamp, f64),
        wetting: Option<Wetting>,
        batch: &mut Batch,
    ) {
        match (plan.place, &self.sensors[usize::from(index)].history) {
            (Place::Site, _) if plan.measures == Quantity::AirTemperature => self.judge_air(at, batch),
            (Place::Bed(bed), SensorHistory::Soil(_)) => {
                let content = self.judge_bed_water(bed, at, batch);
                self.judge_wetness(bed, index, (at, value), content, batch);
                self.watch_soaking(bed, index, at, value, wetting.is_some(), batch);
                if let Some(wetting) = wetting {
                    self.beds[usize::from(bed)].outlook.wetted(wetting.onset);
                    self.judge_wetting(bed, index, wetting, batch);
                }
                self.watch_programs(bed, index, at, value, wetting, batch);
            }
            (place, SensorHistory::Flow(_)) => {
                if let Place::Bed(bed) = place {
                    self.judge_flow(bed, index, at, batch);
                }
                self.judge_flow_left_on(index, at, batch);
            }
            (_, SensorHistory::Rain(_)) if value > 0.0 => self.rained_on_beds(),
            (Place::Tank(tank), _) => self.judge_tank(tank, at, batch),
            _ => {}
        }
    }
}

//! A sensor that was replaced, or calibrated again: its values before and after are not
//! of one instrument, so what was learned from it starts afresh. The step between the two
//! is no water, no shock and no spike.
//!
//! Only a new instrument begins its count of tips again.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::record::Batch;
use crate::garden::sensor::state::{SensorHistory, SensorState};
use crate::garden::site::{SiteState, new_outlook};
use crate::model::{Place, Quantity};
use crate::rain::GaugeReliability;
use crate::soil::Soaking;
use crate::watering::DrainageWatch;

const SOURCE: &str = "the garden's log: the gauge was replaced";

impl SiteState {
    /// Notes an entry of the log that says that a sensor was replaced.
    pub(crate) fn note_replaced(&mut self, entry: &LogEntry) {
        if entry.what != LogEvent::ProbeReplaced {
            return;
        }
        let sensors = self.garden.sensors.iter().zip(&mut self.replacements);
        for (_, replacements) in sensors.filter(|(sensor, _)| Some(&sensor.id) == entry.place.as_ref()) {
            replacements.add(entry.at, true);
        }
    }

    /// Forgets what was learned from a sensor where its next reading, of `at`, is the
    /// first after a replacement. Returns whether it was.
    pub(crate) fn start_afresh(&mut self, index: u16, at: Timestamp) -> bool {
        let Some(instrument) = self.replacements[usize::from(index)].take_until(at) else { return false };
        let plan = self.garden.sensor(index);
        let state = &mut self.sensors[usize::from(index)];
        let old = std::mem::replace(state, SensorState::new(plan.measures));
        (state.last, state.heard, state.battery) = (old.last, old.heard, old.battery);
        if !instrument {
            state.calibrator = old.calibrator;
        }
        // What fell and what ran stays true.
        if matches!(old.history, SensorHistory::Rain(_) | SensorHistory::Flow(_)) {
            state.history = old.history;
        }
        if let Some(number) = self.gauges.iter().position(|&gauge| gauge == index) {
            self.gauge_reliability[number] = GaugeReliability::default();
        }
        if let (Place::Bed(bed), Quantity::SoilMoisture) = (plan.place, plan.measures) {
            let outlook = new_outlook(self.garden.bed(bed));
            let state = &mut self.beds[usize::from(bed)];
            (state.outlook, state.soaking) = (outlook, Soaking::default());
            state.drained.start_afresh();
            if state.probes.first() == Some(&index) {
                for program in &mut self.programs {
                    program.watch.forget_bed(bed);
                }
            }
            if state.wetness.ebb_of == Some(index) {
                (state.wetness.ebb, state.wetness.ebb_of) = (DrainageWatch::default(), None);
            }
        }
        true
    }

    /// A gauge that is new is believed.
    pub(crate) fn believe_new_gauge(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let subject = AlarmPlace::Sensor(index).alarm(Kind::GaugeSuspect);
        if self.alarms.life(subject).since().is_some() {
            self.judge(subject, at, Input::Clear, batch, |site, _| {
                let who = site.garden.sensor_name(site.garden.sensor(index));
                AlarmText::new(format!("{who} is a new one now, and Trug uses it."), &[], SOURCE)
            });
        }
    }
}

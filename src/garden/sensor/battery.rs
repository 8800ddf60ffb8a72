//! Batteries, where the devices report them.
//!
//! What is reported has whatever unit the device gives it (volts, millivolts, per
//! cent), so the garden's file says what is low. It is judged and shown, and not
//! stored: after a restart it is known again with the next report.

use jiff::Timestamp;

use crate::alarms::{Beneath, Delays, Input, Kind};
use crate::garden::alarm_slot::{Of, Said};
use crate::garden::plan::{Battery, Sensor};
use crate::garden::record::Batch;
use crate::garden::sensor::silence::sensor_name;
use crate::garden::site::{SensorState, SiteState};
use crate::model::Place;
use crate::why::{Check, Equation};

const SOURCE: &str = "battery_low of the garden's file";

/// When a battery counts as low.
const LOW: Equation = Equation {
    gives: "when a battery counts as low",
    form: "3 reports in a row below battery_low",
    source: "this project's own rule; the limit is the garden's",
    check: Check::None("no publication gives the number of reports; the scenario with a battery tries it"),
};

/// The equations of this file.
pub(crate) const EQUATIONS: &[Equation] = &[LOW];

/// A transmitter pulls a good battery down for a moment, and a cold morning for an
/// hour: one report or two say nothing.
const REPORTS: u8 = 3;

/// What a sensor last said of its battery.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct BatteryWatch {
    pub(crate) last: Option<f64>,
    /// Reports in a row below the limit.
    low: u8,
}

impl BatteryWatch {
    fn report(&mut self, state: f64, battery: Battery, delays: Delays) -> Input {
        self.last = Some(state);
        if state < battery.low {
            self.low = self.low.saturating_add(1);
            // An alarm that stands goes on standing.
            return if self.low < REPORTS { Input::Deadband } else { Input::Breach };
        }
        self.low = 0;
        if state < battery.low * (1.0 + delays.deadband) { Input::Deadband } else { Input::Clear }
    }
}

impl SensorState {
    /// Whether its battery was low when it was last heard.
    pub(crate) fn battery_was_low(&self, plan: &Sensor) -> bool {
        let reported = match (self.battery.last, plan.battery) {
            (Some(last), Some(battery)) => last < battery.low,
            (None, _) | (_, None) => false,
        };
        reported || matches!(self.battery_low.life.condition(), Beneath::Active { .. })
    }
}

impl SiteState {
    /// Takes what a sensor says of its battery, a finite number.
    pub(crate) fn judge_battery(&mut self, index: u16, at: Timestamp, reported: f64, batch: &mut Batch) {
        let garden = std::sync::Arc::clone(&self.garden);
        let sensor = &garden.sensors[usize::from(index)];
        let Some(battery) = sensor.battery else { return };
        let delays = garden.rules.battery_low;
        let state = &mut self.sensors[usize::from(index)];
        let input = state.battery.report(reported, battery, delays);
        let of = Of { garden: &garden, kind: Kind::BatteryLow, place: &sensor.id };
        let reports = state.battery.low;
        state.battery_low.step(&of, at, input, delays, batch, |active| {
            let who = sensor_name(&garden, sensor);
            let low = battery.low;
            let text = match battery.empty {
                _ if !active => format!("{who} has a good battery again: it reports {reported}."),
                Some(empty) if reported <= empty => format!(
                    "{who} has an empty battery: it reports {reported}, and at {empty} it stops. Change or charge it \
                     today; {}.",
                    without(sensor)
                ),
                Some(empty) => format!(
                    "{who} has a low battery: it reports {reported}, below {low}, and stops at about {empty}. Change \
                     or charge it within a week; {}.",
                    without(sensor)
                ),
                None => format!(
                    "{who} has a low battery: it reports {reported}, below {low}. Change or charge it within a week; \
                     {}.",
                    without(sensor)
                ),
            };
            let values = [("battery", reported), ("battery_low", low)];
            let step = LOW.step(format!("{reports} reports in a row below {low}, the last one {reported}"));
            Said::new(text, &values, SOURCE).because(if active { vec![step] } else { Vec::new() })
        });
    }
}

/// What is lost when it falls silent.
fn without(sensor: &Sensor) -> &'static str {
    match sensor.place {
        Place::Bed(_) => "without it the bed's water is not known",
        Place::Tank(_) => "without it nothing watches the water of the fish",
        Place::Site => "without it the garden cannot be judged by it",
    }
}

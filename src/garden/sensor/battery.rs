//! Batteries, where the devices report them.
//!
//! What is reported has whatever unit the device gives it (volts, millivolts, per
//! cent), so the garden's file says what is low. It is judged and shown, and not
//! stored: after a restart it is known again with the next report.

use jiff::Timestamp;

use crate::alarms::{AlarmCondition, AlarmText, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::{Battery, BatteryUnit, Sensor};
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::model::Place;
use crate::text::{labels, spoken};
use crate::why::{Check, Equation};

const SOURCE: &str = "battery_low of the garden's file";

/// When a battery counts as low.
const LOW: Equation = Equation {
    gives: "when a battery counts as low",
    form: "3 reports in a row below battery_low",
    source: "this project's own rule; the limit is the garden's",
    check: Check::None("no publication gives the number of reports; the scenario with a battery tries it"),
};

/// A transmitter pulls a good battery down for a moment, and a cold morning for an
/// hour: one report or two say nothing.
const REPORTS: u8 = 3;

impl SiteState {
    /// Whether a sensor's battery was low when it was last heard.
    pub(crate) fn battery_was_low(&self, index: u16) -> bool {
        let battery = self.garden.sensor(index).battery.as_deref();
        let reported = battery.zip(self.sensors[usize::from(index)].battery.last);
        let life = self.alarms.life(AlarmPlace::Sensor(index).alarm(Kind::BatteryLow));
        reported.is_some_and(|(battery, last)| last < battery.low)
            || matches!(life.condition(), AlarmCondition::Active { .. })
    }

    /// Takes what a sensor says of its battery, a finite number.
    pub(crate) fn judge_battery(&mut self, index: u16, at: Timestamp, reported: f64, batch: &mut Batch) {
        let Some(battery) = self.garden.sensor(index).battery.as_deref().copied() else { return };
        let deadband = self.garden.rules[Kind::BatteryLow].delays.deadband;
        let state = &mut self.sensors[usize::from(index)].battery;
        state.last = Some(reported);
        state.low_reports = if reported < battery.low { state.low_reports.saturating_add(1) } else { 0 };
        let reports = state.low_reports;
        let input = match reports {
            REPORTS.. => Input::Breach,
            // An alarm that stands goes on standing.
            1.. => Input::Deadband,
            0 => Input::below(reported, battery.low, battery.low * deadband),
        };
        let subject = AlarmPlace::Sensor(index).alarm(Kind::BatteryLow);
        self.judge(subject, at, input, batch, |site, active| {
            let sensor = site.garden.sensor(index);
            let text = words(&site.garden.sensor_name(sensor), sensor, battery, reported, active);
            let low = battery.low;
            let step = LOW.step(format!("{reports} reports in a row below {low}, the last one {reported}"));
            AlarmText::new(text, &[("battery", reported), ("battery_low", low)], SOURCE).because(if active {
                vec![step]
            } else {
                Vec::new()
            })
        });
    }
}

fn words(who: &str, sensor: &Sensor, battery: Battery, reported: f64, active: bool) -> String {
    let with_unit =
        |state: f64| format!("{}{}", labels::battery(state), battery.unit.map_or("", BatteryUnit::shown));
    let (low, now, when) = (with_unit(battery.low), with_unit(reported), spoken::WHEN);
    let without = match sensor.place {
        Place::Bed(_) => "without it the bed's water is not known",
        Place::Tank(_) => "without it nothing watches the water of the fish",
        Place::Site => "without it the garden cannot be judged by it",
    };
    match battery.empty {
        _ if !active => format!("{who} has a good battery again: it reports {now}."),
        Some(empty) if reported <= empty => format!(
            "{who} has an empty battery: it reports {now}, and at {} it stops. Change or charge it {when}: {without}.",
            with_unit(empty)
        ),
        Some(empty) => format!(
            "{who} has a low battery: it reports {now}, below {low}, and stops at about {}. Change or charge it {when}: \
             {without}.",
            with_unit(empty)
        ),
        None => format!(
            "{who} has a low battery: it reports {now}, below {low}. Change or charge it {when}: {without}."
        ),
    }
}

//! Every alarm that a site can have, one after the other.

use crate::alarms::AlarmKey;
use crate::alarms::Kind;
use crate::alarms::OWN_NAME;
use crate::garden::alarm_slot::Standing;
use crate::garden::plan::Sensor;
use crate::garden::sensor::gateway::gateway_name;
use crate::garden::sensor::silence::place_name;
use crate::garden::site::SiteState;
use crate::model::{Id, Quantity};

impl SiteState {
    /// The alarm of a key, if this site can have it.
    pub(crate) fn standing_mut(&mut self, key: &AlarmKey) -> Option<&mut Standing> {
        let mut found = None;
        self.each_standing(|kind, place, standing| {
            if kind == key.kind && *place == key.place {
                found = Some(standing);
            }
        });
        found
    }

    /// The alarm of a key as it stands, if this site can have it.
    pub(crate) fn standing(&self, key: &AlarmKey) -> Option<&Standing> {
        let mut found = None;
        self.each_alarm(|kind, place, _, standing| {
            if kind == key.kind && *place == key.place {
                found = Some(standing);
            }
        });
        found
    }

    /// Visits every alarm that this site can have, with the name of its place. The
    /// same ones as [`SiteState::each_standing`].
    pub(crate) fn each_alarm<'a>(&'a self, mut visit: impl FnMut(Kind, &'a Id, &'a str, &'a Standing)) {
        let garden = &self.garden;
        for (bed, state) in garden.beds.iter().zip(&self.beds) {
            for (kind, standing) in state.alarms() {
                visit(kind, &bed.id, &bed.name, standing);
            }
        }
        for (tank, state) in garden.tanks.iter().zip(&self.tanks) {
            for (kind, standing) in state.alarms() {
                visit(kind, &tank.id, &tank.name, standing);
            }
        }
        for (sensor, state) in garden.sensors.iter().zip(&self.sensors) {
            let place = place_name(garden, sensor);
            let alarms = [
                (Kind::SensorSilent, &state.silent),
                (Kind::GaugeSuspect, &state.suspect),
                (Kind::WaterLeftOn, &state.left_on),
                (Kind::SensorFault, &state.fault),
                (Kind::BatteryLow, &state.battery_low),
            ];
            for (kind, standing) in alarms.into_iter().filter(|(kind, _)| can_have(sensor, *kind)) {
                visit(kind, &sensor.id, place, standing);
            }
        }
        for (number, state) in self.gateways.iter().enumerate() {
            let (id, name) = gateway_name(garden, number);
            visit(Kind::GatewaySilent, id, name, &state.silent);
        }
        for (kind, standing) in &self.own.alarms {
            visit(*kind, &self.own.place, OWN_NAME, standing);
        }
    }

    /// Visits every alarm that this site can have.
    pub(crate) fn each_standing<'a>(&'a mut self, mut visit: impl FnMut(Kind, &Id, &'a mut Standing)) {
        for (bed, state) in self.garden.beds.iter().zip(&mut self.beds) {
            for (kind, standing) in state.alarms_mut() {
                visit(kind, &bed.id, standing);
            }
        }
        for (tank, state) in self.garden.tanks.iter().zip(&mut self.tanks) {
            for (kind, standing) in state.alarms_mut() {
                visit(kind, &tank.id, standing);
            }
        }
        for (sensor, state) in self.garden.sensors.iter().zip(&mut self.sensors) {
            let alarms = [
                (Kind::SensorSilent, &mut state.silent),
                (Kind::GaugeSuspect, &mut state.suspect),
                (Kind::WaterLeftOn, &mut state.left_on),
                (Kind::SensorFault, &mut state.fault),
                (Kind::BatteryLow, &mut state.battery_low),
            ];
            for (kind, standing) in alarms.into_iter().filter(|(kind, _)| can_have(sensor, *kind)) {
                visit(kind, &sensor.id, standing);
            }
        }
        for (number, state) in self.gateways.iter_mut().enumerate() {
            visit(Kind::GatewaySilent, gateway_name(&self.garden, number).0, &mut state.silent);
        }
        for (kind, standing) in &mut self.own.alarms {
            visit(*kind, &self.own.place, standing);
        }
    }
}

/// Whether a sensor is one that can have this alarm.
fn can_have(sensor: &Sensor, kind: Kind) -> bool {
    match kind {
        Kind::GaugeSuspect => sensor.measures == Quantity::Rain,
        Kind::WaterLeftOn => sensor.measures == Quantity::WaterFlow,
        Kind::BatteryLow => sensor.battery.is_some(),
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::alarms::Priority;
    use crate::alarms::targets::PRIORITY_PARTS;

    /// The alarms that the demonstration school can have, by priority: about the
    /// standard's proportions (their source is with [`PRIORITY_PARTS`]; how near is near
    /// enough is our own choice).
    #[test]
    fn the_schools_alarms_are_mostly_of_low_priority_and_rarely_of_high() {
        let (trug, school) = (
            include_str!("../../config/trug.toml"),
            include_str!("../../config/gardens/saltbush-gully.toml"),
        );
        let garden =
            crate::settings::from_text(("trug.toml", trug), &[("garden.toml", school)], std::iter::empty())
                .expect("no faults")
                .gardens
                .remove(0);
        let site = SiteState::new(Arc::new(garden.clone()));
        let mut counts = [0_u32; 3];
        site.each_alarm(|kind, _, _, _| {
            counts[match garden.priority(kind) {
                Priority::Low => 0,
                Priority::Medium => 1,
                Priority::High => 2,
            }] += 1;
        });
        let all: u32 = counts.iter().sum();
        let percent = counts.map(|count| 100.0 * f64::from(count) / f64::from(all));
        println!("{counts:?}: {percent:.0?} % of low, medium and high priority");
        for (percent, part) in percent.into_iter().zip(PRIORITY_PARTS) {
            assert!((percent - 100.0 * part).abs() < 10.0, "{percent} % beside {part}");
        }
    }
}

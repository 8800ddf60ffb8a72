//! Every alarm that a site can have, one after the other.

use crate::alarms::Kind;
use crate::garden::gateway_rules::gateway_name;
use crate::garden::own_rules::OWN_NAME;
use crate::garden::plan::Id;
use crate::garden::record::AlarmKey;
use crate::garden::silence::place_name;
use crate::garden::site::SiteState;
use crate::garden::standing::Standing;

impl SiteState {
    /// The alarm of a key, if this site can have it.
    pub(super) fn standing_mut(&mut self, key: &AlarmKey) -> Option<&mut Standing> {
        let mut found = None;
        self.each_standing(|kind, place, standing| {
            if kind == key.kind && *place == key.place {
                found = Some(standing);
            }
        });
        found
    }

    /// The alarm of a key as it stands, if this site can have it.
    pub(super) fn standing(&self, key: &AlarmKey) -> Option<&Standing> {
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
            visit(Kind::SensorSilent, &sensor.id, place, &state.silent);
            visit(Kind::GaugeSuspect, &sensor.id, place, &state.suspect);
            visit(Kind::WaterLeftOn, &sensor.id, place, &state.left_on);
            visit(Kind::SensorFault, &sensor.id, place, &state.fault);
            visit(Kind::BatteryLow, &sensor.id, place, &state.battery_low);
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
            visit(Kind::SensorSilent, &sensor.id, &mut state.silent);
            visit(Kind::GaugeSuspect, &sensor.id, &mut state.suspect);
            visit(Kind::WaterLeftOn, &sensor.id, &mut state.left_on);
            visit(Kind::SensorFault, &sensor.id, &mut state.fault);
            visit(Kind::BatteryLow, &sensor.id, &mut state.battery_low);
        }
        for (number, state) in self.gateways.iter_mut().enumerate() {
            visit(Kind::GatewaySilent, gateway_name(&self.garden, number).0, &mut state.silent);
        }
        for (kind, standing) in &mut self.own.alarms {
            visit(*kind, &self.own.place, standing);
        }
    }
}

//! Sensors that should have spoken and did not.

use jiff::Timestamp;

use crate::alarms::{Beneath, Delays, Input, Kind};
use crate::garden::alarm_slot::{Of, Said};
use crate::garden::plan::{Garden, Sensor};
use crate::garden::record::Batch;
use crate::garden::sensor::gateway::Whose;
use crate::garden::site::{SiteState, plus};
use crate::model::{Place, Quantity};
use crate::text::spoken;
use crate::why::{Check, Equation};

const SOURCE: &str = "three of the sensor's own intervals without a word; our own rule";

/// When a sensor counts as silent.
const SILENT: Equation = Equation {
    gives: "when a sensor counts as silent",
    form: "time without a word > 3 x its interval + the rule's delay",
    source: "this project's own rule",
    check: Check::None("no publication gives the number; the scenarios with silent sensors try it"),
};

/// The equations of this file.
pub(crate) const EQUATIONS: &[Equation] = &[SILENT];

impl SiteState {
    /// Moves the site's clock on and tells of sensors that have fallen silent.
    pub(crate) fn pass_time(&mut self, now: Timestamp, batch: &mut Batch) {
        if self.now.is_some_and(|before| now <= before) {
            return;
        }
        self.now = Some(now);
        self.run_timers(now, batch);
        if self.silence_due.is_some_and(|due| now < due) {
            return;
        }
        let garden = std::sync::Arc::clone(&self.garden);
        let mut due: Option<Timestamp> = None;
        for index in (0u16..).zip(&garden.sensors).map(|(index, _)| index) {
            // A sensor that was never heard has no interval to overrun.
            let Some(since) = self.quiet_since(index) else { continue };
            let deadline = plus(since, self.silent_after_s(index));
            let next =
                if now < deadline { Some(deadline) } else { self.fell_due(index, deadline, now, batch) };
            due = [due, next].into_iter().flatten().min();
        }
        // With nobody left to fall silent the next word sets the time anew.
        self.silence_due = due.or(Some(plus(now, 3600)));
    }

    /// Tells of a sensor that is silent, or of its gateway. Gives when to look
    /// again, where that is not told yet.
    fn fell_due(
        &mut self,
        index: u16,
        deadline: Timestamp,
        now: Timestamp,
        batch: &mut Batch,
    ) -> Option<Timestamp> {
        let told = self.sensors[usize::from(index)].silent.life.condition() != Beneath::Clear;
        let number = self.gateway_of(index);
        if !told && self.gateways[number].stands() {
            return None;
        }
        let whose = if told { Whose::Sensor } else { self.whose_silence(index, deadline, now) };
        match whose {
            Whose::Sensor => {
                self.judge_silence(index, now, Input::Breach, batch);
                None
            }
            Whose::Gateway(overdue) => {
                self.judge_gateway(number, now, Input::Breach, &overdue, batch);
                match self.gateways[number].silent.life.condition() {
                    Beneath::Pending { since } => {
                        Some(plus(since, i64::from(self.garden.rules.gateway_silent.on_s)))
                    }
                    Beneath::Clear | Beneath::Active { .. } => None,
                }
            }
            Whose::Undecided(until) => Some(until),
        }
    }

    /// Seconds without a word after which a sensor is silent.
    pub(crate) fn silent_after_s(&self, index: u16) -> i64 {
        let every_s = i64::from(self.garden.sensors[usize::from(index)].every_s);
        3 * every_s + i64::from(self.garden.rules.sensor_silent.on_s) + 1
    }

    /// Notes that a sensor spoke.
    pub(crate) fn heard(&mut self, index: u16, now: Timestamp, batch: &mut Batch) {
        let state = &mut self.sensors[usize::from(index)];
        state.heard = state.heard.max(Some(now));
        let deadline = plus(now, self.silent_after_s(index));
        self.silence_due = Some(self.silence_due.map_or(deadline, |due| due.min(deadline)));
        if self.sensors[usize::from(index)].silent.life.since().is_some() {
            self.judge_silence(index, now, Input::Clear, batch);
        }
        self.gateway_heard(index, now, batch);
    }

    fn judge_silence(&mut self, index: u16, now: Timestamp, input: Input, batch: &mut Batch) {
        let garden = std::sync::Arc::clone(&self.garden);
        let sensor = &garden.sensors[usize::from(index)];
        let of = Of { garden: &garden, kind: Kind::SensorSilent, place: &sensor.id };
        let state = &mut self.sensors[usize::from(index)];
        let silent_s = state.heard.map_or(0, |heard| now.as_second() - heard.as_second());
        // Patience has already waited; the alarm itself does not wait again.
        let delays = Delays { on_s: 0, ..garden.rules.sensor_silent };
        let battery = state.battery_was_low(sensor);
        state.silent.step(&of, now, input, delays, batch, |active| {
            let who = sensor_name(&garden, sensor);
            let loss = match sensor.place {
                Place::Bed(_) | Place::Tank(_) => {
                    format!(" Until it speaks again, {} cannot be judged by it.", place_name(&garden, sensor))
                }
                Place::Site if sensor.measures == Quantity::Rain => {
                    " Until it speaks again, rain is not known and watering cannot be told from rain."
                        .to_owned()
                }
                Place::Site => String::new(),
            };
            let look = if battery {
                "Its battery was low: change or charge that today, then look at its cable and the gateway."
            } else {
                "Look at its battery, its cable and the gateway today."
            };
            let text = if active {
                format!(
                    "{who} has said nothing for {}; it should speak every {}. {look}{loss}",
                    spoken::duration(silent_s),
                    spoken::duration(i64::from(sensor.every_s)),
                )
            } else {
                format!("{who} is speaking again.")
            };
            let values = [("silent_s", silent_s as f64), ("every_s", f64::from(sensor.every_s))];
            let (every_s, delay_s) = (i64::from(sensor.every_s), i64::from(garden.rules.sensor_silent.on_s));
            let step = SILENT.step(format!(
                "{silent_s} s without a word, 3 x {every_s} s + {delay_s} s = {} s",
                3 * every_s + delay_s
            ));
            Said::new(text, &values, SOURCE).because(vec![step])
        });
    }
}

/// A sensor, as people say it at the beginning of a sentence.
pub(crate) fn sensor_name(garden: &Garden, sensor: &Sensor) -> String {
    let what = sensor.measures.name().replace('-', " ");
    match sensor.place {
        Place::Bed(_) | Place::Tank(_) => {
            format!("{}: the {what} sensor ({})", place_name(garden, sensor), sensor.id)
        }
        Place::Site if sensor.measures == Quantity::Rain => format!("The rain gauge ({})", sensor.id),
        Place::Site => format!("The {what} sensor ({})", sensor.id),
    }
}

/// The name of a sensor's place, as people say it.
pub(crate) fn place_name<'a>(garden: &'a Garden, sensor: &Sensor) -> &'a str {
    match sensor.place {
        Place::Bed(i) => &garden.beds[usize::from(i)].name,
        Place::Tank(i) => &garden.tanks[usize::from(i)].name,
        Place::Site => &garden.site.name,
    }
}

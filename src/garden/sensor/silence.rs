//! Sensors that should have spoken and did not.

use jiff::Timestamp;

use crate::alarms::{AlarmCondition, AlarmText, Delays, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::record::Batch;
use crate::garden::sensor::gateway::SilenceCause;
use crate::garden::site::SiteState;
use crate::model::{Place, Quantity, add_seconds};
use crate::text::spoken;
use crate::why::{Check, Equation};

const SOURCE: &str = "three of the sensor's own intervals without a reading; our own rule";

/// When a sensor counts as silent.
const SILENT: Equation = Equation {
    gives: "when a sensor counts as silent",
    form: "time without a word > 3 x its interval + the rule's delay",
    source: "this project's own rule",
    check: Check::None("no publication gives the number; the scenarios with silent sensors try it"),
};

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
        let mut due: Option<Timestamp> = None;
        for (index, _) in (0u16..).zip(0..self.sensors.len()) {
            // A sensor that was never heard has no interval to overrun.
            let Some(since) = self.quiet_since(index) else { continue };
            let deadline = add_seconds(since, self.silent_after_s(index));
            let next =
                if now < deadline { Some(deadline) } else { self.fell_due(index, deadline, now, batch) };
            due = [due, next].into_iter().flatten().min();
        }
        // With no sensor left to fall silent the next reading sets the time.
        self.silence_due = due.or(Some(add_seconds(now, 3600)));
    }

    /// Tells of a sensor that is silent, or of its gateway. Returns when to look
    /// again, where that is not told yet.
    fn fell_due(
        &mut self,
        index: u16,
        deadline: Timestamp,
        now: Timestamp,
        batch: &mut Batch,
    ) -> Option<Timestamp> {
        let told = self.silence_condition(index) != AlarmCondition::Clear;
        let number = self.gateway_of(index);
        if !told && self.is_gateway_silent(number) {
            return None;
        }
        let cause = if told { SilenceCause::Sensor } else { self.silence_cause(index, deadline, now) };
        match cause {
            SilenceCause::Sensor => {
                self.judge_silence(index, now, Input::Breach, batch);
                None
            }
            SilenceCause::Gateway(overdue) => {
                self.judge_gateway(number, now, Input::Breach, &overdue, batch);
                match self.gateway_condition(number) {
                    AlarmCondition::Pending { since } => Some(add_seconds(
                        since,
                        i64::from(self.garden.rules[Kind::GatewaySilent].delays.on_s),
                    )),
                    AlarmCondition::Clear | AlarmCondition::Active { .. } => None,
                }
            }
            SilenceCause::Undecided(until) => Some(until),
        }
    }

    /// Whether each sensor's silence has been told, as its own or as its gateway's;
    /// `false` without sensors.
    pub(crate) fn is_silence_told(&self) -> bool {
        let active = |condition| matches!(condition, AlarmCondition::Active { .. });
        !self.sensors.is_empty()
            && (0u16..).zip(&self.sensors).all(|(index, _)| {
                active(self.silence_condition(index))
                    || active(self.gateway_condition(self.gateway_of(index)))
            })
    }

    /// Seconds without a word after which a sensor is silent.
    pub(crate) fn silent_after_s(&self, index: u16) -> i64 {
        let every_s = i64::from(self.garden.sensor(index).every_s);
        3 * every_s + i64::from(self.garden.rules[Kind::SensorSilent].delays.on_s) + 1
    }

    /// Notes that a sensor spoke.
    pub(crate) fn heard(&mut self, index: u16, now: Timestamp, batch: &mut Batch) {
        let state = &mut self.sensors[usize::from(index)];
        state.heard = state.heard.max(Some(now.into()));
        let deadline = add_seconds(now, self.silent_after_s(index));
        self.silence_due = Some(self.silence_due.map_or(deadline, |due| due.min(deadline)));
        if self.alarms.life(AlarmPlace::Sensor(index).alarm(Kind::SensorSilent)).since().is_some() {
            self.judge_silence(index, now, Input::Clear, batch);
        }
        self.gateway_heard(index, now, batch);
    }

    fn judge_silence(&mut self, index: u16, now: Timestamp, input: Input, batch: &mut Batch) {
        // Patience has already waited; the alarm itself does not wait again.
        let delays = Delays { on_s: 0, ..self.garden.rules[Kind::SensorSilent].delays };
        let subject = AlarmPlace::Sensor(index).alarm(Kind::SensorSilent);
        self.judge_within(delays, subject, now, input, batch, |site, active| {
            let garden = &site.garden;
            let sensor = garden.sensor(index);
            let heard = site.sensors[usize::from(index)].heard();
            let silent_s = heard.map_or(0, |heard| now.as_second() - heard.as_second());
            let who = garden.sensor_name(sensor);
            let loss = match sensor.place {
                Place::Bed(_) | Place::Tank(_) => {
                    format!(" Until then, Trug cannot judge {} by it.", garden.place_name(sensor))
                }
                Place::Site if sensor.measures == Quantity::Rain => {
                    " Until then, rain is not known, and Trug cannot tell watering from rain.".to_owned()
                }
                Place::Site => String::new(),
            };
            // Nothing else watches the fish: that is first, and now.
            let blind = garden.tank_left_blind(Kind::SensorSilent, &sensor.id).is_some();
            let when = spoken::WHEN;
            let fish = if blind {
                "Look at the fish now, and measure their water with a hand-held thermometer. "
            } else {
                ""
            };
            let look = if site.battery_was_low(index) {
                format!(
                    "Its battery was low: change or charge it {when}. Then check its cable and the gateway."
                )
            } else if blind {
                "Then check its battery, its cable and the gateway.".to_owned()
            } else {
                format!("Check its battery, its cable and the gateway {when}.")
            };
            let text = if active {
                format!(
                    "{who} has sent no reading for {}; one should come every {}. {fish}{look}{loss}",
                    spoken::duration(silent_s),
                    spoken::duration(i64::from(sensor.every_s)),
                )
            } else {
                format!("{who} sends readings again.")
            };
            let values = [("silent_s", silent_s as f64), ("every_s", f64::from(sensor.every_s))];
            let (every_s, delay_s) =
                (i64::from(sensor.every_s), i64::from(garden.rules[Kind::SensorSilent].delays.on_s));
            let step = SILENT.step(format!(
                "{silent_s} s without a word, 3 x {every_s} s + {delay_s} s = {} s",
                3 * every_s + delay_s
            ));
            AlarmText::new(text, &values, SOURCE).because(vec![step])
        });
    }
}

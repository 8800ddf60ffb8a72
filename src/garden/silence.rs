//! Sensors that should have spoken and did not.

use jiff::Timestamp;

use crate::alarms::{Delays, Input, Kind};
use crate::garden::plan::{Garden, Place, Quantity, Sensor};
use crate::garden::record::Batch;
use crate::garden::site::{SiteState, plus};
use crate::garden::standing::{Of, Said};
use crate::garden::words;
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
pub(super) const EQUATIONS: &[Equation] = &[SILENT];

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
            let Some(heard) = self.sensors[usize::from(index)].heard else { continue };
            let deadline = plus(heard, self.silent_after_s(index));
            if deadline <= now {
                self.judge_silence(index, now, Input::Breach, batch);
            } else {
                due = Some(due.map_or(deadline, |d| d.min(deadline)));
            }
        }
        // With nobody left to fall silent the next word sets the time anew.
        self.silence_due = due.or(Some(plus(now, 3600)));
    }

    /// Seconds without a word after which a sensor is silent.
    fn silent_after_s(&self, index: u16) -> i64 {
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
    }

    fn judge_silence(&mut self, index: u16, now: Timestamp, input: Input, batch: &mut Batch) {
        let garden = std::sync::Arc::clone(&self.garden);
        let sensor = &garden.sensors[usize::from(index)];
        let of = Of { garden: &garden, kind: Kind::SensorSilent, place: &sensor.id };
        let state = &mut self.sensors[usize::from(index)];
        let silent_s = state.heard.map_or(0, |heard| now.as_second() - heard.as_second());
        // Patience has already waited; the alarm itself does not wait again.
        let delays = Delays { on_s: 0, ..garden.rules.sensor_silent };
        state.silent.step(&of, now, input, delays, batch, |active| {
            let what = sensor.measures.name().replace('-', " ");
            let (who, loss) = match sensor.place {
                Place::Bed(_) | Place::Tank(_) => {
                    let place = place_name(&garden, sensor);
                    let loss = format!(" Until it speaks again, {place} cannot be judged by it.");
                    (format!("{place}: the {what} sensor ({})", sensor.id), loss)
                }
                Place::Site if sensor.measures == Quantity::Rain => (
                    format!("The rain gauge ({})", sensor.id),
                    " Until it speaks again, rain is not known and watering cannot be told from rain.".to_owned(),
                ),
                Place::Site => (format!("The {what} sensor ({})", sensor.id), String::new()),
            };
            let text = if active {
                format!(
                    "{who} has said nothing for {}; it should speak every {}. Look at its battery, its cable and the \
                     gateway today.{loss}",
                    words::duration(silent_s),
                    words::duration(i64::from(sensor.every_s)),
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

/// The name of a sensor's place, as people say it.
pub(crate) fn place_name<'a>(garden: &'a Garden, sensor: &Sensor) -> &'a str {
    match sensor.place {
        Place::Bed(i) => &garden.beds[usize::from(i)].name,
        Place::Tank(i) => &garden.tanks[usize::from(i)].name,
        Place::Site => &garden.site.name,
    }
}

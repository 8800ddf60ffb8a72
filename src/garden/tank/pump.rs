//! Whether a tank's pump runs: by the power that it draws, the water that it moves, or the
//! level of the water.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Tank;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::tank::care::{FISH, HANDS, SWITCH, TAP, take_care};
use crate::garden::view::Figure;
use crate::model::{Place, Quantity};
use crate::tank::equations;

const SOURCE: &str = "less than the garden file's own least of power, flow or level; without one, less than 1 W or 1 L an \
                      hour (this project's own); short of oxygen within the hour, and what to do: common practice";
/// Back inside its limit by this part of it.
const DEADBAND_PART: f64 = 0.1;

/// What one sensor says of the pump.
#[derive(Clone, Copy, Debug)]
struct PumpReading {
    measures: Quantity,
    value: f64,
    least: f64,
}

impl PumpReading {
    fn input(&self) -> Input {
        Input::below(self.value, self.least, DEADBAND_PART * self.least)
    }

    /// "it draws 0 W, and should draw 10 W or more".
    fn words(&self) -> String {
        let Self { value, least, .. } = self;
        // A meter's own error below nothing is nothing.
        let value = value.max(0.0);
        match self.measures {
            Quantity::Power => format!("it draws {value:.0} W, and should draw {least:.0} W or more"),
            Quantity::WaterFlow => {
                format!("it moves {value:.0} L an hour, and should move {least:.0} L or more")
            }
            _ => format!("the water stands at {value:.0} cm, and should stand at {least:.0} cm or more"),
        }
    }

    /// Its name beside the others in an alarm's values.
    fn name(&self) -> &'static str {
        match self.measures {
            Quantity::Power => "power_w",
            Quantity::WaterFlow => "flow_l_h",
            _ => "level_cm",
        }
    }
}

impl SiteState {
    pub(super) fn judge_pump(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let (readings, whole) = self.pump_readings(index, at);
        let input = Input::worst(readings.iter().map(PumpReading::input)).unless_missing(!whole);
        let subject = AlarmPlace::Tank(index).alarm(Kind::PumpStopped);
        self.judge(subject, at, input, batch, |site, active| {
            pump_words(site.garden.tank(index), active, &readings)
        });
    }

    /// What its sensors say, the worst first, and whether each has a fresh good value.
    fn pump_readings(&self, index: u16, at: Timestamp) -> (Vec<PumpReading>, bool) {
        let pump = self.garden.tank(index).pump;
        let (mut readings, mut whole) = (Vec::new(), true);
        for (sensor, plan) in (0u16..).zip(&self.garden.sensors) {
            if plan.place != Place::Tank(index) {
                continue;
            }
            let measures = plan.measures;
            let (least, times) = match (measures, pump.level_cm) {
                (Quantity::Power, _) => (pump.power_w, 1.0),
                // Litres of a message; one after a break carries the whole break and is more.
                (Quantity::WaterFlow, _) => (pump.flow_l_h, 3600.0 / f64::from(plan.every_s)),
                (Quantity::WaterLevel, Some(least)) => (least, 1.0),
                _ => continue,
            };
            match self.fresh(sensor, at) {
                Some(value) => readings.push(PumpReading { measures, value: value * times, least }),
                None => whole = false,
            }
        }
        readings.sort_by(|a, b| (a.value / a.least).total_cmp(&(b.value / b.least)));
        (readings, whole)
    }

    /// Whether its pump is known to have stopped.
    pub(super) fn pump_stands(&self, index: u16) -> bool {
        self.is_active(AlarmPlace::Tank(index), Kind::PumpStopped)
    }

    pub(super) fn pump_figures(&self, index: u16, now: Timestamp) -> Vec<Figure> {
        let pump = self.garden.tank(index).pump;
        let mut figures = Vec::new();
        for (sensor, plan) in (0u16..).zip(&self.garden.sensors) {
            if plan.place != Place::Tank(index) || !plan.measures.tells_of_a_pump() {
                continue;
            }
            let (name, unit, times, least) = match plan.measures {
                Quantity::Power => ("Power of the pump", "W", 1.0, Some(pump.power_w)),
                Quantity::WaterFlow => (
                    "Water that the pump moves",
                    "L/h",
                    3600.0 / f64::from(plan.every_s),
                    Some(pump.flow_l_h),
                ),
                _ => ("Water level", "cm", 1.0, pump.level_cm),
            };
            let Some(value) = self.fresh(sensor, now).map(|value| (value * times).max(0.0)) else {
                figures.push(Figure::unknown(name, "its sensor has no fresh good reading", unit));
                continue;
            };
            let limit = least.map_or("its least is not set, so it is not judged".to_owned(), |least| {
                format!("at least {least:.0} {unit} while it runs")
            });
            let why = least.map(|least| {
                equations::BEYOND.step(format!("{value:.0} - {least:.0} = {:.0} {unit}", value - least))
            });
            figures.push(Figure::known(
                name,
                format!("{value:.0} {unit}; {limit}"),
                value,
                unit,
                why.into_iter().collect(),
            ));
        }
        figures
    }
}

fn pump_words(tank: &Tank, active: bool, readings: &[PumpReading]) -> AlarmText {
    let Some(worst) = readings.first() else {
        return AlarmText::new(format!("{}: whether its pump runs is not known.", tank.name), &[], SOURCE);
    };
    let text = if !active {
        format!(
            "{}: its pump runs again. If it stood for hours, test ammonia and nitrite every day for a week.",
            tank.name
        )
    } else if worst.measures == Quantity::WaterLevel {
        format!(
            "{}: {}. Look now for a leak, a split hose, or a pump that empties the tank. Stop the pump if it draws air. \
             Fill up slowly, with water of the same temperature treated against chlorine and chloramine. {}",
            tank.name,
            worst.words(),
            take_care(&[HANDS, TAP, FISH]),
        )
    } else {
        format!(
            "{}: its pump seems to have stopped: {}. Look now at its switch, plug and inlet: the fish may be short of \
             oxygen within the hour. Until it runs, run a battery air pump, or pour water from a jug back into the tank \
             from a height. Feed nothing. If the filter stood for hours, rinse it in tank water before you start it. Then \
             test ammonia and nitrite every day for a week. {}",
            tank.name,
            worst.words(),
            take_care(&[HANDS, SWITCH, FISH]),
        )
    };
    let values: Vec<(&'static str, f64)> =
        readings.iter().map(|reading| (reading.name(), reading.value)).collect();
    let step = equations::BEYOND.step(format!(
        "{:.1} - {:.1} = {:.1}",
        worst.value,
        worst.least,
        worst.value - worst.least
    ));
    AlarmText::new(text, &values, SOURCE).because(vec![step])
}
